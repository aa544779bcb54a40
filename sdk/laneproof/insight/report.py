"""The report of a run: one HTML file that opens offline and needs no script. Built from a ledger's content alone."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from typing import Any, cast

from laneproof import safety
from laneproof.campaign.declared import facts, overdue
from laneproof.campaign.events import ROUTINE
from laneproof.campaign.order import planned_kinds
from laneproof.campaign.results import EndpointResult, RunResult, StepResult
from laneproof.campaign.statistics import format_bound
from laneproof.campaign.steps import STEPS
from laneproof.documents import printable
from laneproof.errors import StorageFault
from laneproof.insight.conditions import blind_flags, condition_rows, conditions_unknown
from laneproof.pcie import CATALOGUE
from laneproof.units import format_bytes, format_bytes_per_s, format_seconds

_TEMPLATE = "report.html.j2"


def render_html(result: RunResult) -> str:
    """The whole document. Every string, whoever it came from, is escaped.

    Raises StorageFault for a result that cannot be what a run left: a ledger that somebody has changed.
    """
    import jinja2  # costs a while; only reports need it

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("laneproof.insight", "."),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    # jinja2 leaves the type of its filters open
    filters = cast("dict[str, Callable[..., str]]", environment.filters)  # pyright: ignore[reportUnknownMemberType]
    filters |= {
        "size": format_bytes,
        "rate": format_bytes_per_s,
        "bound": format_bound,
        "time": format_seconds,
        "counted": _counted,
        "clean": _clean,
        "moment": _moment,
    }
    template = environment.get_template(_TEMPLATE)
    try:
        return template.render(
            run=result,
            plan_json=json.dumps(result.plan, indent=2, ensure_ascii=False),
            not_tested=_not_tested(result),
            facts=list(facts(result.plan)),
            overdue=list(overdue(result.plan, result.started_utc)),
            caveats=result.environment.get("caveats", []),
            cautions=safety.CAUTIONS,
            routine=ROUTINE,
            deferral=safety.DEFERRAL,
            error_rows=_error_rows,
            link_rows=_link_rows,
            condition_rows=condition_rows,
            blind_flags=blind_flags,
            conditions_unknown=conditions_unknown,
            trained=_trained,
            pairs=_pairs,
            physical=any(endpoint.physical for endpoint in result.endpoints),
        )
    except (LookupError, TypeError, ValueError, AttributeError, jinja2.UndefinedError) as error:
        raise StorageFault(f"no report can be made of this ledger; was it changed? ({error})") from error


def _link_rows(endpoint: EndpointResult) -> list[dict[str, Any]]:
    """The link at both ends, at open and as each `link` step last saw it."""
    readings = [("at open", endpoint.opened.get("link"))]
    readings += [("under load", step.measures["link"]) for step in endpoint.steps if "link" in step.measures]
    return [
        {"when": when, "end": end, **reading[end]}
        for when, reading in readings
        if reading is not None
        for end in ("near", "far")
    ]


def _error_rows(step: StepResult) -> list[dict[str, Any]]:
    """Every error that either end counted during a step, with what it means."""
    rows: dict[tuple[str, str], dict[str, Any]] = {}
    for end in ("near", "far"):
        errors: Mapping[str, Any] = step.errors.get(end, {})
        for severity in ("correctable", "nonfatal", "fatal"):
            for name, count in errors.get(severity, {}).items():
                if count.get("n"):
                    row = rows.setdefault((severity, name), {"name": name, "severity": severity})
                    row[end] = count
    for row in rows.values():
        known = CATALOGUE.get(row["name"])
        row["layer"] = known.layer if known else "not in the catalogue"
        row["meaning"] = f"{known.meaning} {known.suspects}" if known else ""
    return list(rows.values())


def _counted(count: Mapping[str, Any] | None) -> str:
    if not count:
        return "none counted"
    if "unavailable" in count:
        return f"not known: {count['unavailable']}"
    return f"at least {count['n']}" if count["bound"] == "at least" else str(count["n"])


def _not_tested(result: RunResult) -> list[str]:
    planned = {step["kind"] for step in result.plan.get("step", [])}
    missing = [f"no {kind} step was planned" for kind in STEPS if kind not in planned]
    for endpoint in result.endpoints:
        reached = len(endpoint.steps)
        missing += [
            f"{endpoint.name}: {kind} was planned and not begun" + (f", {times} times" if times > 1 else "")
            for kind, times in Counter(planned_kinds(result.plan)[reached:]).items()
        ]
        channels = endpoint.opened.get("channels", [])
        missing += [f"{endpoint.name}: channel {channel['name']}" for channel in channels[1:]]
    return missing


def _pairs(first: Iterable[Any], second: Iterable[Any]) -> list[tuple[Any, Any]]:
    return list(zip(first, second, strict=True))


def _trained(speed_gtps: float | None, width: int | None) -> str:
    return f"{f'{speed_gtps:g} GT/s' if speed_gtps else 'unknown speed'} {f'x{width}' if width else 'unknown width'}"


def _moment(utc: str) -> str:
    """A moment as the ledger has it, "2026-03-01T10:00:00+00:00", for a reader."""
    return _clean(utc).replace("T", " ").replace("+00:00", " UTC")


def _clean(text: object) -> str:
    """A string from outside without control characters, which HTML may not hold."""
    return printable(str(text), keep="\n", most=None)
