"""One slot from open to close: every step in order, error deltas around each, and what an error means for the verdict.

Runs in a thread (a simulated card) or in a process of its own (a physical one); either way it only emits events.
"""

from __future__ import annotations

import json
import threading
import traceback
from collections.abc import Callable, Sequence

import attrs
from attrs import field, frozen

from laneproof import endpoint as endpoints
from laneproof.campaign.carried import SlotSoFar
from laneproof.campaign.conditions import judge_host
from laneproof.campaign.events import Event, Expecting, Noted, Opened, SlotFinished, StepFinished, StepStarted
from laneproof.campaign.link_errors import plain_errors, plain_link
from laneproof.campaign.link_evidence import link_events, uncorrectable, unread
from laneproof.campaign.link_state import Trained, judge_at_rest, judge_kept, judge_unseen, trained
from laneproof.campaign.plan import PlannedEndpoint, StopOn, kind_of
from laneproof.campaign.results import Findings, Plain, Reason, StepResult
from laneproof.campaign.start import CommonStart
from laneproof.campaign.starvation import Wakefulness
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

NAMED_STEPS = 8
"""Steps not run that a reason names."""
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
    """By position, repetitions one after another."""
    repeat: int = 1
    seed: int
    stop_on: StopOn = "never"
    """After which verdict of a step no other is taken."""
    segment: int = 0
    """Which process of the run this is: 0, and one more each time that it was resumed."""
    so_far: SlotSoFar = field(factory=SlotSoFar)
    """What the earlier ones left on record."""
    remarks: tuple[str, ...] = ()
    """What is to be said of the slot's going on: the gap, and what is not as it was."""

    @property
    def left(self) -> dict[int, Step]:
        """The steps that were not judged yet, by their positions."""
        return {at: step for at, step in enumerate(self.steps) if at not in self.so_far.judged}


@frozen
class Stop:
    """Asks a slot in another process to end, as `SlotRun.stop` does."""

    rule: str = ""


@frozen(kw_only=True)
class _After:
    """What was read after a step: the loss, if the card is lost; errors added, None where they could not be read and
    why not; and the identity, None where it was not known before."""

    lost: DeviceLost | None
    added: ErrorReading | None
    unread: str
    identity: Identity | Unavailable | None


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
        self._interrupted = False
        """Whether the operator ended it before its end."""
        self._rule = ""
        """What ended it, where that was no operator."""

    def stop(self, rule: str = "") -> None:
        """End it: because of a `rule` of the plan's, else because the operator asks. What comes first counts; may be
        called again and again, until the slot has finished."""
        if not self._stop.is_set():
            self._rule = rule
        self._stop.set()
        endpoint = self._endpoint
        if endpoint is not None:
            endpoint.interrupt()

    def run(self) -> None:
        """Emits events, the last of them SlotFinished. Raises nothing."""
        try:
            reasons = self._open_and_run()
        except Interrupted:
            reasons = [Reason(Verdict.INCONC, f"{self._stopped()} before the first step")]
        except LaneproofError as error:
            reasons = [Reason(Verdict.ERROR, str(error))]
        except Exception as error:  # a driver may raise anything; the other slots go on
            last = traceback.extract_tb(error.__traceback__)[-1]
            place = f"{last.name}, line {last.lineno}"
            reasons = [Reason(Verdict.ERROR, f"unexpected {type(error).__name__} in {place}: {error}")]
        finally:
            self._start.leave_out(self._job.name)
        self._emit(SlotFinished(self._job.name, tuple(reasons), self._interrupted))

    def _open_and_run(self) -> list[Reason]:
        job = self._job
        self._emit(Expecting(job.name, OPEN_GRACE_S))
        # Whoever started the run has shown the cautions.
        with endpoints.open(job.planned.uri, observe=job.planned.observe, acknowledge_cautions=True) as card:
            self._endpoint = card
            origin_s = card.clock.now_s()
            link, self._errors = card.read_link(), card.read_errors()
            self._best = trained(link.near) or trained(link.far)
            opened = _opened(card, link, self._errors)
            self._emit(Opened(job.name, card.clock.virtual, opened, card.physical, card.caveats))
            told = self._tell_of_resuming(opened["identity"], card.clock.now_s() - origin_s)
            self._start.wait(job.name, self._stop)
            left = list(job.left.items())
            for number, (position, step) in enumerate(left):
                if self._stop.is_set():
                    return [*told, Reason(Verdict.INCONC, not_run(self._stopped(), left[number:]))]
                ended = self._one_step(card, position, step, origin_s)
                rest = left[number + 1 :]
                if ended and rest:
                    return [*told, Reason(Verdict.NONE, not_run(ended, rest))]
        return told

    def _stopped(self) -> str:
        """Note that it was stopped before its end; return by what."""
        if self._rule:
            return f"stopped by the plan ({self._rule})"
        self._interrupted = True
        return "interrupted"

    def _tell_of_resuming(self, identity: Plain, clock_s: float) -> list[Reason]:
        """Put on record that the slot goes on, and with what. Raises BadInput for another card than before."""
        job, before = self._job, self._job.so_far.identity
        identity = json.loads(json.dumps(identity))  # as a ledger has it
        remarks = list(job.remarks)
        if before is not None and before != identity:
            if any(before.get(key) != identity.get(key) for key in ("model", "serial")):
                raise BadInput(
                    f"the card is another one: it was {_said_identity(before)}, is {_said_identity(identity)}; put the "
                    "first one back to resume, or start a new run"
                )
            remarks.append(f"the card's components were {before.get('components')}, are {identity.get('components')}")
        for text in remarks:
            self._emit(Noted(job.name, min(job.left, default=0), clock_s, "resumed", text))
        return [Reason(Verdict.PASS, text) for text in remarks]

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
            segment=job.segment,
            carried=job.so_far.under_way.get(position),
        )
        carried = None if slot.carried is None else slot.carried.to_dict()
        left_s = step.planned_s
        if left_s is not None and slot.carried is not None:
            left_s = max(0.0, left_s - slot.carried.seconds)
        self._emit(StepStarted(job.name, position, kind_of(step), carried, slot.elapsed_s(), left_s))
        self._emit(Expecting(job.name, OPEN_GRACE_S))
        findings = Findings()
        started_s = slot.elapsed_s()
        lost: DeviceLost | None = None
        fault: DriverFault | None = None
        identity: Identity | Unavailable | None = None
        interrupted = ""
        awake = Wakefulness()
        try:
            identity = card.identity
            with slot.observation, awake:
                slot.observation.begin(self._conditions, self._errors)
                step.run(slot, findings)
        except DeviceLost as error:
            lost = error
        except Interrupted:
            text = (
                f"{self._stopped()} after {format_bytes(findings.bytes_moved)} had come back; what was measured is kept"
            )
            findings.inconclusive(text)
            interrupted = text if self._interrupted else ""  # what a rule has ended is not taken up again
        except TransferTimeout as error:
            findings.failed(f"the transfer stalled: {error.args[0]}", of_data=True, of_stall=True)
        except DriverFault as error:
            fault = error
        except (NotOffered, BadInput) as error:
            findings.broken(f"the plan asks for what this card cannot do: {error.args[0]}")
        except LaneproofError as error:
            findings.broken(str(error))
        finished_s = slot.elapsed_s()
        if not card.clock.virtual:
            findings.doubt_rates(awake.starved)
            findings.doubt_stalls(awake.stood_still)
        after = self._read_after(card, slot, identity, lost)
        if after.lost is not None:
            if fault is not None:
                findings.inconclusive(str(fault))
            events = [] if step.trains else link_events(after.added, slot.observation)
            _judge_loss(after.lost, after, slot.observation, events, findings)
        else:
            if fault is not None:
                _judge_fault(fault, after, slot.observation, findings)
            if after.added is not None and findings.verdict is not Verdict.NONE:
                step.judge_errors(after.added, findings)
            if after.identity != identity and not step.trains:
                findings.broken(f"the card changed its identity during the step, from {identity} to {after.identity}")
            if after.unread:
                findings.inconclusive(
                    f"what the card and its link show after the step could not be read: {after.unread}"
                )
        self._judge_beside(step, slot.observation, findings, lost=after.lost is not None)
        if slot.carried is not None:
            step.judge_carried(slot.carried, after.added, findings)
        if not findings.reasons:
            findings.nothing("nothing was judged")
        self._emit(
            StepFinished(
                job.name,
                StepResult(
                    position=position,
                    repetition=position * job.repeat // len(job.steps) + 1,
                    kind=kind_of(step),
                    verdict=findings.verdict,
                    reasons=tuple(findings.reasons),
                    started_s=started_s,
                    finished_s=finished_s,
                    bytes_moved=findings.bytes_moved,
                    measures=findings.measures,
                    errors={} if after.added is None else plain_errors(after.added),
                    conditions=slot.observation.to_dict(),
                ),
                interrupted,
            )
        )
        if after.lost is not None:
            return "the card is lost"
        if reaches(findings.verdict, job.stop_on):
            return f'stopped by the plan (stop_slot_on = "{job.stop_on}", and this slot had a step that ended so)'
        return self._back_in_step(card, slot)

    def _read_after(
        self, card: Endpoint, slot: Slot, identity: Identity | Unavailable | None, lost: DeviceLost | None
    ) -> _After:
        """Errors, identity, link and conditions after a step; of a card that is `lost`, or turns out to be, what can be
        read of them all the same."""
        added: ErrorReading | None = None
        unread = ""
        self._emit(Expecting(self._job.name, OPEN_GRACE_S))
        try:
            card.clock.sleep(ERROR_SETTLE_S)
            now_errors = card.read_errors()
            # Since the step before was read, so that nothing falls between two steps.
            added, self._errors = now_errors.since(self._errors or now_errors), now_errors
            if lost is None:
                identity = identity if identity is None else card.identity
                slot.observation.end()
        except DeviceLost as error:
            lost, unread = lost or error, str(error)
        except LaneproofError as error:
            unread = str(error)
        if lost is not None:
            self._emit(Expecting(self._job.name, OPEN_GRACE_S))
            slot.observation.after_loss()
        return _After(lost=lost, added=added, unread=unread, identity=identity)

    def _judge_beside(self, step: Step, seen: Observation, findings: Findings, *, lost: bool) -> None:
        """What link and conditions, as read beside the step, say of it."""
        self._conditions = seen.latest or self._conditions
        if not lost and not step.trains and seen.first_link is not None and seen.last_link is not None:
            self._best = judge_kept(seen.first_link, seen.under_load, self._best, findings)
            if seen.link_moved:
                judge_at_rest(seen.first_link, seen.last_link, seen.under_load, findings)
            else:
                judge_unseen(seen.first_link, seen.last_link, findings)
        if findings.verdict is not Verdict.NONE and seen.before is not None and seen.latest is not None:
            step.judge_lanes(seen.flags, findings)
            # What is reported of a link that is taken down on purpose is the step's to judge.
            before = attrs.evolve(seen.before, reported=seen.latest.reported) if step.trains else seen.before
            judge_host(before, seen.latest, findings)

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


def _judge_loss(error: DeviceLost, after: _After, seen: Observation, events: list[str], findings: Findings) -> None:
    """A slot that drops its link under load fails; a card that is gone for no reason to be seen is inconclusive.

    `events` are what befell the link in this step.
    """
    so_far = error.so_far
    moved = f" after {format_bytes(so_far.bytes_received)} had come back" if isinstance(so_far, Comparison) else ""
    lost = f"the card was lost{moved}: {error.args[0]}"
    if error.link_evidence:
        findings.failed(f"{lost}. The link went down: {error.link_evidence}")
    elif events:
        findings.failed(f"{lost}. On record of its link in this step: {'; '.join(events)}")
    else:
        missing = "; ".join(unread(after.added, after.unread, seen))
        but = f" ({missing})" if missing else ""
        findings.inconclusive(
            f"{lost}. Nothing shows that the link went down{but}, so slot, card and driver all remain possible"
        )


def _judge_fault(fault: DriverFault, after: _After, seen: Observation, findings: Findings) -> None:
    """A driver's fault is the test system's, unless an uncorrectable error shows that it had something to report."""
    errors = uncorrectable(after.added, seen)
    if errors:
        findings.failed(f"{fault}. An uncorrectable error is on record in this step: {'; '.join(errors)}", of_data=True)
    else:
        findings.broken(str(fault))


def reaches(verdict: Verdict, stop_on: StopOn) -> bool:
    """Whether a verdict is as bad as a stop rule names."""
    return stop_on != "never" and verdict >= Verdict[stop_on.upper()]


def not_run(why: str, steps: Sequence[tuple[int, Step]]) -> str:
    """The sentence that says so; many steps are said by their number."""
    named = ", ".join(kind_of(step) for _, step in steps[:NAMED_STEPS])
    more = len(steps) - NAMED_STEPS
    return f"{why}; not run: {named}{f' and {more} more' if more > 0 else ''}"


def _said_identity(identity: Plain) -> str:
    if "unavailable" in identity:
        return f"not known ({identity['unavailable']})"
    return f"{identity['model']}, serial {identity['serial'] or 'not given'}"
