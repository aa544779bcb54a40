"""What a person reads at the end of a run, in 80 columns."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from laneproof.campaign.results import EndpointResult, Reason, RunResult
from laneproof.campaign.verdict import Verdict
from laneproof.cli.words import one_line

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

_INDENT = 20
_NARROWEST = 20
"""Columns of text on a terminal narrower than that and the indent, which then folds the lines."""
STYLES = {
    Verdict.PASS: "green",
    Verdict.FAIL: "bold red",
    Verdict.ERROR: "bold magenta",
    Verdict.INCONC: "yellow",
    Verdict.NONE: "yellow",
}


def print_summary(human: Console, result: RunResult) -> None:
    """Verdict, reasons and exposure of each endpoint, then of the run."""
    from rich.text import Text

    for endpoint in result.endpoints:
        kind = "a physical card" if endpoint.physical else "a simulated card"
        if endpoint.opened and not (endpoint.physical or endpoint.virtual_time):
            kind += " in real time"
        name = f"{one_line(endpoint.name)}  " if endpoint.name != endpoint.uri else ""
        human.print(
            Text.assemble(
                f"\n{name}{one_line(endpoint.uri)}, {kind}: ",
                (str(endpoint.verdict), STYLES[endpoint.verdict]),
            )
        )
        _print_steps(human, endpoint)
    caveats = result.environment.get("caveats", [])
    if caveats:
        more = f" The report carries {len(caveats) - 1} more such sentences." if len(caveats) > 1 else ""
        human.print(f"\n{one_line(caveats[0])}{more}")
    human.print()
    human.print(verdict_line(result))
    for segment in result.segments[1:]:
        human.print(f"segment {segment.number}: {one_line(segment.beginning)}")
    if result.seal is not None:
        human.print(f"seal    {result.seal}")


def verdict_line(result: RunResult) -> Text:
    """The run in one line, for people and scripts: "verdict: pass  (3 endpoints, 2382364672 bits came back)"."""
    from rich.text import Text

    count = len(result.endpoints)
    bits = sum(8 * step.bytes_moved for endpoint in result.endpoints for step in endpoint.steps)
    return Text.assemble(
        "verdict: ",
        (str(result.verdict), STYLES[result.verdict]),
        f"  ({count} endpoint{'s' * (count != 1)}, {bits} bits came back"
        + ("; interrupted)" if result.interrupted else ")"),
    )


def _print_steps(human: Console, endpoint: EndpointResult) -> None:
    for step in endpoint.steps:
        for number, reason in enumerate(step.reasons):
            _print_reason(human, step.kind if number == 0 else "", reason)
    for reason in endpoint.reasons:
        _print_reason(human, "slot", reason)


def _print_reason(human: Console, kind: str, reason: Reason) -> None:
    from rich.text import Text

    first, *rest = textwrap.wrap(one_line(reason.text), max(_NARROWEST, human.width - _INDENT)) or [""]
    human.print(Text.assemble(f"  {kind:11}", (f"{reason.verdict!s:7}", STYLES[reason.verdict]), first))
    for line in rest:
        human.print(" " * _INDENT + line)
