"""Runs a plan: starts each slot in its place, takes in what they report, and alone writes ledger and display."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from laneproof import endpoint as endpoints
from laneproof import registry
from laneproof.campaign import plan as plans
from laneproof.campaign.environment import environment
from laneproof.campaign.events import Event, Expecting, Progress, SlotFinished
from laneproof.campaign.ledger import Ledger, read_ledger
from laneproof.campaign.places import Place, ProcessPlace, ThreadPlace
from laneproof.campaign.plan import Plan
from laneproof.campaign.results import RunResult
from laneproof.campaign.slot_run import SlotJob
from laneproof.campaign.start import CommonStart
from laneproof.campaign.worker import load_kernels
from laneproof.contract import Driver
from laneproof.errors import BadInput, CannotOpen, StorageFault

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
    cautions_acknowledged: bool = False,
    allow_commands: bool = False,
) -> RunResult:
    """Run a plan and write its ledger; returns what the ledger holds.

    `watch` is called with each event, in this thread. Setting `stop` ends the run early: what was measured is kept.
    `allow_commands` lets steps run the commands that the plan names. Raises BadInput for a plan that cannot be run,
    StorageFault if the ledger cannot be written.
    """
    validate(plan)
    if not allow_commands:
        plan.refuse_commands()
    physical = set(physical_endpoints(plan))
    plan = plan.seeded(physical=bool(physical))
    jobs = [
        SlotJob(name=name, number=number, planned=planned, steps=plan.step, seed=plan.seed or 0)
        for number, (name, planned) in enumerate(zip(plan.names(), plan.endpoint, strict=True))
    ]
    if physical:
        load_kernels(plan.step)  # compiled here and kept on disk, so that slots' processes need only load them
    with Ledger(ledger_path) as ledger:
        ledger.begin(plan, environment(cautions_acknowledged) | {"caveats": caveats(plan)}, physical)
        _run_slots(jobs, physical, ledger, watch, stop or threading.Event())
    return read_ledger(ledger_path)


def resume(
    ledger_path: Path,
    *,
    watch: Callable[[Event], None] = lambda _: None,
    stop: threading.Event | None = None,
    cautions_acknowledged: bool = False,
    allow_commands: bool = False,
) -> RunResult:
    """Go on with a run that was cut off or stopped, as its ledger shows it; otherwise as `run`.

    What was judged is not run again. A soak takes up what it had verified and goes on; any other step that had not
    ended begins anew. Raises StorageFault for a ledger that cannot be resumed.
    """
    plan = planned_in(ledger_path)
    validate(plan)
    if not allow_commands:
        plan.refuse_commands()
    physical = set(physical_endpoints(plan))
    about = environment(cautions_acknowledged) | {"caveats": caveats(plan)}
    if physical:
        load_kernels(plan.step)
    ledger, so_far = Ledger.resume(ledger_path, about)
    with ledger:
        jobs = [
            SlotJob(
                name=name,
                number=number,
                planned=planned,
                steps=plan.step,
                seed=plan.seed or 0,
                segment=so_far.segment,
                so_far=so_far.slots[name],
                remarks=so_far.said,
            )
            for number, (name, planned) in enumerate(zip(plan.names(), plan.endpoint, strict=True))
            if not so_far.slots[name].over
        ]
        _run_slots(jobs, physical, ledger, watch, stop or threading.Event())
    return read_ledger(ledger_path)


def planned_in(ledger_path: Path) -> Plan:
    """The plan of a run, from its ledger. Raises StorageFault for what is no ledger, or holds no plan."""
    try:
        return plans.kept(dict(read_ledger(ledger_path).plan), "the plan")
    except BadInput as error:
        raise StorageFault(f"ledger {ledger_path} cannot be resumed: {error.args[0]}") from error


def _run_slots(
    jobs: list[SlotJob], physical: set[str], ledger: Ledger, watch: Callable[[Event], None], stop: threading.Event
) -> None:
    events: queue.Queue[Event] = queue.Queue()
    places: dict[str, Place] = {}
    try:
        start = CommonStart(job.name for job in jobs if job.planned.uri not in physical)
        for job in jobs:
            if job.planned.uri in physical:
                places[job.name] = ProcessPlace(job, events.put)
            else:
                places[job.name] = ThreadPlace(job, events.put, start)
        _take_in(places, events, ledger, watch, stop)
    finally:
        for place in places.values():
            place.stop()
        for place in places.values():
            place.leave()
    ledger.end(interrupted=stop.is_set())


def _take_in(
    places: dict[str, Place],
    events: queue.Queue[Event],
    ledger: Ledger,
    watch: Callable[[Event], None],
    stop: threading.Event,
) -> None:
    waiting = set(places)
    while waiting:
        try:
            event = events.get(timeout=POLL_S)
        except queue.Empty:
            event = None
        if event is not None:
            if not isinstance(event, Expecting | Progress):
                ledger.take(event)
            watch(event)
            if isinstance(event, SlotFinished):
                waiting.discard(event.slot)
        for name in waiting:
            if stop.is_set():
                places[name].stop()
            places[name].look_after()
        ledger.commit_if_due()


def default_ledger(directory: Path) -> Path:
    """A name that no earlier run in the directory has."""
    stamp = datetime.now(UTC).strftime("%Y%m%d-%H%M%S")
    path = directory / f"laneproof-{stamp}.ledger"
    number = 2
    while path.exists():
        path = directory / f"laneproof-{stamp}-{number}.ledger"
        number += 1
    return path
