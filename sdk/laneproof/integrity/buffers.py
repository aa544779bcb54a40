"""The bytes behind a caller's buffer, whatever its type, and work on them in pieces. Nothing is copied or kept."""

from __future__ import annotations

import operator
import re
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, SupportsIndex, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from laneproof.errors import BadInput

Bytes = NDArray[np.uint8]

_PIECE_BYTES = 1 << 20
_UINT8 = np.dtype(np.uint8)
_Result = TypeVar("_Result")


def byte_view(buffer: object, *, writable: bool = False) -> Bytes:
    """The buffer's memory as one row of bytes.

    Takes any C-contiguous buffer: bytes, bytearray, memoryview, mmap, a numpy array of any shape and any type but
    object. Raises BadInput for anything else, and for a read-only one where `writable` is asked for.
    """
    # First what most buffers are, and what a small one has no time to be taken apart for.
    if type(buffer) is np.ndarray and buffer.dtype is _UINT8 and buffer.ndim == 1:
        flags = buffer.flags
        if flags.c_contiguous and (flags.writeable or not writable):
            return buffer
    kind: str = type(cast("Any", buffer)).__name__
    try:
        # numpy arrays go their own way: not all of their types (dates, records) pass through a memoryview.
        if isinstance(buffer, np.ndarray):
            return _of_array(cast("NDArray[Any]", buffer), writable)
        return _of_memory(memoryview(cast("Any", buffer)), writable)
    except TypeError:
        raise BadInput(f"{kind} is not a buffer of bytes; give a bytearray, a memoryview or a numpy array") from None
    except (ValueError, BufferError) as error:
        if isinstance(error, BadInput):
            raise
        raise BadInput(f"the {kind} cannot be used as a buffer: {error}") from None


def _of_array(array: NDArray[Any], writable: bool) -> Bytes:
    _check("numpy array", array.flags.c_contiguous, array.flags.writeable or not writable, array.dtype.hasobject)
    if array.nbytes == 0:
        return np.empty(0, np.uint8)
    return array.view(np.ndarray).reshape(-1).view(np.uint8)


def _of_memory(memory: memoryview, writable: bool) -> Bytes:
    # A record's field names stand between colons; an O among them is no object.
    holds_objects = memory.format != "B" and "O" in re.sub(":[^:]*:", "", memory.format)
    _check("buffer", memory.c_contiguous, not (writable and memory.readonly), holds_objects)
    return np.frombuffer(memory, np.uint8) if memory.nbytes else np.empty(0, np.uint8)


def _check(what: str, contiguous: bool, permitted: bool, holds_objects: bool) -> None:
    if holds_objects:
        raise BadInput(f"the {what} holds Python objects, not data; give one of numbers or bytes")
    if not contiguous:
        raise BadInput(f"the {what} is not C-contiguous; give one whose bytes lie in one row, without gaps")
    if not permitted:
        raise BadInput(f"the {what} is read-only and would be written; give a bytearray or a writable array")


def checked_threads(threads: SupportsIndex) -> int:
    """`threads` as a plain number. Raises BadInput for anything but a whole number from 1 on."""
    try:
        number = operator.index(threads)
    except TypeError:
        number = 0
    if number < 1:
        raise BadInput(f"threads is {threads!r}; give a whole number, 1 or more")
    return number


def in_pieces(work: Callable[[int, Bytes], _Result], data: Bytes, threads: int, *, most: int) -> list[_Result]:
    """`work(start, data[start:stop])` on pieces that together are all of it, in as many threads; the results in order.

    In `most` at most, and in no more than have 1 MiB each: starting one for less costs more than it gains.
    """
    pieces = max(1, min(threads, most, data.size // _PIECE_BYTES))
    if pieces == 1:
        return [work(0, data)]
    size = -(-data.size // (64 * pieces)) * 64
    with ThreadPoolExecutor(pieces - 1) as pool:
        others = [pool.submit(work, start, data[start : start + size]) for start in range(size, data.size, size)]
        return [work(0, data[:size]), *(other.result() for other in others)]
