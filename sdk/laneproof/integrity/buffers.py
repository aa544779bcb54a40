"""The bytes behind a caller's buffer, whatever its type. Nothing is copied or kept."""

from __future__ import annotations

import re
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from laneproof.errors import BadInput

Bytes = NDArray[np.uint8]


def byte_view(buffer: object, *, writable: bool = False) -> Bytes:
    """The buffer's memory as one row of bytes.

    Takes any C-contiguous buffer: bytes, bytearray, memoryview, mmap, a numpy array of any shape and any type but
    object. Raises BadInput for anything else, and for a read-only one where `writable` is asked for.
    """
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
    holds_objects = "O" in re.sub(":[^:]*:", "", memory.format)
    _check("buffer", memory.c_contiguous, not (writable and memory.readonly), holds_objects)
    return np.frombuffer(memory, np.uint8) if memory.nbytes else np.empty(0, np.uint8)


def _check(what: str, contiguous: bool, permitted: bool, holds_objects: bool) -> None:
    if holds_objects:
        raise BadInput(f"the {what} holds Python objects, not data; give one of numbers or bytes")
    if not contiguous:
        raise BadInput(f"the {what} is not C-contiguous; give one whose bytes lie in one row, without gaps")
    if not permitted:
        raise BadInput(f"the {what} is read-only and would be written; give a bytearray or a writable array")
