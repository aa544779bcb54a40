"""What a run shows, as numbers between 0 and 1 by name: a generic digest of its record, made from the formats alone.

It knows neither faults nor rules. Distances between digests are in `diagnosis_alike`.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from laneproof.campaign.results import EndpointResult, StepResult

Plain = Mapping[str, Any]

FULL_SCALE_BYTES = float(4 << 20)
VERDICTS = ("none", "pass", "inconc", "fail", "error")
UNITS = ("4", "8", "16", "64", "4096")
SOURCES = {0: "own", -1: "the one before", 1: "the next"}
WORD_WEIGHT = 0.5
_FELL = re.compile(r"from ([0-9.]+) GT/s x([0-9]+) to ([0-9.]+) GT/s x([0-9]+)")
_WORD = re.compile(r"(?<![0-9A-Za-z])[A-Za-z]{2,}(?![0-9A-Za-z])")
_OF_A_SCALE = {"KiB", "MiB", "GiB", "GB", "MB", "kB", "ms", "us", "ns"}
"""Words of a number, which differ from bench to bench."""


def observed(endpoint: EndpointResult) -> dict[str, float]:
    """The digest of an endpoint's record."""
    found = {"opened": float(bool(endpoint.opened))}
    found |= _verdicts(endpoint)
    found |= _errors(endpoint)
    found |= _link(endpoint)
    found |= _said(endpoint)
    found |= _points(endpoint.steps)
    damages = [step.measures["damage"] for step in endpoint.steps if step.measures.get("damage")]
    if damages:
        found |= _damage(damages, endpoint.steps)
    return {name: value for name, value in found.items() if value}


def _verdicts(endpoint: EndpointResult) -> dict[str, float]:
    found = {f"verdict of {step.kind}: {step.verdict}": 1.0 for step in endpoint.steps}
    for step in endpoint.steps:
        expected = step.measures.get("bytes_expected") or 0
        if expected and step.measures.get("bytes_received", 0) < expected:
            found[f"{step.kind}: bytes missing"] = 1.0
        if step.measures.get("surplus_bytes"):
            found[f"{step.kind}: surplus"] = 1.0
        if step.measures.get("stalled"):
            found[f"{step.kind}: stalled"] = 1.0
        share = step.measures.get("share_of_ceiling")
        if share is not None:
            found[f"{step.kind}: below ceiling"] = min(1.0, max(0.0, 1.0 - share))
    return found


def _errors(endpoint: EndpointResult) -> dict[str, float]:
    """Counters at each end that moved, on a scale that a thousand fills."""
    counts: Counter[str] = Counter()
    hidden: set[str] = set()
    for step in endpoint.steps:
        for end, reading in step.errors.items():
            if not isinstance(reading, Mapping) or "unavailable" in reading:
                hidden.add(f"{end} hidden")
                continue
            for severity in ("correctable", "nonfatal", "fatal"):
                named = reading.get(severity)
                for name, count in named.items() if isinstance(named, Mapping) else ():
                    if isinstance(count, Mapping):
                        counts[f"{end} {name}"] += int(count.get("n", 0))
        conditions = step.conditions
        for key in ("iommu_faults", "memory_errors"):
            before, after = (conditions.get(at, {}).get(key) for at in ("before", "after"))
            if before != after:
                hidden.add(f"{key} moved")
                hidden |= {
                    f"{key}: {name} moved"
                    for name in (after if isinstance(after, Mapping) else ())
                    if (before or {}).get(name) != after[name]
                }
    return {name: _of(count, 1000.0) for name, count in counts.items()} | dict.fromkeys(hidden, 1.0)


def _link(endpoint: EndpointResult) -> dict[str, float]:
    found: dict[str, float] = {}
    for step in endpoint.steps:
        expected, link = step.measures.get("expected"), step.measures.get("link")
        near = link.get("near") if isinstance(link, Mapping) else None
        if not isinstance(expected, Mapping) or not isinstance(near, Mapping):
            continue
        for key in ("width", "speed_gtps"):
            if expected.get(key) and near.get(key) is not None:
                found[f"{key} below what was expected"] = 1.0 - min(1.0, near[key] / expected[key])
    for step in endpoint.steps:
        for change in step.conditions.get("changes", ()):
            found[f"changed: {change.get('kind')}"] = 1.0
    for event in endpoint.events:
        found[f"event: {event.get('kind')}"] = 1.0
    for text in _texts(endpoint):
        for speed, width, then_speed, then_width in _FELL.findall(text):
            found["speed fell"] = 1.0 - min(1.0, float(then_speed) / float(speed))
            found["width fell"] = 1.0 - min(1.0, int(then_width) / int(width))
    return found


def _said(endpoint: EndpointResult) -> dict[str, float]:
    """Which words, numbers aside, stand in reasons that are no pass, and in events."""
    words = {word for text in _texts(endpoint) for word in _WORD.findall(text)} - _OF_A_SCALE
    return {f"word {word}": WORD_WEIGHT for word in words}


def _texts(endpoint: EndpointResult) -> list[str]:
    texts = [reason.text for reason in endpoint.reasons]
    texts += [
        reason.text for step in endpoint.steps for reason in step.reasons if str(reason.verdict) not in ("pass", "none")
    ]
    texts += [str(event.get("text", "")) for event in endpoint.events]
    return [text.replace(endpoint.uri, "") for text in texts]


def _points(steps: Sequence[StepResult]) -> dict[str, float]:
    """Of each sweep, which share went wrong, and which points."""
    points = [point for step in steps for point in step.measures.get("points", ())]
    found: dict[str, float] = {}
    for sweep in ("sizes", "offsets", "depths"):
        own = [point for point in points if point["sweep"] == sweep]
        wrong = [point for point in own if not point["ok"]]
        if not wrong:
            continue
        right = [point for point in own if point["ok"]]
        found[f"{sweep}: share wrong"] = len(wrong) / len(own)
        key = {"sizes": "bytes", "offsets": "offset", "depths": "depth"}[sweep]
        found[f"{sweep}: least wrong"] = _of(min(point[key] for point in wrong), FULL_SCALE_BYTES)
        found[f"{sweep}: most right"] = _of(max((point[key] for point in right), default=0), FULL_SCALE_BYTES)
        whole = [point["bytes"] % 64 == 0 for point in wrong]
        found[f"{sweep}: wrong of whole lines"] = sum(whole) / len(wrong)
        found[f"{sweep}: begins wrong"] = _share(point["first"] == 0 for point in wrong)
        found[f"{sweep}: short"] = _share(point["received_bytes"] < point["bytes"] for point in wrong)
        found[f"{sweep}: surplus"] = _share(point["surplus_bytes"] > 0 for point in wrong)
        found[f"{sweep}: all wrong"] = _share(point["mismatched_bytes"] >= 0.98 * point["bytes"] for point in wrong)
    return found


def _damage(damages: Sequence[Plain], steps: Sequence[StepResult]) -> dict[str, float]:
    """How wrong data look, all steps together."""
    wrong = sum(one["wrong_bytes"] for one in damages)
    blocks = [block for one in damages for block in one["blocks"]]
    origins = [origin for block in blocks for origin in block["origins"]]
    bits = sum(one["wrong_bits"] for one in damages)
    found = {
        "wrong bytes": _of(wrong, FULL_SCALE_BYTES),
        "wrong bits of a wrong byte": bits / (8 * wrong),
        "zero to one": sum(one["zero_to_one"] for one in damages) / bits,
        "wrong bytes of a block": _of(wrong / len(blocks), FULL_SCALE_BYTES),
        "wrong bytes of a line": wrong / 64 / max(1, sum(one["wrong_lines"] for one in damages)),
        "wrong bytes of a page": wrong / 4096 / max(1, sum(one["wrong_pages"] for one in damages)),
        "blocks damaged": _of(sum(one["blocks_damaged"] for one in damages), 1000.0),
        "steps damaged": len(damages) / max(1, len(steps)),
        "same first": _commonest(block["first"] for block in blocks),
        "begins wrong": _share(block["first"] == 0 for block in blocks),
        "ends wrong": _share(block["last"] == block["received"] - 1 for block in blocks),
        "all wrong": _share(block["wrong_bytes"] >= 0.98 * block["received"] for block in blocks),
        "lone blocks": _share(block["number"] == 1 for block in blocks),
    }
    by_kind = Counter[str]()
    for one in damages:
        by_kind.update(one["by_kind"])
    found |= {f"kind {kind}": nbytes / max(1, by_kind.total()) for kind, nbytes in by_kind.items()}
    runs = sum(one["runs"] for one in damages)
    for key in ("starts_modulo", "lengths_modulo"):
        for unit in UNITS:
            found[f"{key} {unit}"] = sum(one[key][unit] * one["runs"] for one in damages) / runs
    for key in ("least", "median", "most"):
        found[f"{key} run"] = _of(sum(one["run_bytes"][key] * one["runs"] for one in damages) / runs, FULL_SCALE_BYTES)
    found["runs of a block"] = _of(runs / len(blocks), 1000.0)
    found |= _masks(damages) | _recurring(damages) | _sources(origins) | _distances(blocks)
    return found


def _masks(damages: Sequence[Plain]) -> dict[str, float]:
    masks = Counter[int]()
    for one in damages:
        masks.update(dict(one["masks"]))
    dwords = sum(one["wrong_dwords"] for one in damages)
    mask, often = masks.most_common(1)[0] if masks else (0, 0)
    return {
        "commonest mask": often / max(1, dwords),
        "its bits": mask.bit_count() / 32,
        "one bit each": sum(often for mask, often in masks.items() if mask.bit_count() == 1) / max(1, dwords),
        "all bits each": masks[0xFFFFFFFF] / max(1, dwords),
    }


def _recurring(damages: Sequence[Plain]) -> dict[str, float]:
    """How much of the damage sits in the commonest places of a word or line."""
    of_dword = [sum(column) for column in zip(*(one["bit_of_dword"] for one in damages), strict=True)]
    of_line = [sum(column) for column in zip(*(one["byte_of_64"] for one in damages), strict=True)]
    found = {"commonest bit of a dword": max(of_dword) / max(1, sum(of_dword))}
    for width in (4, 8, 16, 32, 64):
        folded = [sum(of_line[lane::width]) for lane in range(width)]
        found[f"commonest byte modulo {width}"] = max(folded) / max(1, sum(folded))
        found[f"bytes modulo {width} never wrong"] = folded.count(0) / width
    return found


def _sources(origins: Sequence[Plain]) -> dict[str, float]:
    """Where wrong bytes came from, weighed by ranges."""
    found: Counter[str] = Counter()
    deltas: list[int] = []
    for origin in origins:
        source = origin["source"]
        if source is None:
            found["no source"] += 1
            continue
        sequence = source["sequence_delta"]
        found[f"from {SOURCES.get(sequence, 'earlier' if sequence < 0 else 'later')}"] += 1
        found["from another slot or channel"] += bool(source["slot"] or source["channel"])
        deltas.append(source["position_delta"])
        found["moved on"] += source["position_delta"] < 0
        found["moved back"] += source["position_delta"] > 0
    shares = {name: count / len(origins) for name, count in found.items()} if origins else {}
    if deltas:
        shares["commonest distance"] = _commonest(deltas)
        shares["distance"] = _of(sum(map(abs, deltas)) / len(deltas), FULL_SCALE_BYTES)
        for unit in (8, 64, 4096):
            shares[f"distance modulo {unit}"] = _share(delta % unit == 0 for delta in deltas)
    return shares


def _distances(blocks: Sequence[Plain]) -> dict[str, float]:
    """Whether ranges of damage follow each other regularly."""
    gaps = [
        two["start"] - one["start"]
        for block in blocks
        for one, two in zip(block["origins"], block["origins"][1:], strict=False)
    ]
    if not gaps:
        return {"a range alone": 1.0, "commonest gap": 0.5}  # neither regular nor not
    return {
        "commonest gap": _commonest(gaps),
        "gap": _of(sum(gaps) / len(gaps), FULL_SCALE_BYTES),
        **{f"gap modulo {unit}": _share(gap % unit == 0 for gap in gaps) for unit in (8, 64, 4096)},
    }


def _of(count: float, full: float) -> float:
    """A count on a logarithmic scale from 0 to 1."""
    return min(1.0, math.log1p(max(0.0, count)) / math.log1p(full))


def _share(which: Iterable[bool]) -> float:
    held = list(which)
    return sum(held) / len(held) if held else 0.0


def _commonest(values: Iterable[int]) -> float:
    held = Counter(values)
    return held.most_common(1)[0][1] / held.total() if held else 0.0
