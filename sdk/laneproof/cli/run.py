"""`laneproof run`: run a plan, show it live, leave a ledger and a report."""

from __future__ import annotations

import argparse
import json
import signal
import sys
import threading
from collections.abc import Generator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.plan import Plan
from laneproof.campaign.results import RunResult
from laneproof.campaign.statistics import CONFIDENCE, error_rate_bound, format_bound
from laneproof.campaign.verdict import EXIT_INTERRUPTED, EXIT_STATUS, Verdict
from laneproof.cli.cautions import print_cautions
from laneproof.cli.display import watch
from laneproof.cli.files import report_beside, write_whole
from laneproof.cli.summary import print_summary
from laneproof.cli.words import console, one_line
from laneproof.errors import BadInput
from laneproof.insight.report import render_html
from laneproof.units import format_bytes

if TYPE_CHECKING:
    from rich.console import Console


def add_to(verbs: Any) -> None:
    parser: argparse.ArgumentParser = verbs.add_parser("run", help="run a plan: the built-in one, or PLAN")
    parser.add_argument("plan", nargs="?", metavar="PLAN", type=Path, help="a plan file; see `laneproof guide plans`")
    parser.add_argument(
        "--endpoint", action="append", default=[], metavar="URI", help="test this card instead; may be repeated"
    )
    parser.add_argument("--ledger", type=Path, metavar="FILE", help="where to write the ledger; the report lies beside")
    parser.add_argument("--json", type=Path, metavar="FILE|-", help="also write the result as JSON")
    parser.add_argument("--check", action="store_true", help="say what would run, and run nothing")
    parser.add_argument(
        "--acknowledge-cautions",
        action="store_true",
        help="put on record that you have read `laneproof guide cautions`",
    )
    parser.set_defaults(call=call)


def call(chosen: argparse.Namespace) -> int:
    plan = plans.load(chosen.plan) if chosen.plan is not None else plans.builtin()
    if chosen.endpoint:
        plan = plan.over(chosen.endpoint)
    human = console(errors=chosen.json is not None and str(chosen.json) == "-")
    runner.validate(plan)
    if chosen.check:
        _print_check(human, plan)
        return 0
    ledger: Path = chosen.ledger if chosen.ledger is not None else runner.default_ledger(Path())
    report = report_beside(ledger)
    if chosen.json is not None and chosen.json.absolute() in (ledger.absolute(), report.absolute()):
        raise BadInput(f"--json {chosen.json}: the ledger or the report will lie there; name another file")
    if runner.physical_endpoints(plan) and not chosen.acknowledge_cautions:
        print_cautions(human, "puts on record that this was read")
    with _stopping() as stop, watch(human, plan) as watcher:
        result = runner.run(plan, ledger, watch=watcher, stop=stop, cautions_acknowledged=chosen.acknowledge_cautions)
    print_summary(human, result)
    human.print(f"ledger  {one_line(str(ledger))}", soft_wrap=True)
    write_whole(report, render_html(result), "report")
    human.print(f"report  {one_line(str(report))}", soft_wrap=True)
    if chosen.json is not None:
        write_whole(
            chosen.json, json.dumps(result.to_dict(), indent=2, ensure_ascii=False, allow_nan=False) + "\n", "JSON"
        )
    _complain_of_errors(result)
    return EXIT_INTERRUPTED if result.interrupted else EXIT_STATUS[result.verdict]


@contextmanager
def _stopping() -> Generator[threading.Event]:
    """The first Ctrl-C or SIGTERM stops in good order, the second at once."""
    stop = threading.Event()

    def ask(*_: object) -> None:
        if stop.is_set():
            raise KeyboardInterrupt
        stop.set()

    before = {number: signal.signal(number, ask) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _complain_of_errors(result: RunResult) -> None:
    for endpoint in result.endpoints:
        for reason in endpoint.reasons:
            if reason.verdict is Verdict.ERROR:
                named = "" if reason.text.startswith(endpoint.name) else f"{endpoint.name}: "
                print(f"laneproof: {one_line(named + reason.text)}", file=sys.stderr)


def _print_check(human: Console, plan: Plan) -> None:
    human.print(f"plan {one_line(plan.name)}: valid; nothing was run. Each endpoint takes each step in order.")
    for name, endpoint in zip(plan.names(), plan.endpoint, strict=True):
        human.print(f"endpoint  {one_line(name)}: {one_line(endpoint.uri)}")
    exposure = 0
    for step in plan.step:
        kind, planned = plans.kind_of(step), step.planned_bytes
        shown = f"at most {format_bytes(planned)} each way" if planned is not None else "open-ended"
        human.print(f"step      {kind}: {shown}")
        exposure += 8 * planned if planned is not None and kind in ("integrity", "soak") else 0
    if exposure:
        bound = error_rate_bound(0, exposure)
        human.print(
            f"claim     without a wrong bit, an endpoint shows at best fewer than {format_bound(bound)} wrong per "
            f"bit at {CONFIDENCE:.0%} confidence ({exposure} bits, one way)"
        )
    else:
        human.print("claim     none: no step verifies a stated amount of data")
