"""What a person reads at the end of a run, in 80 columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

from laneproof.campaign.results import EndpointResult, RunResult
from laneproof.campaign.verdict import Verdict
from laneproof.cli.words import one_line

if TYPE_CHECKING:
    from rich.console import Console

_STYLES = {
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
        kind = "a simulated card" if not endpoint.physical else "a physical card"
        human.print(
            Text.assemble(
                f"\n{one_line(endpoint.name)}  {one_line(endpoint.uri)}, {kind}: ",
                (str(endpoint.verdict), _STYLES[endpoint.verdict]),
            )
        )
        _print_steps(human, endpoint)
    for caveat in dict.fromkeys(text for endpoint in result.endpoints for text in endpoint.opened.get("caveats", [])):
        human.print(f"\n{one_line(caveat)}")
    bits = sum(8 * step.bytes_moved for endpoint in result.endpoints for step in endpoint.steps)
    human.print(
        Text.assemble(
            "\nverdict: ",
            (str(result.verdict), _STYLES[result.verdict]),
            f"  ({len(result.endpoints)} endpoints, {bits} bits came back"
            + ("; interrupted)" if result.interrupted else ")"),
        )
    )


def _print_steps(human: Console, endpoint: EndpointResult) -> None:
    from rich.table import Table
    from rich.text import Text

    table = Table.grid(padding=(0, 1))
    table.add_column(width=12, no_wrap=True)
    table.add_column(width=6, no_wrap=True)
    table.add_column(overflow="fold")
    for reason in endpoint.reasons:
        table.add_row("  slot", Text(str(reason.verdict), _STYLES[reason.verdict]), one_line(reason.text))
    for step in endpoint.steps:
        for number, reason in enumerate(step.reasons):
            table.add_row(
                f"  {step.kind}" if number == 0 else "",
                Text(str(reason.verdict), _STYLES[reason.verdict]),
                one_line(reason.text),
            )
    human.print(table)
