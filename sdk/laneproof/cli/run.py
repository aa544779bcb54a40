"""`laneproof run`: run a plan, show it live, leave a ledger and a report."""

from __future__ import annotations

import argparse
import json
import signal
import sys
import threading
import time
from collections.abc import Generator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from laneproof.campaign import own_steps, power, runner
from laneproof.campaign import plan as plans
from laneproof.campaign.declared import overdue
from laneproof.campaign.declaring import override
from laneproof.campaign.events import Event, Opened, SlotFinished
from laneproof.campaign.ledger import read_ledger
from laneproof.campaign.plan import Plan
from laneproof.campaign.planned import futile_limits, going_on, planned_steps, stop_rules
from laneproof.campaign.planned_document import planned_document
from laneproof.campaign.results import Plain, RunResult
from laneproof.campaign.verdict import EXIT_INTERRUPTED, EXIT_STATUS, Verdict
from laneproof.cli.cautions import print_cautions
from laneproof.cli.files import report_beside, write_whole
from laneproof.cli.live import watching
from laneproof.cli.live.status_file import check_path
from laneproof.cli.summary import print_summary
from laneproof.cli.words import console, one_line
from laneproof.errors import BadInput
from laneproof.insight.diagnosis import diagnose_run
from laneproof.insight.report import report_html

if TYPE_CHECKING:
    from rich.console import Console

ONE_REQUEST_S = 0.2
"""Seconds within which a second signal is the first one again: coreutils' `timeout` sends one to the process, and one
to its group."""


def add_to(verbs: Any) -> None:
    parser: argparse.ArgumentParser = verbs.add_parser("run", help="run a plan: the built-in one, or PLAN")
    parser.add_argument("plan", nargs="?", metavar="PLAN", type=Path, help="a plan file; see `laneproof guide plans`")
    parser.add_argument(
        "--endpoint", action="append", default=[], metavar="URI", help="test this card instead; may be repeated"
    )
    parser.add_argument("--ledger", type=Path, metavar="FILE", help="where to write the ledger; the report lies beside")
    parser.add_argument("--resume", type=Path, metavar="LEDGER", help="go on with a run that was cut off or stopped")
    parser.add_argument(
        "--json", type=Path, metavar="FILE|-", help="also write the result as JSON; with --check, what was found"
    )
    parser.add_argument("--status", type=Path, metavar="FILE", help="keep a text file that shows how the run stands")
    parser.add_argument(
        "--metrics", type=int, metavar="PORT", help="serve Prometheus on 127.0.0.1 meanwhile; 0 takes any free port"
    )
    parser.add_argument("--check", action="store_true", help="say what would run, and run nothing")
    parser.add_argument(
        "--allow-commands", action="store_true", help="let the plan run the commands and Python files that it names"
    )
    parser.add_argument(
        "--declare",
        action="append",
        default=[],
        metavar="KEY=TEXT",
        help="put on record operator.name, sample.name, ambient.temperature, notes.NAME, …; may be repeated",
    )
    parser.add_argument(
        "--acknowledge-cautions",
        action="store_true",
        help="put on record that you have read `laneproof guide cautions`",
    )
    parser.set_defaults(call=call)


def call(chosen: argparse.Namespace) -> int:
    if chosen.resume is not None:
        if chosen.plan is not None or chosen.endpoint or chosen.ledger is not None:
            raise BadInput("--resume LEDGER says what to run, and on what; leave out PLAN, --endpoint and --ledger")
        if chosen.declare:
            raise BadInput(
                "--declare: what a run declared stands; say what is new by `laneproof mark LEDGER TEXT --amend`"
            )
        plan = runner.planned_in(chosen.resume, allow_commands=chosen.allow_commands)
    else:
        allowed = chosen.allow_commands
        plan = plans.load(chosen.plan, allow_commands=allowed) if chosen.plan is not None else plans.builtin()
    if chosen.endpoint:
        plan = plan.over(chosen.endpoint)
    plan, declared = override(plan, chosen.declare)
    human = console(errors=chosen.json is not None and str(chosen.json) == "-")
    if chosen.json is not None and chosen.plan is not None and chosen.json.absolute() == chosen.plan.absolute():
        raise BadInput(f"--json {chosen.json}: that is the plan; name another file")
    runner.validate(plan)
    for text in declared:
        human.print(f"declared  {one_line(text)}", soft_wrap=True)
    if chosen.check:
        rates, moment_utc = runner.nominal_rates(plan), datetime.now(UTC).isoformat(timespec="milliseconds")
        _print_check(human, plan, rates, moment_utc)
        if chosen.json is not None:
            _write_json(chosen.json, planned_document(plan, rates, moment_utc, declared))
        return 0
    ledger: Path = chosen.resume or chosen.ledger or runner.default_ledger(Path())
    report = report_beside(ledger)
    if chosen.json is not None and chosen.json.absolute() in (ledger.absolute(), report.absolute()):
        raise BadInput(f"--json {chosen.json}: the ledger or the report will lie there; name another file")
    if chosen.status is not None:
        check_path(chosen.status, [path for path in (ledger, report, chosen.json, chosen.plan) if path is not None])
    before = read_ledger(ledger) if chosen.resume is not None else None
    _print_futile(human, plan)
    cautions = _Cautions(human, plan, known=chosen.acknowledge_cautions)
    with (
        _stopping() as (stop, at_once),
        watching(
            human,
            plan,
            ledger,
            stop=stop,
            at_once=at_once,
            before=before,
            status=chosen.status,
            metrics=chosen.metrics,
        ) as watch,
    ):

        def told(event: Event) -> None:
            cautions.look(event)
            watch.take(event)

        known, allowed = chosen.acknowledge_cautions, chosen.allow_commands
        if chosen.resume is not None:
            result = runner.resume(
                ledger, watch=told, stop=stop, at_once=at_once, cautions_acknowledged=known, allow_commands=allowed
            )
        else:
            result = runner.run(
                plan,
                ledger,
                watch=told,
                stop=stop,
                at_once=at_once,
                cautions_acknowledged=known,
                allow_commands=allowed,
                declared=declared,
            )
        watch.end(result)
    print_summary(human, result)
    human.print(f"ledger  {one_line(str(ledger))}", soft_wrap=True)
    write_whole(report, report_html(ledger, result), "report")
    human.print(f"report  {one_line(str(report))}", soft_wrap=True)
    if chosen.json is not None:
        _write_json(chosen.json, result.to_dict() | _diagnoses(result))
    _complain_of_errors(result)
    return EXIT_INTERRUPTED if result.interrupted else EXIT_STATUS[result.verdict]


def _write_json(path: Path, document: Plain) -> None:
    write_whole(path, json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n", "JSON")


def _diagnoses(result: RunResult) -> Plain:
    """What may be wrong, of each endpoint in their order, as `Diagnosis.to_dict` has it; and what several share."""
    found = diagnose_run(result).to_dict()
    return {"diagnoses": found["endpoints"], "shared_mechanisms": found["shared"]}


class _Cautions:
    """Printed once: before any card is touched, or, where cards say only then whether they are simulated, once one
    does not, or cannot be opened."""

    def __init__(self, human: Console, plan: Plan, *, known: bool) -> None:
        self._human = human
        self._done = known
        uris = set(runner.unsettled_endpoints(plan))
        self._unsettled = {
            name for name, planned in zip(plan.names(), plan.endpoint, strict=True) if planned.uri in uris
        }
        if set(runner.physical_endpoints(plan)) - uris:
            self._print()

    def look(self, event: Event) -> None:
        if isinstance(event, Opened | SlotFinished) and event.slot in self._unsettled:
            self._unsettled.discard(event.slot)
            if isinstance(event, SlotFinished) or event.physical:
                self._print()

    def _print(self) -> None:
        if not self._done:
            self._done = True
            print_cautions(self._human, "puts on record that this was read")


@contextmanager
def _stopping() -> Generator[tuple[threading.Event, threading.Event]]:
    """The first Ctrl-C or SIGTERM finishes transfers, the second interrupts them, the third waits for nothing.

    A terminal that is closed is a first one, unless the run was started to outlive it (nohup); it may say so twice, and
    never means more.
    """
    stop, at_once = threading.Event(), threading.Event()
    asked_s = 0.0

    def ask(number: int, _: object) -> None:
        nonlocal asked_s
        now_s = time.monotonic()
        if not stop.is_set():
            asked_s = now_s
            stop.set()
        elif number != signal.SIGHUP and now_s - asked_s > ONE_REQUEST_S:
            if at_once.is_set():
                raise KeyboardInterrupt
            asked_s = now_s
            at_once.set()

    numbers = [signal.SIGINT, signal.SIGTERM]
    numbers += [signal.SIGHUP] if signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN else []
    before = {number: signal.signal(number, ask) for number in numbers}
    try:
        yield stop, at_once
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _complain_of_errors(result: RunResult) -> None:
    for endpoint in result.endpoints:
        for reason in endpoint.reasons:
            if reason.verdict is Verdict.ERROR:
                named = "" if reason.text.startswith(endpoint.name) else f"{endpoint.name}: "
                print(f"laneproof: {one_line(named + reason.text)}", file=sys.stderr)


def _print_futile(human: Console, plan: Plan) -> None:
    for text in futile_limits(plan):
        human.print(f"limit     {one_line(text)}", soft_wrap=True)


def _print_check(human: Console, plan: Plan, rates: Mapping[str, float], moment_utc: str) -> None:
    several = f", {plan.repeat} times, {plan.order}" if plan.repeat > 1 or plan.order != "as written" else ""
    human.print(
        f"plan {one_line(plan.name)}: valid; nothing was run. Each endpoint takes {len(plan.step)} steps{several}."
    )
    for name, endpoint in zip(plan.names(), plan.endpoint, strict=True):
        group = "" if endpoint.group is None else f", in turn with group {endpoint.group}"
        human.print(f"endpoint  {one_line(name)}: {one_line(endpoint.uri + group)}", soft_wrap=True)
        for one in planned_steps(plan, rates.get(endpoint.uri)):
            human.print(f"  {one}")
            for claim in one.claims or ("no claim on wrong bits or trainings",):
                human.print(f"    {claim}")
    for kind, source in own_steps.provenance(plan.step).items():
        human.print(f"own       {one_line(kind)}: {one_line(source)}", soft_wrap=True)
    for command in dict.fromkeys(command for step in plan.step for command in step.commands):
        human.print(f"command   {one_line(command)}: run for each training, and only with --allow-commands")
    for line in power.table(plan):
        human.print(f"power     {one_line(line)}", soft_wrap=True)
    for text in going_on(plan):
        human.print(f"goes on   {one_line(text)}", soft_wrap=True)
    for rule in stop_rules(plan):
        human.print(f"stop      {one_line(rule)}", soft_wrap=True)
    _print_futile(human, plan)
    for text in overdue(plan.to_dict(), moment_utc):
        human.print(f"overdue   {one_line(text)}", soft_wrap=True)
