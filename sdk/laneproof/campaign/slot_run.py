"""One slot from open to close: every step in order, error deltas around each, and what an error means for the verdict.

Runs in a thread (a simulated card) or in a process of its own (a physical one); either way it only emits events.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable

import attrs

from laneproof import endpoint as endpoints
from laneproof.campaign import own_steps
from laneproof.campaign.after_step import Epoch
from laneproof.campaign.events import Event, Expecting, Noted, Opened, SlotFinished, StepFinished, StepStarted
from laneproof.campaign.guard import Guard
from laneproof.campaign.link_errors import plain_errors, plain_link
from laneproof.campaign.meeting import Meeting, Meets, Message
from laneproof.campaign.plan import kind_of
from laneproof.campaign.power import judge_slot
from laneproof.campaign.results import Findings, Plain, Reason, StepResult
from laneproof.campaign.slot_job import OPEN_GRACE_S, SlotJob, not_run, reaches
from laneproof.campaign.start import CommonStart
from laneproof.campaign.starvation import Wakefulness
from laneproof.campaign.steps import Slot, Step
from laneproof.campaign.trying_again import TryingAgain, is_another, plain_identity, said_identity
from laneproof.campaign.verdict import Verdict
from laneproof.endpoint import Endpoint
from laneproof.errors import (
    BadInput,
    CannotOpen,
    DeviceLost,
    DriverFault,
    Interrupted,
    LaneproofError,
    NotOffered,
    TransferTimeout,
)
from laneproof.readings import ErrorReading, Identity, LinkReading, Unavailable
from laneproof.units import format_bytes

EXAMINE_S = 20.0
"""Real seconds after which no other block that came back wrong is examined: for some a computer takes several."""


class SlotRun:
    """Runs a job. `stop` ends it from another thread: nothing more is begun."""

    def __init__(self, job: SlotJob, emit: Callable[[Event], None], start: CommonStart | None = None) -> None:
        """`start`: where it waits for others before its first step."""
        self._job = job
        self._emit = emit
        self._start = CommonStart([job.name]) if start is None else start
        self._stop = threading.Event()
        self._meeting = Meeting(job.name, emit, self._stop, answered=job.among_others)
        self._endpoint: Endpoint | None = None
        self._at_once = False
        """Whether it is asked to end without finishing anything."""
        self._interrupted = False
        """Whether the operator ended it before its end."""
        self._again = TryingAgain(job, emit, self._stop)
        self._rule = ""
        """What ended it, where that was no operator."""
        self._guard = Guard.of(job.planned, lambda rule, at_once: self.stop(rule, at_once=at_once))

    def stop(self, rule: str = "", *, at_once: bool = False) -> None:
        """End it: because of a `rule` of the plan's, else because the operator asks; what comes first counts.

        The transfer under way is finished: what has been sent comes back and is verified. `at_once`: it is interrupted.
        May be called again and again, until the slot has finished.
        """
        if not self._stop.is_set():
            self._rule = rule
        self._at_once |= at_once
        self._stop.set()
        endpoint = self._endpoint
        if at_once and endpoint is not None:
            endpoint.interrupt()

    def tell(self, message: Message) -> None:
        """What the run answers to a slot that meets others. From another thread."""
        self._meeting.tell(message)

    def run(self) -> None:
        """Emits events, the last of them SlotFinished. Raises nothing."""
        try:
            reasons = self._open_and_run()
        except Interrupted:
            reasons = [Reason(Verdict.INCONC, f"{self._stopped()} before the first step")]
        except LaneproofError as error:
            reasons = [Reason(Verdict.ERROR, str(error))]
        except Exception as error:  # a driver may raise anything; the other slots go on
            reasons = [Reason(Verdict.ERROR, f"unexpected {own_steps.told(error)}")]
        finally:
            self._start.leave_out(self._job.name)
        self._emit(SlotFinished(self._job.name, tuple(reasons), self._interrupted))

    def _open_and_run(self) -> list[Reason]:
        job, left = self._job, list(self._job.left.items())
        if left and reaches(job.so_far.worst, job.stop_on):
            return [Reason(Verdict.NONE, not_run(self._stop_rule(), left))]
        with self._open() as card:
            self._endpoint = card
            origin_s = card.clock.now_s()
            link, errors = card.read_link(), card.read_errors()
            epoch = Epoch.of(link, errors, origin_s)
            opened = _opened(card, link, errors)
            self._emit(Opened(job.name, card.clock.virtual, opened, card.physical, card.caveats))
            told = self._tell_of_resuming(opened["identity"], card.clock.now_s() - origin_s)
            if (power := judge_slot(job.planned, link)) is not None:
                told.append(power)
                if power.verdict is not Verdict.PASS:
                    return [*told, Reason(Verdict.NONE, not_run("no load was put on the slot", left))]
            if self._guard is not None:
                self._guard.begin(card.clock.now_s() - origin_s, card.read_conditions().sensors)
            self._start.wait(job.name, self._stop)
            for number, (position, step) in enumerate(left):
                self._meeting.join(position, card.clock, _meets(step))
                if self._stop.is_set():
                    return [*told, Reason(Verdict.INCONC, not_run(self._stopped(), left[number:]))]
                ended, gone = self._one_step(card, epoch, position, step)
                rest = left[number + 1 :]
                if gone and rest:
                    ended = self._again.bring_back(card, epoch, position, opened["identity"], ended)
                if ended and rest:
                    return [*told, Reason(Verdict.NONE, not_run(ended, rest))]
        if self._guard is not None and self._guard.tripped:
            told.append(Reason(Verdict.INCONC, f"a limit of the plan's was passed ({self._guard.tripped})"))
        return told

    def _open(self) -> Endpoint:
        """Raises what opening raises, once no try is left; Interrupted once it is stopped."""
        job = self._job
        while True:
            self._emit(Expecting(job.name, OPEN_GRACE_S))
            try:
                # Whoever started the run has shown the cautions.
                return endpoints.open(job.planned.uri, observe=job.planned.observe, acknowledge_cautions=True)
            except (CannotOpen, DeviceLost, DriverFault) as error:
                self._start.leave_out(job.name)
                if not self._again.wait_to_open(str(error.args[0])):
                    raise

    def _stop_rule(self) -> str:
        return f'stopped by the plan (stop_slot_on = "{self._job.stop_on}", and this slot had a step that ended so)'

    def _stopped(self) -> str:
        """Note that it was stopped before its end; return by what."""
        if self._rule:
            return f"stopped by the plan ({self._rule})"
        self._interrupted = True
        return "interrupted"

    def _tell_of_resuming(self, identity: Plain, clock_s: float) -> list[Reason]:
        """Put on record that the slot goes on, and with what. Raises BadInput for another card than before."""
        job, before = self._job, self._job.so_far.identity
        remarks = list(job.remarks)
        if before is not None and before != identity:
            if is_another(before, identity):
                raise BadInput(
                    f"the card is another one: it was {said_identity(before)}, is {said_identity(identity)}; put the "
                    "first one back to resume, or start a new run"
                )
            remarks.append(f"the card's components were {before.get('components')}, are {identity.get('components')}")
        for text in remarks:
            self._emit(Noted(job.name, min(job.left, default=0), clock_s, "resumed", text))
        return [Reason(Verdict.PASS, text) for text in remarks]

    def _one_step(self, card: Endpoint, epoch: Epoch, position: int, step: Step) -> tuple[str, bool]:
        """Run one step; return why no other can follow it, or nothing, and whether the card may be tried again."""
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
            guard=self._guard,
            origin_s=epoch.origin_s,
            segment=job.segment,
            among_others=job.among_others and _meets(step) != "apart",
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
                slot.observation.begin(epoch.conditions, epoch.errors)
                own_steps.take(step, slot, findings)
        except DeviceLost as error:
            lost = error
        except Interrupted as error:
            if not self._stop.is_set():
                findings.broken(f"interrupted, though nobody had asked for it: {error.args[0]}")
            else:
                interrupted = self._ended_early(findings)
        except TransferTimeout as error:
            findings.failed(f"the transfer stalled: {error.args[0]}", of_data=True, of_stall=True)
        except DriverFault as error:
            fault = error
        except (NotOffered, BadInput) as error:
            findings.broken(f"the plan asks for what this card cannot do: {error.args[0]}")
        except LaneproofError as error:
            findings.broken(str(error))
        finished_s = slot.elapsed_s()
        self._emit(Expecting(job.name, OPEN_GRACE_S))
        after = epoch.read_after(card, slot, identity, lost)
        if slot.among_others:
            company = self._meeting.part(position, slot.at_work, wait=after.lost is None)
            if not findings.reasons:
                step.judge_beside(slot, company, findings)
        if not card.clock.virtual:
            findings.doubt_rates(awake.starved)
            findings.doubt_stalls(awake.stood_still)
        epoch.judge(step, slot, after, findings, fault=fault, identity=identity)
        if slot.damage and job.examine_damage:
            findings.measures["damage"] = self._examined(slot)
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
        ruled = reaches(findings.verdict, job.stop_on)
        if after.lost is not None:
            return "the card is lost", not ruled
        if ruled:
            return self._stop_rule(), False
        return self._back_in_step(card, slot)

    def _examined(self, slot: Slot) -> Plain:
        """The damage of a step, for as long as there is time: every block announced, as none other is heard of then."""
        until_s = math.inf if slot.endpoint.clock.virtual else time.monotonic() + EXAMINE_S

        def go_on() -> bool:
            self._emit(Expecting(self._job.name, OPEN_GRACE_S))
            return not self._at_once and time.monotonic() < until_s

        return slot.damage.to_dict(go_on)

    def _ended_early(self, findings: Findings) -> str:
        """Say that the step was stopped; returns that where a resumed run takes it up again, else nothing."""
        stopped = self._stopped()
        findings.inconclusive(
            f"{stopped} after {format_bytes(findings.bytes_moved)} had come back; what was measured is kept"
        )
        return findings.reasons[-1].text if self._interrupted else ""  # what a rule has ended is not taken up again

    def _back_in_step(self, card: Endpoint, slot: Slot) -> tuple[str, bool]:
        if self._stop.is_set() or all(channel.in_step for channel in card.channels):
            return "", False
        self._emit(Expecting(self._job.name, OPEN_GRACE_S))
        try:
            recovery = card.recover()
        except LaneproofError as error:
            return f"the card could not be brought back in step: {error}", True
        slot.note(
            "recovery",
            f"brought back in step after a fault: {recovery.how}, {recovery.discarded_bytes} bytes discarded",
        )
        return "", False


def _meets(step: Step) -> Meets:
    """A user's own step is taken when the slot comes to it: nothing is known of what it would be judged by."""
    return "apart" if own_steps.is_own(step) else step.meets


def _opened(card: Endpoint, link: LinkReading, errors: ErrorReading) -> Plain:
    return {
        "identity": plain_identity(card.identity),
        "channels": [{"name": channel.name, **attrs.asdict(channel.limits)} for channel in card.channels],
        "link": plain_link(link),
        "ambient_errors": plain_errors(errors),
    }
