"""The rows of a report's table on what stood around a slot's steps: receivers of both partners, sensors, the host."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from laneproof.campaign.results import EndpointResult, Plain

_ENDS = ("near", "far")


def condition_rows(endpoint: EndpointResult) -> list[dict[str, str]]:
    """Texts: `what`, and either `near` and `far`, empty where not shown, or `host`. None where nothing is known.

    As last read, with what every step added.
    """
    read = [(step.kind, step.conditions) for step in endpoint.steps if "before" in step.conditions]
    readings: list[Plain] = [seen[when] for _, seen in read for when in ("before", "after") if "near" in seen[when]]
    if not readings:
        return []
    last = readings[-1]
    rows = [{"what": "Lanes newly flagged"} | {end: _lanes(end, read, last[end]) for end in _ENDS}]
    rows += [_by_end(what, show, last) for what, show in _SHOWN.items()]
    return [
        *(row for row in rows if row["near"] or row["far"]),
        {"what": "Sensors", "host": _sensors(read, last["sensors"])},
        {"what": "Host memory errors", "host": _counts(last["memory_errors"])},
        {"what": "Refused by the IOMMU", "host": _count(last["iommu_faults"])},
        {"what": "Reported by the kernel", "host": _count(last["reported"])},
    ]


def blind_flags(endpoint: EndpointResult) -> list[str]:
    """What was flagged before a step began, each once, with the step that it was first true of."""
    first: dict[str, str] = {}
    for step in endpoint.steps:
        for text in step.conditions.get("blind", []):
            first.setdefault(text, step.kind)
    return [f"{text} (from the {kind} step on)" for text, kind in first.items()]


def conditions_unknown(endpoint: EndpointResult) -> list[str]:
    """Why nothing is known of a step's conditions, each reason once."""
    whys = (step.conditions.get("unavailable") for step in endpoint.steps)
    return list(dict.fromkeys(why for why in whys if why))


def _by_end(what: str, show: Callable[[Plain], str], last: Plain) -> dict[str, str]:
    return {"what": what} | {
        end: f"not known: {last[end]['unavailable']}" if "unavailable" in last[end] else show(last[end])
        for end in _ENDS
    }


def _lanes(end: str, read: Sequence[tuple[str, Mapping[str, Any]]], partner: Mapping[str, Any]) -> str:
    named: dict[tuple[str, str], list[int]] = {}
    for kind, seen in read:
        for flag in seen["lanes"]:
            if flag["end"] == end:
                named.setdefault((flag["register"], kind), []).append(flag["lane"])
    if named:
        return "; ".join(
            f"lane{'s' * (len(lanes) > 1)} {', '.join(map(str, lanes))}: {register}, during {kind}"
            for (register, kind), lanes in named.items()
        )
    if "unavailable" in partner:
        return f"not known: {partner['unavailable']}"
    return "" if partner["lane_errors"] is None and not partner["parity_mismatches"] else "none"


def _clocking(partner: Mapping[str, Any]) -> str:
    said = [
        f"{partner['clocking']} clock" if partner["clocking"] is not None else "",
        f"retimers: {partner['retimers']}" if partner["retimers"] is not None else "",
        "" if partner["margining"] is None else f"margining {'ready' if partner['margining'] else 'not ready'}",
    ]
    return ", ".join(filter(None, said))


def _speeds(shown: Mapping[str, Sequence[str]]) -> str:
    by_speed = sorted(shown.items(), key=lambda item: float(item[0]))
    return "; ".join(f"{speed} GT/s: {', '.join(texts) or 'none'}" for speed, texts in by_speed)


def _listed(shown: Sequence[str] | None) -> str:
    return "" if shown is None else ", ".join(shown) or "none"


_SHOWN: dict[str, Callable[[Plain], str]] = {
    "Equalisation": lambda partner: _speeds(partner["equalisation"]),
    "Transmitter presets, by lane": lambda partner: _speeds(partner["presets"]),
    "Clock, retimers, margining": _clocking,
    "Link power states switched on": lambda partner: _listed(partner["aspm"]),
    "Device Status": lambda partner: _listed(partner["device_status"]),
}


def _sensors(read: Sequence[tuple[str, Mapping[str, Any]]], last: Any) -> str:
    ranges: dict[tuple[str, str], tuple[float, float]] = {}
    for _, seen in read:
        for sensor in seen["sensors"]:
            key = sensor["name"], sensor["unit"]
            low, high = ranges.get(key, (sensor["lowest"], sensor["highest"]))
            ranges[key] = min(low, sensor["lowest"]), max(high, sensor["highest"])
    if not ranges:
        return _unknown(last) or "none"
    return "; ".join(
        f"{name} {f'{low:g}' if low == high else f'{low:g} to {high:g}'} {unit}"
        for (name, unit), (low, high) in ranges.items()
    )


def _unknown(shown: Any) -> str:
    return f"not known: {shown['unavailable']}" if "unavailable" in shown else ""


def _counts(shown: Mapping[str, Any]) -> str:
    return _unknown(shown) or ", ".join(f"{kind} {_count(count)}" for kind, count in shown.items()) or "none shown"


def _count(shown: Mapping[str, Any]) -> str:
    return _unknown(shown) or f"{'at least ' if shown['bound'] == 'at least' else ''}{shown['n']}"
