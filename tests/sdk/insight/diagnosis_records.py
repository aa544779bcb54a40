"""Hand-made records of endpoints, as a ledger holds them, for what the simulator cannot do or should not decide."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import attrs

from laneproof.campaign.results import EndpointResult, Reason, StepResult
from laneproof.campaign.verdict import Verdict
from laneproof.integrity.damage import MAX_RANGES

MIB = 1 << 20
LARGE, SMALL = 256 << 10, 128 << 10
"""The blocks of two steps, so that what depends on a block's size shows."""


def near_end(**changes: Any) -> dict[str, Any]:
    return {
        "name": "root port",
        "speed_gtps": 8.0,
        "width": 8,
        "max_speed_gtps": 8.0,
        "max_width": 8,
        "active": True,
        "max_payload": 256,
        "read_request": 512,
    } | changes


def link(above: Sequence[Mapping[str, Any]] = (), wiring: int | None = 8, **near: Any) -> dict[str, Any]:
    far = {"name": "card", "active": None} | {key: value for key, value in near.items() if key != "active"}
    return {"near": near_end(**near), "far": near_end(**far), "wiring": wiring, "above": list(above)}


def errors(near: Mapping[str, int] | None = None, far: Mapping[str, int] | None = None) -> dict[str, Any]:
    """Counts of one step at both ends; correctable or not is all one to the diagnosis."""
    return {
        end: {"name": end, "correctable": {name: {"n": n, "bound": "at least"} for name, n in (counts or {}).items()}}
        for end, counts in (("near", near), ("far", far))
    }


def conditions(*changes: tuple[str, str], lanes: Sequence[Mapping[str, Any]] = ()) -> dict[str, Any]:
    known = {"n": 0, "bound": "exact"}
    return {
        "before": {},
        "after": {"iommu_faults": known, "memory_errors": {"corrected": known}},
        "changes": [{"clock_s": 1.0, "kind": kind, "text": text} for kind, text in changes],
        "lanes": list(lanes),
    }


def unreadable(why: str) -> dict[str, Any]:
    """Error counts that neither end shows."""
    return {"near": {"unavailable": why}, "far": {"unavailable": why}}


Ranges = Sequence[Mapping[str, Any]]


def origin(
    start: int, stop: int, kind: str, delta: int | None = None, sequence: int = 0, wrong: int | None = None
) -> dict[str, Any]:
    """One range of wrong data; `delta` is how far from its place it came."""
    source = None if delta is None else {"slot": 0, "channel": 0, "sequence_delta": sequence, "position_delta": delta}
    return {
        "start": start,
        "stop": stop,
        "kind": kind,
        "wrong_bytes": stop - start if wrong is None else wrong,
        "unit_bytes": 0,
        "source": source,
    }


def damage(
    blocks: Iterable[Ranges], nbytes: int = LARGE, *, bits: tuple[int, ...] = (3, 9, 17, 30), up: float = 0.5
) -> dict[str, Any]:
    """A record of damage of blocks of that size; wrong bits are those `bits` of a dword, `up` of them from 0 to 1."""
    plain = list(blocks)
    ranges = [one for block in plain for one in block]
    wrong = sum(int(one["wrong_bytes"]) for one in ranges)
    byte_of_64 = [0] * 64
    for one in ranges:
        for at in {int(one["start"]) % 64, (int(one["stop"]) - 1) % 64} if one["kind"] == "noise" else range(64):
            byte_of_64[at] += 1
    bit_of_dword = [0] * 32
    for number, bit in enumerate(bits):
        bit_of_dword[bit] = (wrong + len(bits) - 1 - number) // len(bits)
    return {
        "pattern": "prbs31",
        "block_bytes": nbytes,
        "blocks_damaged": len(plain),
        "blocks_examined": len(plain),
        "wrong_bytes": wrong,
        "wrong_bits": wrong,
        "wrong_dwords": wrong,
        "zero_to_one": round(up * wrong),
        "one_to_zero": wrong - round(up * wrong),
        "masks": [[1 << bit, 1] for bit in bits],
        "bit_of_dword": bit_of_dword,
        "byte_of_64": byte_of_64,
        "blocks": [
            {
                "number": number,
                "received": nbytes,
                "wrong_bytes": sum(int(one["wrong_bytes"]) for one in block),
                "examined": [0, nbytes],
                "origins": list(block)[:MAX_RANGES],
            }
            for number, block in enumerate(plain)
        ],
    }


def step(
    kind: str = "integrity",
    *texts: str,
    verdict: Verdict = Verdict.FAIL,
    found: Mapping[str, Any] | None = None,
    counted: Mapping[str, Any] | None = None,
    around: Mapping[str, Any] | None = None,
    **measures: Any,
) -> StepResult:
    """One step; it failed unless said otherwise, with damage `found`, errors `counted`, and conditions `around` it."""
    moved = measures.pop("bytes_moved", 4 * MIB)
    whole = {"bytes_expected": moved, "bytes_received": moved, "bytes_checked": moved, "surplus_bytes": 0}
    return StepResult(
        position=0,
        kind=kind,
        verdict=verdict,
        reasons=tuple(Reason(verdict, text) for text in texts or ("as recorded",)),
        started_s=0.0,
        finished_s=1.0,
        bytes_moved=moved,
        measures=whole | {"stalled": False} | measures | ({"damage": found} if found else {}),
        errors=errors() if counted is None else counted,
        conditions=conditions() if around is None else around,
    )


def endpoint(*steps: StepResult, **changes: Any) -> EndpointResult:
    """A slot whose card was opened and whose steps ended so."""
    numbered = tuple(attrs.evolve(one, position=number) for number, one in enumerate(steps))
    return EndpointResult(
        name="north", uri="sim:bench#north", steps=numbered, **({"opened": {"link": link()}} | changes)
    )


def damaged(large: Iterable[Ranges], small: Iterable[Ranges] | None = None, **how: Any) -> EndpointResult:
    """Data damaged in two steps, with blocks of two sizes; the same ranges in both where only one is given."""
    large = list(large)
    small = large if small is None else list(small)
    return endpoint(
        step(found=damage(large, LARGE, **how), bytes_moved=len(large) * LARGE),
        step(found=damage(small, SMALL, **how), bytes_moved=len(small) * SMALL),
    )
