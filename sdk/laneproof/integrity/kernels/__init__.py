"""Which code makes and verifies the long pseudo-random sequences: numpy, or kernels compiled by numba. Both give the
same results to the bit. What the kernels do is in `compiled`; what numpy does is in `prbs` and `verification`.

`LANEPROOF_KERNELS` set to `numpy` or `numba` chooses. Unset, numba is used where it is installed, but importing it
takes about a second: it is imported by `ready()`, which a measurement calls beforehand, or by the first single buffer
of `LARGE_BYTES` or more, never by smaller ones and never by `import laneproof`. Once there it serves every buffer. A
check of as much in all asks for it before its time begins, and so does a run on physical cards.
"""

from __future__ import annotations

import importlib.util
import logging
import os
import sys
import threading
import time
from types import ModuleType
from typing import Literal, Protocol, cast

import numpy as np
from numpy.typing import NDArray

from laneproof.errors import BadInput

Name = Literal["numpy", "numba"]

VARIABLE = "LANEPROOF_KERNELS"
"""The environment variable that chooses; read once, at the first use."""

LARGE_BYTES = 64 << 20
"""From this size on a buffer is worth the import of numba, where nothing was chosen and nothing is ready."""

_NOTICEABLE_S = 0.1

_log = logging.getLogger(__name__)
_Bytes = NDArray[np.uint8]
_Words = NDArray[np.uint64]
_Places = NDArray[np.int64]
_Table = NDArray[np.uint32]


class Compiled(Protocol):
    """The module `compiled`, once it is imported; what its functions do is said there."""

    def fill(self, out: _Bytes, before: _Bytes, n: int, k: int, flip: int) -> None: ...

    def verify(
        self, received: _Bytes, before: _Bytes, n: int, k: int, flip: int, runs: _Places
    ) -> tuple[int, int, int]: ...

    def verify_and_overwrite(self, data: _Bytes, before: _Bytes, other: _Bytes, n: int, k: int, flip: int) -> int: ...


class CompiledPlaces(Protocol):
    """The module `places`, once it is imported; what its functions do is said there."""

    def places(
        self, states: _Words, n: np.uint64, k: np.uint64, table: _Table, bits: np.uint64, found: _Places
    ) -> None: ...

    def runs(
        self,
        data: _Bytes,
        words: _Words,
        wrong: _Words,
        n: np.uint64,
        k: np.uint64,
        table: _Table,
        bits: np.uint64,
        around: _Words,
        gap: int,
        starts: _Places,
        stops: _Places,
        found: _Places,
    ) -> int: ...

    def clear(self, truths: _Bytes, starts: _Places, stops: _Places) -> None: ...

    def count(self, truths: _Bytes, starts: _Places, stops: _Places, counts: _Places) -> None: ...


class CompiledDisplaced(Protocol):
    """The module `displaced`, once it is imported; what its function does is said there."""

    def displaced(
        self,
        received: _Bytes,
        before: _Bytes,
        n: int,
        k: int,
        flip: int,
        table: _Table,
        bits: np.uint64,
        around: _Words,
        gap: int,
        chunk_bytes: int,
        limit: int,
        alignment: int,
        going_on: int,
        starts: _Places,
        stops: _Places,
        alignments: _Places,
        wrong: _Places,
    ) -> tuple[int, int]: ...


class CompiledTally(Protocol):
    """The module `damage`, once it is imported; what its function does is said there."""

    def tally(
        self,
        difference: _Words,
        risen: _Words,
        holders: _Table,
        index_of: _Places,
        bits: _Places,
        lanes: _Places,
        mask_counts: _Places,
        new: _Table,
    ) -> tuple[int, int, int]: ...


def name() -> Name:
    """What works on large buffers from now on; imports nothing. Raises BadInput for an environment variable that asks
    for neither, or for numba where it is not installed."""
    return _kernels.chosen()


def ready() -> Name:
    """Import and compile now what would else be imported and compiled at the first large buffer; returns its name.

    Compiling takes some seconds, once for each machine: the result is kept on disk, in numba's cache
    (`NUMBA_CACHE_DIR`), and loaded in about a second the next time. Raises BadInput as `name` does.
    """
    return "numba" if _kernels.loaded(asked=True) else "numpy"


def choose(wanted: Name | None) -> None:
    """Overrule the environment variable for this process; None goes back to it. Raises BadInput as `name` does."""
    _kernels.choose(wanted, "kernels")


def for_bytes(nbytes: int) -> Compiled | None:
    """The compiled kernels if they are to work on a buffer of that size, else None: numpy works on it."""
    return _kernels.for_bytes(nbytes)


def places_for_bytes(nbytes: int) -> CompiledPlaces | None:
    """The same for the kernels that find places."""
    if _kernels.for_bytes(nbytes) is None:
        return None
    from laneproof.integrity.kernels import places

    return places


def displaced_for_bytes(nbytes: int) -> CompiledDisplaced | None:
    """The same for the kernel that finds what is displaced."""
    if _kernels.for_bytes(nbytes) is None:
        return None
    from laneproof.integrity.kernels import displaced

    return displaced


def tally_for_bytes(nbytes: int) -> CompiledTally | None:
    """The same for the kernel that counts damage."""
    if _kernels.for_bytes(nbytes) is None:
        return None
    from laneproof.integrity.kernels import damage

    return damage


def most_threads(compiled: Compiled | None) -> int:
    """How many threads may share a buffer. numpy holds the GIL between its calls, so more than three gain little, and
    each needs up to 5 MiB of its own; compiled kernels need no GIL, and 600 KiB where the list of regions is full."""
    return 3 if compiled is None else 24


class _Kernels:
    """The choice and what was loaded by it. Safe to share between threads."""

    def __init__(self) -> None:
        self._lock = threading.RLock()
        self._chosen: Name | None = None
        self._demanded = False
        self._module: ModuleType | None = None

    def choose(self, wanted: str | None, where: str) -> None:
        with self._lock:
            if wanted not in (None, "", "numpy", "numba"):
                raise BadInput(f'{where} is "{wanted}"; give numpy or numba, or leave it out')
            if wanted == "numba" and not _installed():
                raise BadInput(f"{where} asks for numba, which is not installed; pip install laneproof[fast]")
            self._module = None
            self._demanded = wanted == "numba"
            self._chosen = None if not wanted else "numba" if self._demanded else "numpy"

    def chosen(self) -> Name:
        with self._lock:
            if self._chosen is None:
                self.choose(os.environ.get(VARIABLE), VARIABLE)
            if self._chosen is None:
                self._chosen = "numba" if _installed() else "numpy"
            return self._chosen

    def loaded(self, *, asked: bool) -> ModuleType | None:
        if self._module is not None:
            return self._module
        with self._lock:
            if self._module is None and self.chosen() == "numba":
                self._module = self._load(asked)
            return self._module

    def for_bytes(self, nbytes: int) -> Compiled | None:
        module = self._module
        if module is not None or self._chosen == "numpy":
            return cast("Compiled | None", module)
        if self.chosen() == "numba" and (self._demanded or nbytes >= LARGE_BYTES):
            module = self.loaded(asked=False)
        return cast("Compiled | None", module)

    def _load(self, asked: bool) -> ModuleType | None:
        began_s = time.perf_counter()
        try:
            from laneproof.integrity.kernels import compiled, compiling, damage, displaced, places

            compiled.check()
            places.check()
            displaced.check()
            damage.check()
        except Exception as error:  # numba refuses versions of numpy, and damaged caches, in several ways
            reason = str(error).splitlines()[0] if str(error) else type(error).__name__
            remedy = "pip install --upgrade laneproof[fast], or choose numpy"
            if self._demanded:
                raise BadInput(f"numba is installed and does not work: {reason}; {remedy}") from None
            _log.warning("numba is installed and does not work, so numpy does the work: %s; %s", reason, remedy)
            self._chosen = "numpy"
            return None
        took_s = time.perf_counter() - began_s
        if compiling.was_compiled() and took_s >= _NOTICEABLE_S:
            remedy = "" if asked else "; call kernels.ready() before measuring"
            _log.warning("waited %.1f s for kernels to be compiled, once for this computer%s", took_s, remedy)
        else:
            _log.info("kernels of numba ready after %.1f s", took_s)
        return compiled


def _installed() -> bool:
    # The kernels take a word's least significant byte to be its first, as on every machine that numba is built for.
    return sys.byteorder == "little" and importlib.util.find_spec("numba") is not None


_kernels = _Kernels()
