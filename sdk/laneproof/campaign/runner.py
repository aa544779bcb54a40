"""Runs a plan: starts each slot in its place, takes in what they report, and alone writes ledger and display."""

from __future__ import annotations

import math
import queue
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

import attrs

from laneproof import endpoint as endpoints
from laneproof import registry
from laneproof.campaign import crossing, own_steps
from laneproof.campaign import plan as plans
from laneproof.campaign.carried import RunSoFar
from laneproof.campaign.environment import environment
from laneproof.campaign.events import Event, Expecting, Progress, SlotFinished, StepFinished
from laneproof.campaign.ledger import Ledger, read_ledger
from laneproof.campaign.lines import Lines
from laneproof.campaign.meeting import Message
from laneproof.campaign.places import NoPlace, Place, ProcessPlace, ThreadPlace
from laneproof.campaign.plan import Plan
from laneproof.campaign.results import Plain, Reason, RunResult
from laneproof.campaign.rounds import Rounds
from laneproof.campaign.slot_job import SlotJob, not_run, reaches
from laneproof.campaign.start import CommonStart
from laneproof.campaign.steps import Step
from laneproof.campaign.timekeeping import beyond_monotonic_s
from laneproof.campaign.verdict import Verdict
from laneproof.campaign.worker import load_kernels
from laneproof.contract import Driver
from laneproof.errors import BadInput, CannotOpen, LaneproofError, StorageFault
from laneproof.units import format_seconds

POLL_S = 0.1


def validate(plan: Plan) -> None:
    """Find what is wrong with a plan's endpoints without touching hardware. Raises BadInput or CannotOpen.

    Drivers and options are read; a simulated card is opened and closed, since that disturbs nobody.
    """
    for index, planned in enumerate(plan.endpoint):
        try:
            if not planned.uri.isprintable():
                raise BadInput("a URI holds printable characters only; write others as %XX")
            uri = registry.parse_uri(planned.uri)
            driver = registry.driver_for(uri.scheme)
            registry.read_options(driver, uri.options)
            if not driver.physical:
                endpoints.open(planned.uri, observe=planned.observe).close()
        except BadInput as error:
            raise BadInput(f"endpoint[{index}] {planned.uri}: {error.args[0]}") from None
        except Exception:  # noqa: S112 - a driver may raise anything: a finding about its slot, for the run to report
            continue
    plan.check()


def nominal_rates(plan: Plan) -> dict[str, float]:
    """Nominal bytes per second by URI, of the simulated cards alone: no other is opened to be asked."""
    rates: dict[str, float] = {}
    for planned in plan.endpoint:
        driver = _driver(planned.uri)
        if driver is not None and not driver.physical:
            with suppress(LaneproofError), endpoints.open(planned.uri) as card:
                rates[planned.uri] = card.limits.nominal_bytes_per_s
    return rates


def physical_endpoints(plan: Plan) -> tuple[str, ...]:
    """The URIs of those cards in the plan that are no simulation, as far as their drivers can be loaded to say so."""
    drivers = {planned.uri: _driver(planned.uri) for planned in plan.endpoint}
    return tuple(uri for uri, driver in drivers.items() if driver is None or driver.physical)


def unsettled_endpoints(plan: Plan) -> tuple[str, ...]:
    """Those of them that may say, once open (`events.Opened`), that they are simulated after all."""
    drivers = {uri: _driver(uri) for uri in physical_endpoints(plan)}
    return tuple(uri for uri, driver in drivers.items() if driver is not None and driver.may_be_simulated)


def caveats(plan: Plan) -> tuple[str, ...]:
    """What every result on the plan's cards must carry as far as their drivers say, each sentence once."""
    drivers = [_driver(planned.uri) for planned in plan.endpoint]
    return tuple(dict.fromkeys(caveat for driver in drivers if driver is not None for caveat in driver.caveats))


def _driver(uri: str) -> Driver | None:
    try:
        return registry.driver_for(registry.parse_uri(uri).scheme)
    except CannotOpen:
        return None


def run(
    plan: Plan,
    ledger_path: Path,
    *,
    watch: Callable[[Event], None] = lambda _: None,
    stop: threading.Event | None = None,
    at_once: threading.Event | None = None,
    cautions_acknowledged: bool = False,
    allow_commands: bool = False,
    declared: Sequence[str] = (),
    examine_damage: bool = True,
) -> RunResult:
    """Run a plan and write its ledger; returns what the ledger holds.

    `watch` is called with each event, in this thread. Setting `stop` ends the run early: transfers under way are
    finished, what was measured is kept. Setting `at_once` as well interrupts them.
    `allow_commands` lets steps run the commands and files that the plan names. `declared` says what of the plan's facts
    was declared otherwise when it was run (`declared.override`). Without `examine_damage` results leave out
    `measures["damage"]`, for whom the verdict is enough. Raises BadInput for a plan that cannot be run,
    StorageFault if the ledger cannot be written.
    """
    validate(plan)
    if not allow_commands:
        plan.refuse_commands()
    crossing.refuse_to_begin()
    physical = set(physical_endpoints(plan))
    if physical:
        crossing.check_crossing(plan.step)
    plan = plan.seeded(physical=bool(physical))
    if physical:
        load_kernels(plan.step)  # compiled here and kept on disk, so that slots' processes need only load them
    with Ledger(ledger_path) as ledger:
        about = _about(plan, cautions_acknowledged) | ({"declared": list(declared)} if declared else {})
        ledger.begin(plan, about, physical)
        running = _Running(plan, _jobs(plan, examine_damage=examine_damage), physical, ledger, watch)
        running.run(stop or threading.Event(), at_once or threading.Event())
    return read_ledger(ledger_path)


def resume(
    ledger_path: Path,
    *,
    watch: Callable[[Event], None] = lambda _: None,
    stop: threading.Event | None = None,
    at_once: threading.Event | None = None,
    cautions_acknowledged: bool = False,
    allow_commands: bool = False,
    steps: Iterable[Callable[..., Step]] = (),
) -> RunResult:
    """Go on with a run that was cut off or stopped, as its ledger shows it; otherwise as `run`.

    What was judged is not run again. A soak takes up what it had verified and goes on; any other step that had not
    ended begins anew. `steps` are the classes of those steps of one's own that are neither in a package nor in a file
    of the plan's. Raises StorageFault for a ledger that cannot be resumed.
    """
    plan = planned_in(ledger_path, allow_commands=allow_commands, steps=steps)
    validate(plan)
    if not allow_commands:
        plan.refuse_commands()
    physical = set(physical_endpoints(plan))
    about = _about(plan, cautions_acknowledged)
    if physical:
        crossing.check_crossing(plan.step)
        load_kernels(plan.step)
    before_s = seconds_on_record(ledger_path)
    ledger, so_far = Ledger.resume(ledger_path, about)
    with ledger:
        jobs = [job for job in _jobs(plan, so_far) if not job.so_far.over]
        rule = _rule_before(plan, so_far)
        running = _Running(plan, jobs, physical, ledger, watch, before_s=before_s, rule=rule)
        running.run(stop or threading.Event(), at_once or threading.Event())
    return read_ledger(ledger_path)


def _jobs(plan: Plan, so_far: RunSoFar | None = None, *, examine_damage: bool = True) -> list[SlotJob]:
    jobs = [
        SlotJob(
            name=name,
            number=number,
            planned=planned,
            steps=plan.sequence,
            repeat=plan.repeat,
            seed=plan.seed or 0,
            stop_on=plan.stop_slot_on,
            among_others=len(plan.endpoint) > 1,
            tries=plan.try_again,
            try_after_s=plan.try_again_after,
            examine_damage=examine_damage,
        )
        for number, (name, planned) in enumerate(zip(plan.names(), plan.endpoint, strict=True))
    ]
    if so_far is None:
        return jobs
    return [
        attrs.evolve(job, segment=so_far.segment, so_far=so_far.slots[job.name], remarks=so_far.said) for job in jobs
    ]


def _rule_before(plan: Plan, so_far: RunSoFar) -> str:
    """The rule that ended the run before it was cut off, where its slots had no time left to end by it."""
    bad = (name for name, slot in so_far.slots.items() if reaches(slot.worst, plan.stop_run_on))
    name = next(bad, None)
    return "" if name is None else _run_rule(plan, name)


def _run_rule(plan: Plan, name: str) -> str:
    return f'stop_run_on = "{plan.stop_run_on}", and {name} had that'


def seconds_on_record(ledger_path: Path) -> float:
    """How long a run has gone on, the gaps between its segments left out."""
    result = read_ledger(ledger_path)
    passed_s = 0.0
    for segment in result.segments:
        wall = datetime.fromisoformat(segment.last_utc) - datetime.fromisoformat(segment.started_utc)
        passed_s += max(0.0, wall.total_seconds() - beyond_monotonic_s(result.clock, segment.number))
    return passed_s


def _about(plan: Plan, cautions_acknowledged: bool) -> Plain:
    own = own_steps.provenance(plan.step)
    return environment(cautions_acknowledged) | {"caveats": caveats(plan)} | ({"own_steps": own} if own else {})


def planned_in(ledger_path: Path, *, allow_commands: bool = False, steps: Iterable[Callable[..., Step]] = ()) -> Plan:
    """The plan of a run, from its ledger. Raises StorageFault for what is no ledger, or holds no plan."""
    kept = dict(read_ledger(ledger_path).plan)
    try:
        return plans.kept(kept, "the plan", allow_commands=allow_commands, steps=steps)
    except BadInput as error:
        raise StorageFault(f"ledger {ledger_path} cannot be resumed: {error.args[0]}") from error


class _Running:
    """The slots of a run while they run: who may begin, who is asked to end, and what they tell."""

    def __init__(
        self,
        plan: Plan,
        jobs: list[SlotJob],
        physical: set[str],
        ledger: Ledger,
        watch: Callable[[Event], None],
        *,
        before_s: float = 0.0,
        rule: str = "",
    ) -> None:
        """`before_s`: how long the run had gone on before it was resumed; `rule`: the plan's that ended it then."""
        self._plan = plan
        self._physical = physical
        self._ledger = ledger
        self._watch = watch
        self._events: queue.Queue[Event] = queue.Queue()
        self._places: dict[str, Place] = {}
        self._unfinished = {job.name for job in jobs}
        self._lines = Lines(jobs)
        self._rounds = Rounds({job.name: job.number for job in jobs}, self._tell)
        for job in self._lines.may_begin():
            self._rounds.begun(job.name)
        first = [job.name for job in self._lines.may_begin() if job.planned.uri not in physical]
        self._start = CommonStart([] if plan.stagger else first)
        self._next_s = -math.inf
        """When the next slot may begin."""
        self._rule = rule
        """The plan's rule that has ended the run."""
        self._until_s = None if plan.stop_after is None else time.monotonic() + plan.stop_after - before_s

    def run(self, stop: threading.Event, at_once: threading.Event) -> None:
        """Until every slot has finished, or `stop` is set and they have ended."""
        try:
            while self._unfinished:
                self._begin_and_end(stop, at_once)
                with suppress(queue.Empty):
                    self._take(self._events.get(timeout=POLL_S))
                for name in self._unfinished & self._places.keys():
                    self._places[name].look_after()
                self._ledger.commit_if_due()
        finally:
            for place in self._places.values():
                place.stop(at_once=True)
            self._lines.leave()
        self._ledger.end(interrupted=stop.is_set() and not self._rule)

    def _begin_and_end(self, stop: threading.Event, at_once: threading.Event) -> None:
        if self._until_s is not None and time.monotonic() >= self._until_s and not stop.is_set():
            self._rule = self._rule or f"stop_after = {format_seconds(self._plan.stop_after or 0.0)}"
        if not stop.is_set() and not self._rule:
            for job in self._lines.may_begin():
                if time.monotonic() < self._next_s:
                    break
                self._next_s = time.monotonic() + self._plan.stagger
                self._begin(job)
            return
        for job in self._lines.dismiss():
            how = f"stopped by the plan ({self._rule})" if self._rule else "interrupted"
            reason = Reason(Verdict.INCONC, not_run(f"{how} before its turn came", list(job.left.items())))
            self._events.put(SlotFinished(job.name, (reason,), not self._rule))
        for name in self._unfinished & self._places.keys():
            self._places[name].stop(self._rule, at_once=at_once.is_set())

    def _begin(self, job: SlotJob) -> None:
        if job.planned.uri in self._physical:
            try:
                self._places[job.name] = ProcessPlace(job, self._events.put)
            except OSError as error:
                self._places[job.name] = NoPlace(job, self._events.put, str(error.strerror or error))
        else:
            self._places[job.name] = ThreadPlace(job, self._events.put, self._start)
        self._lines.begun(job, self._places[job.name])
        self._rounds.begun(job.name)

    def _tell(self, slot: str, message: Message) -> None:
        self._places[slot].tell(message)

    def _take(self, event: Event) -> None:
        if self._rounds.take(event):
            return
        if not isinstance(event, Expecting | Progress):
            self._ledger.take(event)
        self._watch(event)
        judged = [event.result] if isinstance(event, StepFinished) else []
        if isinstance(event, SlotFinished):
            self._unfinished.discard(event.slot)
            self._lines.ended(event.slot)
            judged = event.reasons
        if not self._rule and any(reaches(one.verdict, self._plan.stop_run_on) for one in judged):
            self._rule = _run_rule(self._plan, event.slot)


def default_ledger(directory: Path) -> Path:
    """A name that no earlier run in the directory has."""
    stamp = datetime.now(UTC).strftime("%Y%m%d-%H%M%S")
    path = directory / f"laneproof-{stamp}.ledger"
    number = 2
    while path.exists():
        path = directory / f"laneproof-{stamp}-{number}.ledger"
        number += 1
    return path
