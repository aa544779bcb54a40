"""A run while it goes: on a terminal, line by line elsewhere, in a status file, and for Prometheus.

One state, kept by `state`; the other modules draw it. Nothing here decides anything.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Generator, Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from laneproof.campaign.events import ROUTINE, Event, Noted, StepFinished
from laneproof.campaign.plan import Plan
from laneproof.campaign.results import RunResult
from laneproof.cli.live.metrics import ADDRESS, PATH, serving
from laneproof.cli.live.state import RunState
from laneproof.cli.live.status_file import StatusFile
from laneproof.cli.live.table import format_left, view
from laneproof.cli.live.terminal import can_draw, drawing
from laneproof.cli.summary import verdict_line
from laneproof.cli.words import WIDTH, one_line

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

DRAW_EVERY_S = 0.5
WRITE_EVERY_S = 1.0
FINISHING = "finishing the transfers under way; Ctrl-C again stops at once"


class Watch:
    """Takes each event of a run, and its result."""

    def __init__(
        self,
        human: Console,
        plan: Plan,
        before: RunResult | None,
        stop: threading.Event,
        at_once: threading.Event | None = None,
    ) -> None:
        self.state = RunState(plan, before)
        self.ended: str = ""
        """The line that says how the run ended."""
        self.drawn = can_draw(human)
        self._human = human
        self._stop = stop
        self._at_once = at_once or threading.Event()
        self._told = False
        self._began_s = time.monotonic()
        self._began = _now()

    def take(self, event: Event) -> None:
        """From one thread."""
        self.state.take(event)
        if self.drawn:
            return
        match event:
            case StepFinished():
                self._human.print(f"{one_line(event.slot)}: {one_line(event.result.kind)}: {event.result.verdict}")
            case Noted() if event.kind not in ROUTINE:
                self._human.print(f"{one_line(event.slot)}: {event.kind}: {one_line(event.text)}")
            case _:
                pass

    def end(self, result: RunResult) -> None:
        """The run is over, and this is what came of it."""
        self.ended = verdict_line(result).plain

    def lines(self, width: int) -> Iterator[RenderableType]:
        """The run as it stands."""
        elapsed = format_left(time.monotonic() - self._began_s)
        since = f"{elapsed} since {self._began} UTC"
        heading = f"{'ended' if self.ended else 'running'}, {since}"
        if self._stop.is_set() and not self.ended:
            heading = f"stopping at once, {since}" if self._at_once.is_set() else f"{FINISHING}; {elapsed}"
        return view(self.state.slots, heading, width)

    def say_finishing(self) -> None:
        """Print once that the run was asked to end; where it is drawn, its heading says so."""
        if self._stop.is_set() and not self._told:
            self._told = True
            self._human.print(FINISHING)

    def written(self) -> tuple[Iterator[RenderableType], str]:
        """The same for the status file: lines, and the last one."""
        so_far = self.state.verdict
        last = self.ended or f"verdict so far: {'none' if so_far is None else so_far}"
        return self.lines(WIDTH), f"updated {_now()} UTC\n{last}"


@contextmanager
def watching(
    human: Console,
    plan: Plan,
    ledger: Path,
    *,
    stop: threading.Event,
    at_once: threading.Event | None = None,
    before: RunResult | None = None,
    status: Path | None = None,
    metrics: int | None = None,
) -> Generator[Watch]:
    """Show a run for as long as the block lasts: on `human`, in the file `status`, at the port `metrics`.

    `before`: what the run had measured, if it is resumed. `stop` and `at_once` as in `runner.run`. Raises StorageFault
    for a status file that cannot be written at the start, BadInput for a port that cannot be had.
    """
    watch = Watch(human, plan, before, stop, at_once)
    with ExitStack() as stack:
        if metrics is not None:
            port = stack.enter_context(serving(metrics, lambda: watch.state.slots))
            human.print(f"metrics http://{ADDRESS}:{port}{PATH}")
        if status is not None:
            file = StatusFile(status, [plan.name, f"ledger {ledger}"])
            file.write(*watch.written())
            stack.enter_context(_written(watch, file))
        if watch.drawn:
            stack.enter_context(_repeating(stack.enter_context(drawing(human, watch.lines)), DRAW_EVERY_S))
        else:
            stack.enter_context(_repeating(watch.say_finishing, DRAW_EVERY_S))
        yield watch


@contextmanager
def _written(watch: Watch, file: StatusFile) -> Generator[None]:
    def write() -> None:
        file.write_or_say(*watch.written())

    try:
        with _repeating(write, WRITE_EVERY_S):
            yield
    finally:
        watch.ended = watch.ended or "verdict: none  (the run broke off; its ledger holds what was measured)"
        write()


@contextmanager
def _repeating(call: Callable[[], None], every_s: float) -> Generator[None]:
    """Call again and again, in a thread of its own, so that no slow terminal or disk holds up the run."""
    done = threading.Event()

    def now_and_then() -> None:
        while not done.wait(every_s):
            call()

    thread = threading.Thread(target=now_and_then, name="laneproof-view", daemon=True)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


def _now() -> str:
    return datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S")
