"""What runner, ledger and progress take beside the data that they look after, over a card as fast as memory.

    taskset -c 1 python tests/benchmarks/campaign.py [--pairs 15] [--seconds 3] [--small]

A soak by the runner, with its ledger on disk and its table drawn on a terminal of 80 columns, against a bare loop of
`Endpoint.check` over the same card: portions of 16 MiB, as many in the one as in the other, by turns. The card is a
window of ordinary memory, so that the slot runs in a process of its own, as a real card's does, and so does the bare
loop. On one processor nothing can be done beside the load: what the parent, the slot's process and their threads do
takes its time. Both are measured from the end of the first portion to that of the last: what a run does once, opening
the card and loading the kernels in its process, is outside.

Three figures, each the median over the pairs, with the quartiles: the time that passes and the processor's time of both
processes, beyond those of the bare loop; and the processor's time of all threads but the one that moves the data, in
percent of that one's. Other work on the computer blurs the first two by more than the goal; the third it leaves alone,
but what the moving thread itself does beside its data is in the first two only.
`--small` takes one short pair, to see that this program works.
"""

from __future__ import annotations

import argparse
import io
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from pathlib import Path

import numpy as np
from attrs import define, field, frozen
from rich.console import Console
from yardsticks import Row

import laneproof
from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.events import Event, Sampled
from laneproof.campaign.plan import Plan
from laneproof.cli.live import watching
from laneproof.integrity import kernels

PAIRS = 15
SECONDS = 3.0
PORTION = 16 << 20
WINDOW_NBYTES = 16 << 20
GOAL_PERCENT = 2.0


@frozen
class Cost:
    """Seconds that passed, and those that processors worked."""

    passed_s: float
    threads_s: Mapping[str, float]

    @property
    def worked_s(self) -> float:
        return sum(self.threads_s.values())

    @property
    def beside(self) -> float:
        """All threads' time over that of the thread which worked most: the one that moved the data."""
        return self.worked_s / max(self.threads_s.values())

    def since(self, before: Cost) -> Cost:
        threads = {name: worked_s - before.threads_s.get(name, 0.0) for name, worked_s in self.threads_s.items()}
        return Cost(self.passed_s - before.passed_s, threads)


class Terminal(io.StringIO):
    """Takes what is drawn, as a terminal would."""

    def isatty(self) -> bool:
        return True


def now() -> Cost:
    """Of this process and its children, ended ones left out."""
    every = [Path("/proc/self/task"), *(Path(f"/proc/{child}/task") for child in _children())]
    return Cost(time.monotonic(), {task.name: _worked_s(task) for tasks in every for task in tasks.iterdir()})


def _children() -> Iterator[str]:
    for task in Path("/proc/self/task").iterdir():
        yield from (task / "children").read_text().split()


def _worked_s(task: Path) -> float:
    """Documentation/scheduler/sched-stats.rst: the first number is the time on a processor, in nanoseconds."""
    with suppress(FileNotFoundError, ProcessLookupError):
        return int((task / "schedstat").read_text().split()[0]) / 1e9
    return 0.0


@define
class Soak:
    """One run of so many portions."""

    plan: Plan
    portions: int
    _looks: list[Cost] = field(factory=list[Cost], init=False)
    _samples: int = field(default=0, init=False)

    def look(self, event: Event) -> None:
        if isinstance(event, Sampled):
            self._samples += 1
            if self._samples in (1, self.portions):
                self._looks.append(now())

    def run(self, folder: Path) -> Cost:
        ledger, stop = folder / f"{time.monotonic_ns()}.ledger", threading.Event()
        human = Console(file=Terminal(), force_terminal=True, width=80, height=24)
        with watching(human, self.plan, ledger, stop=stop, status=folder / "status") as watch:

            def told(event: Event) -> None:
                self.look(event)
                watch.take(event)

            result = runner.run(self.plan, ledger, watch=told, stop=stop, cautions_acknowledged=True)
        (step,) = result.endpoints[0].steps
        if not watch.drawn or step.measures["bytes_checked"] != self.plan.step[0].planned_bytes:
            raise AssertionError(f"the run did not do what it was to be measured at: {step.reasons}")
        first, last = self._looks
        return last.since(first)


def bare(uri: str, portions: int) -> Cost:
    """The same checks and nothing around them, in a process of their own: two processes differ in how their memory lies
    by more than what is to be measured."""
    command = [sys.executable, __file__, "--bare", uri, str(portions)]
    done = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True)
    passed_s, worked_s = map(float, done.stdout.split())
    return Cost(passed_s, {"the loop's": worked_s})


def bare_loop(uri: str, portions: int) -> Cost:
    """What that process does."""
    kernels.ready()
    with laneproof.open(uri, acknowledge_cautions=True) as card:
        looks: list[Cost] = []
        for number in range(portions):
            if not card.check("prbs31", PORTION, more_follows=number + 1 < portions).ok:
                raise AssertionError("the card in memory did not return what was sent")
            if number in (0, portions - 1):
                looks.append(now())
        return looks[-1].since(looks[0])


def overhead(pairs: int, seconds: float, folder: Path) -> tuple[Row, ...]:
    """The three rows."""
    memory = folder / "card"
    memory.write_bytes(bytes(WINDOW_NBYTES))
    uri = f"window:{memory}?rate=4GB/s&word=8"
    kernels.ready()
    portions = max(2, int(4 * seconds / bare(uri, 5).passed_s))
    text = {"kind": "soak", "bytes": f"{portions * PORTION} B", "portion": f"{PORTION} B"}
    plan = plans.parse({"schema": 1, "seed": 1, "endpoint": [{"uri": uri}], "step": [text]}, "the benchmark's plan")
    measured: list[tuple[Cost, Cost]] = []
    for turn in range(pairs):
        if turn % 2:  # neither is always the first, which has the cooler computer
            alone = bare(uri, portions)
            measured.append((Soak(plan, portions).run(folder), alone))
        else:
            measured.append((Soak(plan, portions).run(folder), bare(uri, portions)))
    speed = f"{(portions - 1) * PORTION / float(np.median([alone.passed_s for _, alone in measured])) / 1e9:.2f} GB/s"
    return (
        _row("runner, ledger, table: time", speed, [run.passed_s / alone.passed_s for run, alone in measured]),
        _row("runner, ledger, table: processor", "", [run.worked_s / alone.worked_s for run, alone in measured]),
        _row("runner, ledger, table: other threads", "", [run.beside for run, _ in measured]),
    )


def _row(work: str, speed: str, ratios: Sequence[float]) -> Row:
    low, own, high = np.percentile(100 * (np.array(ratios) - 1), (25, 50, 75))
    return Row(work, "any", speed, float(own), f"% ({low:.1f}-{high:.1f})", GOAL_PERCENT, at_most=True)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="Measure what a run takes beside its data.")
    parser.add_argument("--pairs", type=int, default=PAIRS, help=f"how often both are measured ({PAIRS})")
    parser.add_argument("--seconds", type=float, default=SECONDS, help=f"about how long each takes ({SECONDS:g})")
    parser.add_argument("--small", action="store_true", help="one short pair: does this program work?")
    parser.add_argument("--bare", nargs=2, metavar=("URI", "PORTIONS"), help="run the bare loop alone")
    options = parser.parse_args(arguments)
    if options.bare:
        cost = bare_loop(options.bare[0], int(options.bare[1]))
        print(cost.passed_s, cost.worked_s)
        return 0
    if options.pairs < 1 or options.seconds <= 0:
        parser.error("pairs are 1 or more, seconds more than 0")
    pairs, seconds = (1, 0.05) if options.small else (options.pairs, options.seconds)
    if options.small:
        print("one short pair: neither figures nor goals mean anything")
    processors = len(os.sched_getaffinity(0))
    print(f"{pairs} pairs of about {seconds:g} s on {processors} processor{'s' * (processors != 1)}")
    # The card in memory, the ledger beside it on a disk where /var/tmp is one: a commit waits for it.
    with tempfile.TemporaryDirectory(dir="/var/tmp") as folder:
        for row in overhead(pairs, seconds, Path(folder)):
            print(row, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
