"""The report of a run as one HTML file that opens offline and needs no script. Built from a ledger's content alone.

Other formats are in the modules beside it, what all of them say in `report_rows`.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from laneproof import safety
from laneproof.campaign.declared import facts, overdue
from laneproof.campaign.events import ROUTINE
from laneproof.campaign.ledger import read_ledger
from laneproof.campaign.results import EndpointResult, RunResult, StepResult
from laneproof.campaign.statistics import format_bound
from laneproof.campaign.steps.margins import margin_table
from laneproof.campaign.timekeeping import clock_said
from laneproof.documents import printable
from laneproof.errors import StorageFault
from laneproof.insight import report_rows as rows
from laneproof.insight.conditions import blind_flags, condition_rows, conditions_unknown
from laneproof.insight.diagnosis import diagnose_run
from laneproof.insight.report_identity import Identity, identify
from laneproof.insight.report_series import SlotSeries, series_of
from laneproof.units import format_bytes, format_bytes_per_s, format_seconds

if TYPE_CHECKING:  # costs a while; only reports need it
    import jinja2

_TEMPLATE = "report.html.j2"
_PAGES = """
@page {{ margin: 16mm 14mm 18mm; @bottom-left {{ content: "laneproof report {number}, issue {issue}";
  font: 8pt sans-serif; }}
  @bottom-center {{ content: "relates only to the items tested"; font: 8pt sans-serif; }}
  @bottom-right {{ content: "page " counter(page) " of " counter(pages); font: 8pt sans-serif; }} }}
"""
"""The size of the paper is left to whoever prints."""


def report_html(ledger: Path, result: RunResult | None = None) -> str:
    """The document that a ledger's content makes; the same whenever and wherever it is made, by one version.

    `result` is what was read from it already. Raises StorageFault for what is no ledger, or one that cannot be what a
    run left.
    """
    result = read_ledger(ledger) if result is None else result
    try:
        series = series_of(ledger, result)
    except (LookupError, TypeError, ValueError, AttributeError) as error:
        raise _changed(error) from error
    return render_html(result, series)


def render_html(result: RunResult, series: Sequence[SlotSeries] = ()) -> str:
    """The whole document; `series` has each slot's course for the plots over time, which are left out without it.

    Every string, whoever it came from, is escaped. Raises StorageFault for a result that cannot be what a run left: a
    ledger that somebody has changed.
    """
    import jinja2
    from markupsafe import Markup

    template = _templates().get_template(_TEMPLATE)
    try:
        identity = identify(result)
        style, diagnosed = _style(identity), diagnose_run(result).to_dict()
        return template.render(
            run=result,
            identity=identity,
            style=Markup(style),  # noqa: S704  (a file of this package, and hexadecimal digits)
            style_hash=_csp_hash(style),
            plan_json=json.dumps(result.plan, indent=2, ensure_ascii=False),
            self_checks=[
                segment.environment["self_check"] for segment in result.segments if "self_check" in segment.environment
            ],
            not_tested=rows.not_tested(result),
            not_claimed=rows.not_claimed(result),
            decision_rules=rows.DECISION_RULES,
            facts=list(facts(result.plan)),
            overdue=list(overdue(result.plan, result.started_utc)),
            caveats=result.environment.get("caveats", []),
            cautions=safety.CAUTIONS,
            routine=ROUTINE,
            deferral=safety.DEFERRAL,
            diagnoses=[one if one["answers"] or one["not_explained"] else None for one in diagnosed["endpoints"]],
            shared=diagnosed["shared"],
            series=series,
            clock_said=clock_said(result.clock),
            clock_rows=rows.clock_rows(result.clock),
            physical=any(endpoint.physical for endpoint in result.endpoints),
            trained=_trained,
            pairs=_pairs,
            **_asked_by_templates(result),
        )
    except (LookupError, TypeError, ValueError, AttributeError, jinja2.UndefinedError) as error:
        raise _changed(error) from error


@cache
def _templates() -> jinja2.Environment:
    """The templates of this package, each compiled once in a process: that costs more than all the rest of a report."""
    import jinja2

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
        "counted": rows.counted,
        "clean": _clean,
        "capitalised": _capitalised,
        "moment": _moment,
        "margins": _margins,
    }
    return environment


def _asked_by_templates(result: RunResult) -> Mapping[str, Callable[..., Any]]:
    """Functions that templates call with what they go through."""
    from laneproof.insight import report_plots as plots  # costs a while too

    def timeline(series: SlotSeries, endpoint: EndpointResult) -> str:
        ceilings = [step.measures.get("ceiling_bytes_per_second") for step in endpoint.steps]
        return plots.timeline(series, endpoint.name, next((one for one in ceilings if one), None))

    def rate_bar(step: StepResult, endpoint: EndpointResult) -> str:
        measures = step.measures
        return plots.rate_bar(
            measures["slowest_bytes_per_second"],
            measures["bytes_per_second"],
            measures["fastest_bytes_per_second"],
            measures["ceiling_bytes_per_second"],
            rows.asked_rate(step, result.plan),
            endpoint.name,
        )

    def damage_map(damage: Mapping[str, Any], endpoint: EndpointResult) -> str:
        return plots.damage_map(damage, endpoint.name)

    def bit_histogram(counts: Sequence[int], unit: str, per_label: int, endpoint: EndpointResult) -> str:
        return plots.bit_histogram(counts, unit, per_label, endpoint.name)

    drawn: list[Callable[..., Any]] = [timeline, rate_bar, damage_map, bit_histogram]
    drawn += [condition_rows, blind_flags, conditions_unknown]
    drawn += [rows.main_reason, rows.claim, rows.errors_said, rows.rates_said, rows.spread_said, rows.link_rows]
    drawn += [rows.way_said, rows.error_rows, rows.sweep_rows, rows.wrong_points, rows.origin_said, rows.shown_of]
    drawn += [rows.near_limit_said]
    return {function.__name__: function for function in drawn}


def _style(identity: Identity) -> str:
    text = files("laneproof.insight").joinpath("report.css").read_text("utf-8")
    return text + _PAGES.format(number=identity.number, issue=identity.issue)


def _csp_hash(style: str) -> str:
    """As the policy in the document names the one style that may apply (Content Security Policy Level 3)."""
    return f"sha256-{base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()}"


def _changed(error: Exception) -> StorageFault:
    return StorageFault(f"no report can be made of this ledger; was it changed? ({error})")


def _pairs(first: Iterable[Any], second: Iterable[Any]) -> list[tuple[Any, Any]]:
    return list(zip(first, second, strict=True))


def _trained(speed_gtps: float | None, width: int | None) -> str:
    return f"{f'{speed_gtps:g} GT/s' if speed_gtps else 'unknown speed'} {f'x{width}' if width else 'unknown width'}"


def _moment(utc: str) -> str:
    """A moment as the ledger has it, "2026-03-01T10:00:00+00:00", for a reader."""
    return _clean(utc).replace("T", " ").replace("+00:00", " UTC")


def _capitalised(text: str) -> str:
    return text[:1].upper() + text[1:]


def _margins(margins: Sequence[Mapping[str, Any]]) -> str:
    return "\n".join(margin_table(margins))


def _clean(text: object) -> str:
    """A string from outside without control characters, which HTML may not hold."""
    return printable(str(text), keep="\n", most=None)
