"""How a Python function becomes a compiled kernel: by numba, for one signature, kept on disk, holding no GIL."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from typing import Any, TypeVar

numba: Any = importlib.import_module("numba")
importlib.import_module("numba.extending")

_Function = TypeVar("_Function", bound=Callable[..., Any])
_dispatchers: list[Any] = []
# Arrays of one dimension, those that are only read marked so, for callers' buffers may be read-only.
_KINDS = {
    "none": numba.void,
    "int64": numba.int64,
    "uint64": numba.uint64,
    "boolean": numba.boolean,
    "two counts": numba.types.UniTuple(numba.int64, 2),
    "counts": numba.types.UniTuple(numba.int64, 3),
    "bytes": numba.types.Array(numba.uint8, 1, "C", readonly=True),
    "words": numba.types.Array(numba.uint64, 1, "C", readonly=True),
    "table": numba.types.Array(numba.uint32, 1, "C", readonly=True),
    "places": numba.types.Array(numba.int64, 1, "C", readonly=True),
    "bytes out": numba.uint8[::1],
    "words out": numba.uint64[::1],
    "table out": numba.uint32[::1],
    "places out": numba.int64[::1],
}


def kernel(result: str, *arguments: str) -> Callable[[_Function], _Function]:
    """Compile the function for arguments of those kinds now, or load what an earlier process compiled."""
    signature = _KINDS[result](*(_KINDS[argument] for argument in arguments))

    def compile_it(function: _Function) -> _Function:
        try:
            dispatcher = numba.njit(signature, nogil=True, cache=True)(function)
        except RuntimeError:  # nowhere to keep it: neither beside this file nor in the user's own cache
            dispatcher = numba.njit(signature, nogil=True)(function)
        dispatcher.__doc__ = function.__doc__ or f"{result}({', '.join(arguments)})"
        _dispatchers.append(dispatcher)
        return dispatcher

    return compile_it


@numba.extending.intrinsic
def ones(_context: Any, _word: Any) -> Any:
    """How many bits of a word are 1, by the processor's own instruction where it has one."""

    def generate(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.ctpop(arguments[0])

    return numba.uint64(numba.uint64), generate


@numba.extending.intrinsic
def swapped(_context: Any, _word: Any) -> Any:
    """The word with its bytes in reverse order."""

    def generate(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.bswap(arguments[0])

    return numba.uint64(numba.uint64), generate


def was_compiled() -> bool:
    """Whether any of these had to be compiled, rather than loaded from the cache on disk."""
    return any(dispatcher.stats.cache_misses for dispatcher in _dispatchers)
