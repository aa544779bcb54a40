"""`laneproof preflight`: is the host ready, and does each card's driver keep its contract; what to fix where not."""

from __future__ import annotations

import argparse
import json
import os
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

from laneproof import registry
from laneproof.campaign import plan as plans
from laneproof.campaign import power, runner
from laneproof.campaign.plan import Plan
from laneproof.campaign.verdict import EXIT_STATUS, Verdict
from laneproof.cli.cautions import ACKNOWLEDGE, print_cautions
from laneproof.cli.files import write_whole
from laneproof.cli.findings import print_checks, print_finding, print_summary, print_wrapped
from laneproof.cli.rigs import named_rig
from laneproof.cli.words import console, one_line
from laneproof.conformance import TIERS, Rig, require_card, rules_of, run, verdict
from laneproof.errors import BadInput, LaneproofError
from laneproof.insight import readiness
from laneproof.readings import Check
from laneproof.units import parse_seconds

if TYPE_CHECKING:
    from rich.console import Console


def add_to(verbs: Any) -> None:
    parser: argparse.ArgumentParser = verbs.add_parser(
        "preflight", help="see whether this host, and a card's driver, are ready for a run"
    )
    parser.add_argument("plan", nargs="?", metavar="PLAN", type=Path, help="look at what this plan's cards need")
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
    parser.add_argument("--ledger", type=Path, metavar="FILE", help="where the run's ledger will lie; otherwise here")
    parser.add_argument("--json", type=Path, metavar="FILE|-", help="also write the findings as JSON")
    parser.add_argument(ACKNOWLEDGE, action="store_true", help="you have read `laneproof guide cautions`")
    parser.add_argument("--allow-commands", action="store_true", help="let the plan run the Python files that it names")
    parser.set_defaults(call=call)


def call(chosen: argparse.Namespace) -> int:
    plan, rigs = _asked(chosen)
    human = console(errors=chosen.json is not None and str(chosen.json) == "-")
    drivers = [registry.driver_for(registry.parse_uri(rig.uri).scheme) for rig in rigs]
    cautions = _Cautions(human, known=chosen.acknowledge_cautions)
    if any(driver.physical and not driver.may_be_simulated for driver in drivers):
        cautions.print()
    host: tuple[Check, ...] = ()
    if chosen.plan is not None or not rigs or runner.physical_endpoints(plan):
        host = readiness.checks(plan, chosen.ledger or runner.default_ledger(Path()))
        print_checks(human, host)
    for line in power.table(plan):
        human.print(f"power     {one_line(line)}", soft_wrap=True)
    if not rigs:
        human.print("Before hands go near the computer, read `laneproof guide cautions`.")
    threads = set(threading.enumerate())
    tried = [_try(human, rig, chosen, host, cautions) for rig in rigs]
    reached = max((readiness.verdict(host), *(Verdict[one["verdict"].upper()] for one in tried)))
    if chosen.json is not None:
        document: dict[str, Any] = {"schema": 1, "host": readiness.plain_checks(host)}
        if chosen.plan is not None:
            document |= {"plan": plan.name, "tier": chosen.tier, "verdict": str(reached), "endpoints": tried}
        elif tried:
            document |= tried[0]
        write_whole(chosen.json, json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n", "JSON")
    if any(not thread.daemon for thread in set(threading.enumerate()) - threads):
        sys.stdout.flush()  # a thread that the driver left running would keep the process from ending
        sys.stderr.flush()
        os._exit(EXIT_STATUS[reached])
    return EXIT_STATUS[reached]


def _asked(chosen: argparse.Namespace) -> tuple[Plan, list[Rig]]:
    """The plan that the host has to be ready for, and the cards to try."""
    if chosen.plan is not None:
        if chosen.endpoint is not None or chosen.rig is not None:
            raise BadInput("PLAN says which cards to look at; leave out --endpoint and --rig")
        plan = plans.load(chosen.plan, allow_commands=chosen.allow_commands)
        rigs = [Rig(uri) for uri in dict.fromkeys(planned.uri for planned in plan.endpoint)]
    else:
        rigs: list[Rig] = []
        if chosen.rig is not None:
            rigs.append(named_rig(chosen.rig, chosen.endpoint or ""))
        elif chosen.endpoint is not None:
            rigs.append(Rig(chosen.endpoint))
        plan = plans.builtin().over(rig.uri for rig in rigs)
    if chosen.budget is not None:
        for rig in rigs:
            rig.budget_s = parse_seconds(chosen.budget)
    return plan, rigs


def _try(
    human: Console, rig: Rig, chosen: argparse.Namespace, host: tuple[Check, ...], cautions: _Cautions
) -> dict[str, Any]:
    """The rules on one card, as plain data. Raises CannotOpen where it cannot be had and nothing else was said."""
    driver = registry.driver_for(registry.parse_uri(rig.uri).scheme)
    try:
        card = require_card(rig)
    except BadInput:
        raise
    except LaneproofError as error:
        if chosen.plan is None and not host:
            raise
        print(f"laneproof: {one_line(str(error))}", file=sys.stderr)
        return {
            "endpoint": rig.uri,
            "rig": chosen.rig,
            "tier": chosen.tier,
            "simulated": not driver.physical,
            "caveats": driver.caveats,
            "verdict": str(Verdict.ERROR),
            "findings": [],
        }
    simulated = not driver.physical or (card is not None and card.simulated)
    if not simulated:
        cautions.print()
    caveats = (*driver.caveats, *(card.caveats if card is not None else ()))
    human.print(f"{one_line(rig.uri)}, {'a simulated' if simulated else 'a physical'} card, tier {chosen.tier}")
    for caveat in caveats[:1]:
        print_wrapped(human, "", caveat)
    findings = run(rig, rules_of(chosen.tier), progress=lambda finding: print_finding(human, finding))
    reached = verdict(findings)
    print_summary(human, findings, reached)
    return {
        "endpoint": rig.uri,
        "rig": chosen.rig,
        "tier": chosen.tier,
        "simulated": simulated,
        "caveats": caveats,
        "verdict": str(reached),
        "findings": [finding.to_dict() for finding in findings],
    }


class _Cautions:
    """Printed once: before the host is looked at, or, where cards say only then whether they are simulated, once one
    says that it is not."""

    def __init__(self, human: Console, *, known: bool) -> None:
        self._human = human
        self._done = known

    def print(self) -> None:
        if not self._done:
            self._done = True
            print_cautions(self._human, "leaves this out")
