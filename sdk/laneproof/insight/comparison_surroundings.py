"""Whether runs are of one plan, and in what their surroundings differ: computer, versions, cards, what was declared."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, cast

from laneproof.campaign.declared import facts
from laneproof.campaign.results import EndpointResult, RunResult
from laneproof.insight.comparison_claims import Difference
from laneproof.insight.comparison_facts import SlotPair
from laneproof.units import format_bytes_per_s

_SAID_OF_A_RUN = frozenset(
    {"name", "operator", "sample", "equipment", "ambient", "declared", "notes", "repeat", "seed", "schema"}
)
"""Keys of a plan that do not decide what is measured: they are surroundings, or say how often."""
_OF_THE_PATH = frozenset({"uri", "observe", "name"})
"""Keys of an endpoint that say where a slot is found."""
_LETTERS = 60
"""Of a value that is shown."""
_ABSENT = "(absent)"
_WARMER = 5.0
"""Degrees, or other units of a sensor, by which its extremes may differ and be worth no word."""


def differing_keys(runs: Sequence[RunResult]) -> tuple[str, ...]:
    """Keys of the plans that decide what is measured and are not the same in all runs, each with its values."""
    slots = [[one.name for one in run.endpoints] for run in runs]
    alone = all(len(names) == 1 for names in slots)
    common = [name for name in slots[0] if all(name in names for names in slots)]
    flat = [_flat(_measuring(run, common, alone=alone)) for run in runs]
    if not alone:
        flat = [one | {"slots": ", ".join(names)} for one, names in zip(flat, slots, strict=True)]
    keys = dict.fromkeys(key for one in flat for key in one)
    return tuple(
        f"{key}: {' / '.join(dict.fromkeys(one.get(key, _ABSENT) for one in flat))}"
        for key in keys
        if len({one.get(key, _ABSENT) for one in flat}) > 1
    )


def _measuring(run: RunResult, common: Sequence[str], *, alone: bool) -> dict[str, Any]:
    """The plan without what is said of the run; endpoints by name, those that all runs have."""
    plan = {key: value for key, value in run.plan.items() if key not in _SAID_OF_A_RUN}
    planned: Sequence[Mapping[str, Any]] = plan.pop("endpoint", None) or ()
    ends: dict[str, Any] = {}
    for slot, one in zip(run.endpoints, planned, strict=False):
        if alone or slot.name in common:
            ends["" if alone else slot.name] = {key: value for key, value in one.items() if key not in _OF_THE_PATH}
    return plan | {"endpoint": ends}


def _flat(value: Any, path: str = "") -> dict[str, str]:
    """Every value of a nested document by its path: "step[2].repeats"."""
    if isinstance(value, dict):
        table = cast("dict[str, Any]", value)
        rows = [(f"{path}.{key}" if path else str(key), one) for key, one in table.items()]
    elif isinstance(value, list):
        rows = [(f"{path}[{index}]", one) for index, one in enumerate(cast("list[Any]", value))]
    else:
        return {path: json.dumps(value, ensure_ascii=False)[:_LETTERS]}
    return {key: text for where, one in rows for key, text in _flat(one, where).items()}


def surroundings(
    earlier: Sequence[RunResult], later: Sequence[RunResult], slots: Iterable[SlotPair]
) -> Iterator[Difference]:
    """What is not as it was around the runs: a cause to think of first where something changed."""
    yield from _differences("", *([_host(run) for run in side] for side in (earlier, later)))
    for slot in slots:
        before, now = ([_card(one) for one in side if one is not None] for side in (slot.earlier, slot.later))
        if before and now:
            yield from _differences(slot.name, before, now)
            yield from _sensors(slot)
    for side, runs in (("earlier", earlier), ("later", later)):
        for run in runs:
            if run.seal is not None and run.seal.broken_at is not None:
                text = f"the {side} run of {run.started_utc} proves nothing: its seal is {run.seal}"
                yield Difference(kind="not told", slot="", step="", text=text)
            if run.interrupted:
                yield _difference("", f"the {side} run of {run.started_utc} did not come to its end")


def _difference(slot: str, text: str) -> Difference:
    return Difference(kind="surroundings", slot=slot, step="", text=text)


def _differences(
    slot: str, before: Sequence[Mapping[str, str]], now: Sequence[Mapping[str, str]]
) -> Iterator[Difference]:
    for key in dict.fromkeys(key for one in (*before, *now) for key in one):
        had, has = (list(dict.fromkeys(one.get(key, _ABSENT) for one in side)) for side in (before, now))
        if set(had) != set(has):
            yield _difference(slot, f"{key}: {', '.join(had)} before, {', '.join(has)} now")


def _host(run: RunResult) -> dict[str, str]:
    found = run.environment
    rows = {key: str(found[key]) for key in ("host", "machine", "system", "kernel", "python") if key in found}
    packages: Mapping[str, Any] = found.get("packages") or {}
    rows |= {str(name): str(version) for name, version in packages.items()}
    return rows | {f"declared {what}": text for what, text in facts(run.plan)}


def _card(one: EndpointResult) -> dict[str, str]:
    identity: Mapping[str, Any] = one.opened.get("identity") or {}
    rows = {"endpoint": one.uri, "card": "physical" if one.physical else "simulated"}
    rows |= {key: str(identity[key]) for key in ("model", "serial") if identity.get(key)}
    rows |= {f"{part['name']} of the card": str(part["version"]) for part in identity.get("components") or ()}
    link: Mapping[str, Any] = one.opened.get("link") or {}
    for end in ("near", "far"):
        partner: Mapping[str, Any] = link.get(end) or {}
        rows |= {
            f"{key.replace('_', ' ')} at the {end} end": str(partner[key])
            for key in ("max_payload", "read_request", "max_speed_gtps", "max_width")
            if partner.get(key)
        }
        rows |= _states(one, end)
    for channel in (one.opened.get("channels") or ())[:1]:
        rows |= {
            key.replace("_", " "): str(channel[key]) for key in ("max_transfer", "queue_depth") if channel.get(key)
        }
        if channel.get("nominal_bytes_per_s"):
            rows["nominal rate"] = format_bytes_per_s(float(channel["nominal_bytes_per_s"]))
    return rows


def _states(one: EndpointResult, end: str) -> dict[str, str]:
    """Conditions of one partner as they were last read."""
    read = [step.conditions["after"] for step in one.steps if "near" in step.conditions.get("after", {})]
    partner: Mapping[str, Any] = read[-1][end] if read else {}
    shown = {
        "link power states": partner.get("aspm"),
        "clocking": partner.get("clocking"),
        "retimers": partner.get("retimers"),
        "Device Status": partner.get("device_status"),
        "equalisation": partner.get("equalisation") or None,
        "transmitter presets": partner.get("presets") or None,
    }
    return {
        f"{what} at the {end} end": json.dumps(value, ensure_ascii=False)[:_LETTERS]
        for what, value in shown.items()
        if value is not None
    }


def _sensors(slot: SlotPair) -> Iterator[Difference]:
    before, now = (_extremes(side) for side in (slot.earlier, slot.later))
    for key in before.keys() & now.keys():
        (low, high), (least, most) = before[key], now[key]
        if max(abs(least - low), abs(most - high)) > _WARMER:
            name, unit = key
            text = f"{name}: {low:g} to {high:g} {unit} before, {least:g} to {most:g} {unit} now"
            yield _difference(slot.name, text)


def _extremes(side: Iterable[EndpointResult | None]) -> dict[tuple[str, str], tuple[float, float]]:
    found: dict[tuple[str, str], tuple[float, float]] = {}
    for step in (step for one in side if one is not None for step in one.steps):
        for sensor in step.conditions.get("sensors") or ():
            key = str(sensor["name"]), str(sensor["unit"])
            low, high = found.get(key, (sensor["lowest"], sensor["highest"]))
            found[key] = min(low, sensor["lowest"]), max(high, sensor["highest"])
    return found
