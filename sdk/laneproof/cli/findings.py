"""Findings of a preflight as a person reads them: checks of the host, and rules of the conformance kit."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, get_args

from laneproof.campaign.verdict import Verdict
from laneproof.cli.words import one_line
from laneproof.conformance import Finding
from laneproof.readings import Check, CheckOutcome

if TYPE_CHECKING:
    from rich.console import Console

_INDENT = 11
_LEAST = 40
"""Narrower terminals fold lines themselves."""
_LONGEST = 400
"""Letters of one sentence: what a file of the host's holds may be long."""


def print_checks(human: Console, checks: Sequence[Check]) -> None:
    """What was found in one line, the remedy in the next; first the host as a whole, then card by card."""
    human.print("this host; nothing on it was changed")
    uri = ""
    for check in checks:
        if check.uri and check.uri != uri:
            uri = check.uri
            print_wrapped(human, "", f"for {uri}")
        first = f"  {check.outcome:9}  "
        print_wrapped(human, first, f"{check.name}: {check.found[:_LONGEST]}")
        if check.outcome != "ok" and check.remedy:
            print_wrapped(human, " " * len(first), f"fix: {check.remedy[:_LONGEST]}")
    counts = Counter(check.outcome for check in checks)
    shown = ", ".join(f"{counts[outcome]} {outcome}" for outcome in get_args(CheckOutcome) if counts[outcome])
    human.print(f"host: {_conclusion(counts)}  ({shown})\n")


def _conclusion(counts: Counter[str]) -> str:
    if counts["missing"]:
        return "not ready"
    return "ready for what can be told here" if counts["not known"] else "ready"


def print_finding(human: Console, finding: Finding) -> None:
    if finding.outcome == "not demonstrated":
        return  # by their reasons, at the end
    print_wrapped(
        human, f"  {finding.outcome:9}", f"{finding.rule}: {finding.seen}" if finding.remedy else finding.rule
    )
    if finding.remedy:
        print_wrapped(human, " " * _INDENT, f"rule: {finding.states}")
        print_wrapped(human, " " * _INDENT, f"fix: {finding.remedy}")


def print_summary(human: Console, findings: Iterable[Finding], reached: Verdict) -> None:
    reasons: dict[str, list[Finding]] = {}
    counts = {"kept": 0, "broken": 0, "not demonstrated": 0}
    for finding in findings:
        counts[finding.outcome] += 1
        if finding.outcome == "not demonstrated":
            reasons.setdefault(finding.seen, []).append(finding)
    if reasons:
        human.print("  not demonstrated")
    for reason, found in reasons.items():
        missing = "; without it there is no pass" if any(finding.missing for finding in found) else ""
        print_wrapped(human, " " * _INDENT, f"{reason}: {', '.join(finding.rule for finding in found)}{missing}")
    if reached is Verdict.FAIL:
        print_wrapped(human, "", "the first broken rule often explains the others: fix it, and run this again")
    human.print(f"verdict: {reached}  ({', '.join(f'{count} {outcome}' for outcome, count in counts.items())})")


def print_wrapped(human: Console, first: str, text: str) -> None:
    width = max(human.width, _LEAST)
    for line in textwrap.wrap(
        one_line(text), width, initial_indent=first, subsequent_indent=" " * len(first), break_on_hyphens=False
    ):
        human.print(line, soft_wrap=True)
