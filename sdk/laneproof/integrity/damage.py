"""What came back wrong, examined once and kept as plain data: how, where, and where the wrong bytes came from.

What caused it is for the diagnosis. Here only what can be seen in the data of a few wrong blocks.
"""

from __future__ import annotations

import statistics
import threading
from collections import Counter, deque
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np
from attrs import define, field, frozen

from laneproof.integrity.allocation import CHANNELS, SLOTS
from laneproof.integrity.buffers import Bytes
from laneproof.integrity.comparison import Comparison
from laneproof.integrity.localisation import Localisation, localise
from laneproof.integrity.origin import Origin, OriginMap, Past, trace
from laneproof.integrity.pattern import Pattern

MAX_EXAMINED = 16
"""The most wrong blocks of one record that are examined, the first to come back wrong."""
EXAMINED_BYTES = 1 << 20
"""The most bytes of each that are, from the page of its first wrong byte on."""
MAX_RANGES = 32
"""The most ranges of one origin that are listed of each."""
MAX_LISTED_MASKS = 16

_LINE_BYTES = 64
_PAGE_BYTES = 4096
_UNITS = (4, 8, 16, _LINE_BYTES, _PAGE_BYTES)
_NEAR = 64
"""Buffers so many sequence numbers before and after are looked for: more than are under way at once."""
_OTHERS = 8
"""Beside the buffer's own slot and channel, the first so many slots, and half as many channels, are looked for."""


@frozen(kw_only=True)
class WrongPiece:
    """A stretch of a block as it came back; `received` may be overwritten as soon as whoever is told of it returns.

    The piece begins at byte `start` of block `number`, with position `at` of `pattern`; `comparison` is of the
    piece, its positions counting from the piece's first byte.
    """

    number: int = 0
    start: int = 0
    pattern: Pattern
    at: int = 0
    received: Bytes
    comparison: Comparison


@frozen(kw_only=True)
class _Kept:
    """What is kept of a piece: `data` are its bytes from `skip` on, as they came."""

    piece_start: int
    first: int
    last: int
    received: int
    wrong: int
    number: int
    pattern: Pattern
    at: int
    data: Bytes


@define
class DamageRecord:
    """Collects wrong pieces while data move, from any thread; examines them afterwards, since that takes time."""

    _kept: list[_Kept] = field(factory=list[_Kept], init=False)
    _damaged: int = field(default=0, init=False)
    _recent: deque[tuple[int, int, int]] = field(factory=lambda: deque(maxlen=_NEAR), init=False)
    """Wrong blocks, of which more pieces may come."""
    _lock: threading.Lock = field(factory=threading.Lock, init=False)

    def __bool__(self) -> bool:
        return self._damaged > 0

    def keep(self, wrong: WrongPiece) -> None:
        """Take in a piece; of the first `MAX_EXAMINED` blocks the bytes themselves, up to `EXAMINED_BYTES`."""
        found = wrong.comparison
        if found.first is None:
            return
        with self._lock:
            block = (wrong.number, wrong.pattern.sequence, wrong.at - wrong.start)
            if block not in self._recent:
                self._recent.append(block)
                self._damaged += 1
            if len(self._kept) >= MAX_EXAMINED:
                return
            skip = max(0, (wrong.start + found.first) // _PAGE_BYTES * _PAGE_BYTES - wrong.start)
            last = found.regions[-1].stop - 1 if found.regions else found.first
            self._kept.append(
                _Kept(
                    piece_start=wrong.start + skip,
                    first=wrong.start + found.first,
                    last=wrong.start + last,
                    received=wrong.start + found.bytes_checked,
                    wrong=found.mismatched_bytes,
                    number=wrong.number,
                    pattern=wrong.pattern,
                    at=wrong.at + skip,
                    data=wrong.received[skip : skip + EXAMINED_BYTES].copy(),
                )
            )

    def to_dict(self, go_on: Callable[[], bool] = lambda: True) -> dict[str, Any]:
        """What is wrong as plain data, ready for a ledger; empty where nothing is.

        `go_on` is asked before each block, the first of which is examined whatever it says: it may take seconds.
        """
        with self._lock:
            kept, damaged = tuple(self._kept), self._damaged
        if not kept:
            return {}
        examined = [(one, *_examined(one)) for one in kept if go_on() or one is kept[0]]
        return {
            "pattern": kept[0].pattern.name,
            "blocks_damaged": damaged,
            "blocks_examined": len(examined),
            **_counts([where for _, where, _ in examined]),
            "by_kind": dict(sum((Counter(origins.wrong_bytes_by_kind) for _, _, origins in examined), Counter[str]())),
            **_shapes(
                [(one.piece_start + origin.start, origin.nbytes) for one, _, m in examined for origin in m.origins]
            ),
            "runs_cut": any(origins.cut for _, _, origins in examined),
            "blocks": [_block(one, where, origins) for one, where, origins in examined],
        }


def _examined(one: _Kept) -> tuple[Localisation, OriginMap]:
    own = one.pattern
    past = Past(
        nbytes=one.at + one.data.size,
        earlier=min(own.sequence, _NEAR),
        later=_NEAR,
        slots=tuple(sorted({own.slot, *range(min(_OTHERS, SLOTS))})),
        channels=tuple(sorted({own.channel, *range(min(_OTHERS // 2, CHANNELS))})),
    )
    where = localise(own, one.data, one.at, block=_LINE_BYTES)
    return where, trace(own, one.data, one.at, past=past)


def _counts(found: Sequence[Localisation]) -> dict[str, Any]:
    masks = sum((Counter({mask.mask: mask.dwords for mask in where.masks}) for where in found), Counter[int]())
    return {
        "wrong_bytes": sum(where.wrong_bytes for where in found),
        "wrong_bits": sum(where.wrong_bits for where in found),
        "zero_to_one": sum(where.zero_to_one for where in found),
        "one_to_zero": sum(where.one_to_zero for where in found),
        "wrong_dwords": sum(where.wrong_dwords for where in found),
        "wrong_lines": sum(where.wrong_blocks or 0 for where in found),
        "wrong_pages": sum(where.wrong_pages for where in found),
        "masks": [[mask, dwords] for mask, dwords in masks.most_common(MAX_LISTED_MASKS)],
        "masks_cut": len(masks) > MAX_LISTED_MASKS or any(where.masks_cut for where in found),
        "bit_of_dword": _summed(where.bit_of_dword for where in found),
        "byte_of_64": _summed(where.byte_of_64 for where in found),
    }


def _summed(rows: Iterable[tuple[int, ...]]) -> list[int]:
    return np.sum(np.array(list(rows), dtype=np.int64), axis=0).tolist()


def _shapes(runs: Sequence[tuple[int, int]]) -> dict[str, Any]:
    """Of ranges of one origin, as (start in their block, bytes): how they lie, and how long they are."""
    lengths = [nbytes for _, nbytes in runs]
    return {
        "runs": len(runs),
        "run_bytes": {"least": min(lengths), "median": statistics.median(lengths), "most": max(lengths)},
        "starts_modulo": {str(unit): sum(start % unit == 0 for start, _ in runs) / len(runs) for unit in _UNITS},
        "lengths_modulo": {str(unit): sum(nbytes % unit == 0 for nbytes in lengths) / len(runs) for unit in _UNITS},
    }


def _block(one: _Kept, where: Localisation, origins: OriginMap) -> dict[str, Any]:
    return {
        "number": one.number,
        "received": one.received,
        "wrong_bytes": one.wrong,
        "first": one.first,
        "last": one.last,
        "examined": [one.piece_start, one.piece_start + one.data.size],
        "wrong_pages": where.wrong_pages,
        "origins": [_range(one, origin) for origin in origins.origins[:MAX_RANGES]],
        "origins_cut": origins.cut or len(origins.origins) > MAX_RANGES,
    }


def _range(one: _Kept, origin: Origin) -> dict[str, Any]:
    source = origin.source
    start = one.piece_start + origin.start
    return {
        "start": start,
        "stop": one.piece_start + origin.stop,
        "kind": origin.kind,
        "wrong_bytes": origin.wrong_bytes,
        "unit_bytes": origin.unit_bytes,
        "source": None
        if source is None
        else {
            "slot": source.slot,
            "channel": source.channel,
            "sequence_delta": source.sequence - one.pattern.sequence,
            "position_delta": source.position - (one.at + origin.start),
        },
    }
