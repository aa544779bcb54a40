"""One slot from open to close: every step in order, error deltas around each, and what an error means for the verdict.

Runs in a thread (a simulated card) or in a process of its own (a physical one); either way it only emits events.
"""

from __future__ import annotations

import threading
import traceback
from collections.abc import Callable
from contextlib import suppress

import attrs
from attrs import frozen

from laneproof import endpoint as endpoints
from laneproof.campaign.conditions import judge_host
from laneproof.campaign.events import Event, Expecting, Opened, SlotFinished, StepFinished, StepStarted
from laneproof.campaign.link_errors import plain_errors, plain_link, shows_uncorrectable
from laneproof.campaign.link_state import Trained, judge_at_rest, judge_kept, judge_unseen, trained
from laneproof.campaign.plan import PlannedEndpoint, kind_of
from laneproof.campaign.results import Findings, Plain, Reason, StepResult
from laneproof.campaign.start import CommonStart
from laneproof.campaign.steps import Slot, Step
from laneproof.campaign.steps.observation import Observation
from laneproof.campaign.verdict import Verdict
from laneproof.endpoint import Endpoint
from laneproof.errors import (
    BadInput,
    DeviceLost,
    DriverFault,
    Interrupted,
    LaneproofError,
    NotOffered,
    TransferTimeout,
)
from laneproof.integrity import Comparison
from laneproof.readings import Conditions, ErrorReading, Identity, LinkReading, Unavailable
from laneproof.units import format_bytes

OPEN_GRACE_S = 30.0
"""Real seconds that opening, reading registers and recovering may take together before a slot counts as hung."""
ERROR_SETTLE_S = 0.01
"""Seconds by the card's clock from the end of a step to reading its errors: who counts them is told a little later."""


@frozen(kw_only=True)
class SlotJob:
    """What one slot is to do. Crosses into a worker process."""

    name: str
    number: int
    planned: PlannedEndpoint
    steps: tuple[Step, ...]
    seed: int


class SlotRun:
    """Runs a job. `stop` ends it from another thread: the call under way is interrupted, nothing more is begun."""

    def __init__(self, job: SlotJob, emit: Callable[[Event], None], start: CommonStart | None = None) -> None:
        """`start`: where it waits for others before its first step."""
        self._job = job
        self._emit = emit
        self._start = CommonStart([job.name]) if start is None else start
        self._stop = threading.Event()
        self._endpoint: Endpoint | None = None
        self._errors: ErrorReading | None = None
        """As last read; each step's errors are counted from there."""
        self._conditions: Conditions | None = None
        """As last read, likewise."""
        self._best: Trained | None = None
        """The best that the link has been seen to run at."""

    def stop(self) -> None:
        """May be called again and again, until the slot has finished."""
        self._stop.set()
        endpoint = self._endpoint
        if endpoint is not None:
            endpoint.interrupt()

    def run(self) -> None:
        """Emits events, the last of them SlotFinished. Raises nothing."""
        try:
            reasons = self._open_and_run()
        except Interrupted:
            reasons = [Reason(Verdict.INCONC, "interrupted before the first step")]
        except LaneproofError as error:
            reasons = [Reason(Verdict.ERROR, str(error))]
        except Exception as error:  # a driver may raise anything; the other slots go on
            last = traceback.extract_tb(error.__traceback__)[-1]
            place = f"{last.name}, line {last.lineno}"
            reasons = [Reason(Verdict.ERROR, f"unexpected {type(error).__name__} in {place}: {error}")]
        finally:
            self._start.leave_out(self._job.name)
        self._emit(SlotFinished(self._job.name, tuple(reasons)))

    def _open_and_run(self) -> list[Reason]:
        job = self._job
        self._emit(Expecting(job.name, OPEN_GRACE_S))
        # Whoever started the run has shown the cautions.
        with endpoints.open(job.planned.uri, observe=job.planned.observe, acknowledge_cautions=True) as card:
            self._endpoint = card
            origin_s = card.clock.now_s()
            link, self._errors = card.read_link(), card.read_errors()
            self._best = trained(link.near) or trained(link.far)
            self._emit(Opened(job.name, card.clock.virtual, _opened(card, link, self._errors)))
            self._start.wait(job.name, self._stop)
            for position, step in enumerate(job.steps):
                if self._stop.is_set():
                    return [Reason(Verdict.INCONC, _not_run("interrupted", job.steps[position:]))]
                ended = self._one_step(card, position, step, origin_s)
                rest = job.steps[position + 1 :]
                if ended and rest:
                    return [Reason(Verdict.NONE, _not_run(ended, rest))]
        return []

    def _one_step(self, card: Endpoint, position: int, step: Step, origin_s: float) -> str:
        """Run one step; return why no other can follow it, or nothing."""
        job = self._job
        slot = Slot(
            name=job.name,
            number=job.number,
            endpoint=card,
            expectation=job.planned.expect,
            seed=job.seed,
            step=position,
            emit=self._emit,
            stop=self._stop,
            origin_s=origin_s,
        )
        self._emit(StepStarted(job.name, position, kind_of(step)))
        self._emit(Expecting(job.name, OPEN_GRACE_S))
        findings = Findings()
        started_s = slot.elapsed_s()
        lost = False
        fault: DriverFault | None = None
        identity: Identity | Unavailable | None = None
        errors: Plain = {}
        try:
            identity = card.identity
            with slot.observation:
                slot.observation.begin(self._conditions)
                step.run(slot, findings)
        except DeviceLost as error:
            lost = True
            _judge_loss(error, findings)
        except Interrupted:
            findings.inconclusive(
                f"interrupted after {format_bytes(findings.bytes_moved)} had come back; what was measured is kept"
            )
        except TransferTimeout as error:
            findings.failed(f"the transfer stalled: {error.args[0]}", of_data=True)
        except DriverFault as error:
            fault = error
        except (NotOffered, BadInput) as error:
            findings.broken(f"the plan asks for what this card cannot do: {error.args[0]}")
        except LaneproofError as error:
            findings.broken(str(error))
        finished_s = slot.elapsed_s()
        try:
            self._emit(Expecting(job.name, OPEN_GRACE_S))
            card.clock.sleep(ERROR_SETTLE_S)
            now_errors = card.read_errors()
            # Since the step before was read, so that nothing falls between two steps.
            added, self._errors = now_errors.since(self._errors or now_errors), now_errors
            errors = plain_errors(added)
            if fault is not None:
                _judge_fault(fault, added, findings)
                fault = None
            if not lost and findings.verdict is not Verdict.NONE:
                step.judge_errors(added, findings)
            now = identity if lost else card.identity
            if identity is not None and now != identity:
                findings.broken(f"the card changed its identity during the step, from {identity} to {now}")
            if not lost:
                slot.observation.end()
        except DeviceLost as error:
            if not lost:
                lost = True
                _judge_loss(error, findings)
        except LaneproofError as error:
            if not lost:
                findings.inconclusive(f"what the card and its link show after the step could not be read: {error}")
        if fault is not None:
            (findings.inconclusive if lost else findings.broken)(str(fault))
        if lost:
            with suppress(LaneproofError):  # what the near port shows of the loss is worth an event
                slot.observation.look(loaded=False)
        self._judge_beside(step, slot.observation, findings, lost=lost)
        if not findings.reasons:
            findings.nothing("nothing was judged")
        self._emit(
            StepFinished(
                job.name,
                StepResult(
                    position=position,
                    kind=kind_of(step),
                    verdict=findings.verdict,
                    reasons=tuple(findings.reasons),
                    started_s=started_s,
                    finished_s=finished_s,
                    bytes_moved=findings.bytes_moved,
                    measures=findings.measures,
                    errors=errors,
                    conditions=slot.observation.to_dict(),
                ),
            )
        )
        return "the card is lost" if lost else self._back_in_step(card, slot)

    def _judge_beside(self, step: Step, seen: Observation, findings: Findings, *, lost: bool) -> None:
        """What link and conditions, as read beside the step, say of it."""
        self._conditions = seen.latest or self._conditions
        if not lost and seen.first_link is not None and seen.last_link is not None:
            self._best = judge_kept(seen.first_link, seen.under_load, self._best, findings)
            if seen.link_moved:
                judge_at_rest(seen.first_link, seen.last_link, seen.under_load, findings)
            else:
                judge_unseen(seen.first_link, seen.last_link, findings)
        if findings.verdict is not Verdict.NONE and seen.before is not None and seen.latest is not None:
            step.judge_lanes(seen.flags, findings)
            judge_host(seen.before, seen.latest, findings)

    def _back_in_step(self, card: Endpoint, slot: Slot) -> str:
        if self._stop.is_set() or all(channel.in_step for channel in card.channels):
            return ""
        self._emit(Expecting(self._job.name, OPEN_GRACE_S))
        try:
            recovery = card.recover()
        except LaneproofError as error:
            return f"the card could not be brought back in step: {error}"
        slot.note(
            "recovery",
            f"brought back in step after a fault: {recovery.how}, {recovery.discarded_bytes} bytes discarded",
        )
        return ""


def _opened(card: Endpoint, link: LinkReading, errors: ErrorReading) -> Plain:
    identity = card.identity
    return {
        "identity": {"unavailable": identity.why} if isinstance(identity, Unavailable) else attrs.asdict(identity),
        "channels": [{"name": channel.name, **attrs.asdict(channel.limits)} for channel in card.channels],
        "link": plain_link(link),
        "ambient_errors": plain_errors(errors),
    }


def _judge_loss(error: DeviceLost, findings: Findings) -> None:
    """A slot that drops its link under load fails; a card that is gone for no reason to be seen is inconclusive."""
    so_far = error.so_far
    moved = f" after {format_bytes(so_far.bytes_received)} had come back" if isinstance(so_far, Comparison) else ""
    if error.link_evidence:
        findings.failed(f"the card was lost{moved}: {error.args[0]}. The link went down: {error.link_evidence}")
    else:
        findings.inconclusive(
            f"the card was lost{moved}: {error.args[0]}. Nothing shows that the link went down, so slot, card and "
            "driver all remain possible"
        )


def _judge_fault(fault: DriverFault, added: ErrorReading, findings: Findings) -> None:
    """A driver's fault is the test system's, unless an uncorrectable error shows that it had something to report."""
    if shows_uncorrectable(added):
        findings.failed(f"{fault}. An uncorrectable error was counted in this step, as is said beside it", of_data=True)
    else:
        findings.broken(str(fault))


def _not_run(why: str, steps: tuple[Step, ...]) -> str:
    return f"{why}; not run: {', '.join(kind_of(step) for step in steps)}"
