"""What a person reads at the end of a run, in 80 columns."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from laneproof.campaign.declared import overdue
from laneproof.campaign.results import EndpointResult, Reason, RunResult
from laneproof.campaign.steps.margins import margin_table
from laneproof.campaign.timekeeping import clock_said
from laneproof.campaign.verdict import Verdict
from laneproof.campaign.windows import Account
from laneproof.cli.words import one_line
from laneproof.insight.diagnosis import Diagnosis, diagnose_run

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

_INDENT = 20
_NAME = 10
"""Columns that a step's kind or a slot's name has before what is said of it."""
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

    for endpoint, diagnosis in zip(result.endpoints, diagnose_run(result).endpoints, strict=True):
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
        _print_steps(human, endpoint, several=result.plan.get("repeat", 1) > 1)
        _print_diagnosis(human, diagnosis)
    _print_alone_and_together(human, result)
    _print_windows(human, result)
    caveats = result.environment.get("caveats", [])
    if caveats:
        more = f" The report carries {len(caveats) - 1} more such sentences." if len(caveats) > 1 else ""
        human.print(f"\n{one_line(caveats[0])}{more}")
    human.print()
    human.print(verdict_line(result))
    for segment in result.segments[1:]:
        human.print(f"segment {segment.number}: {one_line(segment.beginning)}")
    for text in overdue(result.plan, result.started_utc):
        _print_hanging(human, "overdue", one_line(text))
    if result.seal is not None:
        _print_hanging(human, "time", one_line(clock_said(result.clock)))
        human.print(f"seal    {result.seal}")


def verdict_line(result: RunResult) -> Text:
    """The run in one line, for people and scripts: "verdict: pass  (3 endpoints, 2382364672 bits came back)".

    Where a card's own checker compared some of them, which never came back, they "moved".
    """
    from rich.text import Text

    count = len(result.endpoints)
    steps = [step for endpoint in result.endpoints for step in endpoint.steps]
    bits = sum(8 * step.bytes_moved for step in steps)
    went = "moved" if any(step.measures.get("method") == "card" for step in steps) else "came back"
    return Text.assemble(
        "verdict: ",
        (str(result.verdict), STYLES[result.verdict]),
        f"  ({count} endpoint{'s' * (count != 1)}, {bits} bits {went}"
        + ("; interrupted)" if result.interrupted else ")"),
    )


def _print_steps(human: Console, endpoint: EndpointResult, *, several: bool) -> None:
    shown = 0
    for step in endpoint.steps:
        if several and step.repetition != shown:
            shown = step.repetition
            human.print(f"  repetition {shown}")
        for number, reason in enumerate(step.reasons):
            _print_reason(human, one_line(step.kind) if number == 0 else "", reason)
        for line in margin_table(step.measures.get("margins", ())) if step.kind == "margin" else ():
            human.print(f"    {one_line(line)}", markup=False, highlight=False, soft_wrap=True)
    for reason in endpoint.reasons:
        _print_reason(human, "slot", reason)


def _print_diagnosis(human: Console, diagnosis: Diagnosis) -> None:
    for number, line in enumerate(diagnosis.lines(max(_NARROWEST, human.width - _NAME - 3))):
        human.print(f"  {'' if number else 'diagnosis':{_NAME}} {one_line(line)}", markup=False, highlight=False)


def _print_alone_and_together(human: Console, result: RunResult) -> None:
    found = result.alone_and_together
    if found:
        each_way = ", each way" if all(one.direction == "both" for one in found) else ""
        human.print(f"\nrates alone and together{each_way}")
    for one in found:
        lines = textwrap.wrap(one_line(str(one)), max(_NARROWEST, human.width - _NAME - 3))
        name = one_line(one.name)
        if len(name) > _NAME:
            _print_wrapped(human, name, "  ")
            name = ""
        for number, line in enumerate(lines):
            human.print(f"  {name if number == 0 else '':{_NAME}} {line}", markup=False)


def _print_windows(human: Console, result: RunResult) -> None:
    """What each window comes to, judged by itself, and what is left without those that are excluded."""
    for window in result.windows:
        _print_wrapped(human, f"window {one_line(window.said)}")
        for account in window.slots:
            _print_account(human, one_line(account.name), account)
    if result.excluded is None:
        return
    for said in result.excluded.said:
        _print_wrapped(human, f"excluded {one_line(said)}")
    for included, left in zip(result.excluded.included, result.excluded.left, strict=True):
        _print_wrapped(human, f"{one_line(included.name)}, all time series; the run's verdict is with what is excluded")
        _print_account(human, "with", included)
        _print_account(human, "without", left)


def _print_account(human: Console, name: str, account: Account) -> None:
    if len(name) > _NAME:
        _print_wrapped(human, name, "  ")
        name = ""
    for number, reason in enumerate(account.reasons):
        _print_reason(human, name if number == 0 else "", reason)
    _print_wrapped(human, one_line("; ".join(account.remarks)), " " * _INDENT)


def _print_hanging(human: Console, name: str, text: str) -> None:
    first, *rest = textwrap.wrap(text, max(_NARROWEST, human.width - 8)) or [""]
    for line in (f"{name:8}{first}", *(f"{'':8}{more}" for more in rest)):
        human.print(line, markup=False, highlight=False)


def _print_wrapped(human: Console, text: str, indent: str = "") -> None:
    for line in textwrap.wrap(text, max(_NARROWEST, human.width - len(indent))):
        human.print(indent + line, markup=False)


def _print_reason(human: Console, kind: str, reason: Reason) -> None:
    from rich.text import Text

    first, *rest = textwrap.wrap(one_line(reason.text), max(_NARROWEST, human.width - _INDENT)) or [""]
    if len(kind) > _NAME:  # a step of one's own may be called anything
        human.print(f"  {kind}")
        kind = ""
    human.print(Text.assemble(f"  {kind:11}", (f"{reason.verdict!s:7}", STYLES[reason.verdict]), first))
    for line in rest:
        human.print(" " * _INDENT + line)
