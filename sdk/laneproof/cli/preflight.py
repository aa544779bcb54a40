"""`laneproof preflight`: try the rules of the conformance kit on a URI, or on a rig, and say what to fix."""

from __future__ import annotations

import argparse
import json
import os
import sys
import textwrap
import threading
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from laneproof import registry
from laneproof.campaign.verdict import EXIT_STATUS, Verdict
from laneproof.cli.cautions import ACKNOWLEDGE, print_cautions
from laneproof.cli.files import write_whole
from laneproof.cli.rigs import named_rig
from laneproof.cli.words import console, one_line
from laneproof.conformance import TIERS, Finding, Rig, require_card, rules_of, run, verdict
from laneproof.errors import BadInput
from laneproof.units import parse_seconds

if TYPE_CHECKING:
    from rich.console import Console

_INDENT = 11
_LEAST = 40
"""Narrower terminals fold lines themselves."""


def add_to(verbs: Any) -> None:
    parser: argparse.ArgumentParser = verbs.add_parser(
        "preflight", help="prove that a card's driver keeps its contract"
    )
    parser.add_argument("--endpoint", metavar="URI", help="the card to try the rules on")
    parser.add_argument(
        "--rig", metavar="MODULE:CLASS", help="your laneproof.conformance.Rig; its card, where no --endpoint is given"
    )
    parser.add_argument(
        "--tier", choices=TIERS, default="card", help="offline moves no data, card takes seconds; soak uses --budget"
    )
    parser.add_argument(
        "--budget", metavar="TIME", help='of the tier soak, such as "10 min"; otherwise the rig\'s, 60 s'
    )
    parser.add_argument("--json", type=Path, metavar="FILE|-", help="also write the findings as JSON")
    parser.add_argument(ACKNOWLEDGE, action="store_true", help="you have read `laneproof guide cautions`")
    parser.set_defaults(call=call)


def call(chosen: argparse.Namespace) -> int:
    if chosen.rig is None and chosen.endpoint is None:
        raise BadInput("name the card to try with --endpoint URI, or a rig with --rig MODULE:CLASS")
    rig = Rig(chosen.endpoint) if chosen.rig is None else named_rig(chosen.rig, chosen.endpoint or "")
    if chosen.budget is not None:
        rig.budget_s = parse_seconds(chosen.budget)
    driver = registry.driver_for(registry.parse_uri(rig.uri).scheme)
    human = console(errors=chosen.json is not None and str(chosen.json) == "-")
    if driver.physical and not (driver.may_be_simulated or chosen.acknowledge_cautions):
        print_cautions(human, "leaves this out")
    threads = set(threading.enumerate())
    card = require_card(rig)
    simulated = not driver.physical or (card is not None and card.simulated)
    if driver.may_be_simulated and not (simulated or chosen.acknowledge_cautions):
        print_cautions(human, "leaves this out")
    caveats = (*driver.caveats, *(card.caveats if card is not None else ()))
    human.print(f"{one_line(rig.uri)}, {'a simulated' if simulated else 'a physical'} card, tier {chosen.tier}")
    for caveat in caveats[:1]:
        _print(human, "", caveat)
    findings = run(rig, rules_of(chosen.tier), progress=lambda finding: _print_finding(human, finding))
    reached = verdict(findings)
    _print_summary(human, findings, reached)
    if chosen.json is not None:
        document = {
            "schema": 1,
            "endpoint": rig.uri,
            "rig": chosen.rig,
            "tier": chosen.tier,
            "simulated": simulated,
            "caveats": caveats,
            "verdict": str(reached),
            "findings": [finding.to_dict() for finding in findings],
        }
        write_whole(chosen.json, json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n", "JSON")
    if any(not thread.daemon for thread in set(threading.enumerate()) - threads):
        sys.stdout.flush()  # a thread that the driver left running would keep the process from ending
        sys.stderr.flush()
        os._exit(EXIT_STATUS[reached])
    return EXIT_STATUS[reached]


def _print_finding(human: Console, finding: Finding) -> None:
    if finding.outcome == "not demonstrated":
        return  # by their reasons, at the end
    _print(human, f"  {finding.outcome:9}", f"{finding.rule}: {finding.seen}" if finding.remedy else finding.rule)
    if finding.remedy:
        _print(human, " " * _INDENT, f"rule: {finding.states}")
        _print(human, " " * _INDENT, f"fix: {finding.remedy}")


def _print_summary(human: Console, findings: Iterable[Finding], reached: Verdict) -> None:
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
        _print(human, " " * _INDENT, f"{reason}: {', '.join(finding.rule for finding in found)}{missing}")
    if reached is Verdict.FAIL:
        _print(human, "", "the first broken rule often explains the others: fix it, and run this again")
    human.print(f"verdict: {reached}  ({', '.join(f'{count} {outcome}' for outcome, count in counts.items())})")


def _print(human: Console, first: str, text: str) -> None:
    width = max(human.width, _LEAST)
    indent = " " * _INDENT if first else ""
    for line in textwrap.wrap(
        one_line(text), width, initial_indent=first, subsequent_indent=indent, break_on_hyphens=False
    ):
        human.print(line, soft_wrap=True)
