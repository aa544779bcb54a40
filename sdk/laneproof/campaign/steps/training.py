"""One training of a link: brought about, timed, looked at, held to what is expected. What many mean is in `train`."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Literal

import attrs
from attrs import field, frozen

from laneproof.campaign.conditions import describe_report, reported_since
from laneproof.campaign.events import Expecting, Sampled
from laneproof.campaign.link_errors import counted, judge_link_errors
from laneproof.campaign.link_state import Trained, judge_link, trained
from laneproof.campaign.results import Findings
from laneproof.campaign.steps.command import LOOK_EVERY_S, run_command
from laneproof.campaign.steps.slot import Slot
from laneproof.campaign.verdict import Verdict
from laneproof.contract import ResetLevel
from laneproof.documents import printable
from laneproof.errors import CannotOpen, DeviceLost, DriverFault, Interrupted, LaneproofError
from laneproof.integrity import Comparison
from laneproof.readings import Conditions, ErrorReading, LinkReading, PartnerErrors, Unavailable, known

if TYPE_CHECKING:
    from laneproof.campaign.steps.train import TrainStep

By = Literal["retrain", "hot reset", "command"]
COUNTED_S = 0.01
"""Seconds by the card's clock after which errors are taken to be counted: who counts them is told a little later."""
RETURN_S = 10.0
"""Seconds beyond its limit that a card is given to come back: late is worth knowing too."""
BLOCKS = 8
"""Blocks that the data after each training are cut into, so that the link is looked at while some are under way."""


@frozen(kw_only=True)
class Training:
    """What became of one training. `seconds` from the request to the link being active; None where it never was.

    `slow` and `bad` say what was wrong, if anything: that it took too long, which a tester that was kept from looking
    may have made up, and what else. Of that, no limit allows `damage`, data that came back wrong or not at all, and
    `grave`, uncorrectable errors. `unseen`: why it does not count as a training, since nothing shows that there was
    one, or what came of it. `gaps` are things that could not be judged of one that counts.
    """

    number: int
    trained: Trained | None = None
    seconds: float | None = None
    resolution_s: float | None = None
    equalisation: str = "not shown"
    slow: tuple[str, ...] = ()
    bad: tuple[str, ...] = ()
    damage: tuple[str, ...] = ()
    grave: tuple[str, ...] = ()
    unseen: str = ""
    gaps: tuple[str, ...] = ()
    excluded: ErrorReading | None = None
    """Errors counted from the request until the link had settled: the training's own."""
    bytes_moved: int = 0
    lost: DeviceLost | None = field(default=None, eq=False)
    """The card is gone, and does not come back."""

    @property
    def wrong(self) -> tuple[str, ...]:
        """Everything that was wrong; empty for a good one."""
        return (*self.slow, *self.bad)


@frozen
class _Back:
    """The link is active again, and the card answers."""

    seconds: float | None
    resolution_s: float | None = None
    unseen: str = ""


@frozen
class _Link:
    """What it trained to, what is bad of that, or why it cannot be judged."""

    trained: Trained | None
    bad: tuple[str, ...] = ()
    unseen: str = ""


@frozen(kw_only=True)
class _Errors:
    """As in `Training`."""

    bad: tuple[str, ...] = ()
    grave: tuple[str, ...] = ()
    gaps: tuple[str, ...] = ()


class _Late(Exception):
    """The link, or the card, was not back in time: a sentence that says so; `lost` where the card is gone."""

    def __init__(self, text: str, lost: DeviceLost | None = None) -> None:
        super().__init__(text)
        self.lost = lost


class Trainer:
    """Trains the link of one slot again and again, and keeps what one training has to know of those before it."""

    def __init__(self, slot: Slot, wanted: TrainStep) -> None:
        self._slot = slot
        self._card = slot.endpoint
        self._wanted = wanted
        self._identity = self._card.identity
        self._errors = self._card.read_errors()
        self._wrote = ""

    def train(self, number: int) -> Training:
        """One training, and the card in step after it unless the result has it `lost`.

        Raises CommandFailed, Interrupted, NotOffered, and DriverFault where nothing says that link or card failed.
        """
        if self._slot.stop.is_set():
            raise Interrupted("stopped before the next training")
        try:
            back = self._bring_about()
        except _Late as late:
            return self._not_back(number, late)
        try:
            return self._in_step(self._judge(number, back))
        except DeviceLost as lost:
            return self._not_back(number, _Late(f"the card was lost right after it: {lost.args[0]}", lost))

    def _in_step(self, one: Training) -> Training:
        """Bring the card back in step after data that did not come back as they should."""
        if all(channel.in_step for channel in self._card.channels):
            return one
        self._expect(RETURN_S)
        try:
            self._card.recover(RETURN_S)
        except (DeviceLost, DriverFault, CannotOpen) as error:
            text = f"the card could not be brought back in step: {error.args[0]}"
            return attrs.evolve(one, lost=DeviceLost(text, link_evidence=self._evidence()))
        return one

    # --- bringing it about

    def _bring_about(self) -> _Back:
        wanted, clock = self._wanted, self._card.clock
        begun_s = clock.now_s()
        try:
            if wanted.by == "retrain":
                self._expect(wanted.limit_s + RETURN_S)
                done = self._card.retrain(wanted.limit_s + RETURN_S)
                self._note_write(done.wrote)
                if done.seconds is None and done.seen:
                    raise self._down("the link was still down or in training")
                why = "" if done.seen else f"the port showed no training after {done.wrote} was written"
                return _Back(done.seconds, done.resolution_s, why)
            if wanted.by == "hot reset":
                self._expect(wanted.limit_s + RETURN_S)
                self._note_write("a hot reset, by the card's driver")
                self._card.reset(ResetLevel.LINK, wanted.limit_s + RETURN_S)
                return _Back(clock.now_s() - begun_s)
            return self._by_command()
        except DeviceLost as lost:
            raise _Late(f"the card was gone: {lost.args[0]}", lost) from lost
        except DriverFault as fault:
            if self._near_down():
                raise self._down(str(fault.args[0])) from fault
            raise

    def _by_command(self) -> _Back:
        """Run the command, then bring the card back in step until it answers."""
        wanted, clock = self._wanted, self._card.clock
        before, epochs = self._card.read_link(), _epochs(self._errors)
        was_away = False

        def look() -> None:
            nonlocal was_away
            was_away = was_away or self._near_down()

        self._note_write(f"the command {printable(shlex.join(wanted.command))}, run on this computer")
        self._expect(wanted.command_timeout)
        run_command(wanted.command, wanted.command_timeout, self._slot.stop, look)
        begun_s = clock.now_s()
        while True:
            self._expect(2 * RETURN_S)
            try:
                how = self._card.recover(RETURN_S).how
                _ = self._card.identity  # it answers
                break
            except (DeviceLost, DriverFault, CannotOpen) as error:
                was_away = True
                if clock.now_s() - begun_s >= wanted.limit_s:
                    evidence = self._evidence()
                    lost = DeviceLost(str(error.args[0]), link_evidence=evidence)
                    raise _Late(
                        f"the card was not back {wanted.limit_s:g} s after the command: {lost}", lost
                    ) from error
            if self._slot.stop.is_set():
                raise Interrupted("stopped while the card was away")
            clock.sleep(LOOK_EVERY_S)
        seconds, after = clock.now_s() - begun_s, self._card.read_link()
        flags = (getattr(known(reading.near), "bandwidth_management", None) for reading in (before, after))
        seen = was_away or how == "reconnected" or tuple(flags) == (False, True)
        seen = seen or epochs != _epochs(self._card.read_errors())
        return _Back(seconds, LOOK_EVERY_S, "" if seen else "nothing shows that the command made the link train")

    def _near_down(self) -> bool:
        """Whether the near port shows its link down, or the card is gone, as far as can be read."""
        try:
            near = known(self._card.read_link().near)
        except DeviceLost:
            return True
        except LaneproofError:
            return False
        return near is not None and near.active is False

    def _evidence(self) -> str:
        try:
            near = known(self._card.read_link().near)
        except LaneproofError:
            return ""
        return f"{near.name} shows its link down" if near is not None and near.active is False else ""

    def _down(self, text: str) -> _Late:
        return _Late(text, DeviceLost(text, link_evidence=self._evidence()))

    def _note_write(self, what: str) -> None:
        """Each register that is written is on record, and each training; what they write, once."""
        if what != self._wrote:
            self._wrote = what
            self._slot.note("write", f"for each training: {what}")

    def _expect(self, seconds: float) -> None:
        if not self._card.clock.virtual:
            self._slot.emit(Expecting(self._slot.name, seconds))

    # --- judging it

    def _judge(self, number: int, back: _Back) -> Training:
        wanted, card = self._wanted, self._card
        slow: tuple[str, ...] = ()
        if back.seconds is not None and back.seconds > wanted.limit_s:
            slow = (f"active after {back.seconds:.3g} s, at most {wanted.limit_s:g} s are allowed",)
        card.clock.sleep(wanted.settle)
        before, settled = self._errors, card.read_errors()
        excluded = settled.since(before)
        another, answers = self._same_card()
        reading, around = card.read_link(), card.read_conditions()
        data, loaded = self._verify(number) if answers else (None, None)
        card.clock.sleep(COUNTED_S)
        self._errors = card.read_errors()
        damage = _damage(data)
        link, errors = self._judge_link(loaded or reading), self._judge_errors(self._errors.since(settled))
        reported = [
            f"once it was active, {describe_report(error)}"
            for error in reported_since(around, card.read_conditions())
            if not error.severity.lower().startswith("correct")
        ]
        return Training(
            number=number,
            trained=link.trained,
            seconds=back.seconds,
            resolution_s=back.resolution_s,
            equalisation=_equalisation(around, link.trained),
            slow=slow,
            bad=(*another, *link.bad, *damage, *errors.bad, *reported),
            damage=damage,
            grave=(*errors.grave, *reported),
            unseen=back.unseen or link.unseen,
            gaps=errors.gaps,
            excluded=excluded,
            bytes_moved=0 if data is None else data.bytes_received,
        )

    def _same_card(self) -> tuple[tuple[str, ...], bool]:
        """What is wrong of its identity, and whether it answers."""
        before = self._identity
        try:
            self._identity = self._card.identity
        except DriverFault as fault:
            return (f"the card did not answer: {fault.args[0]}",), False
        if self._identity == before:
            return (), True
        return (f"another identity than before: {self._identity}, not {before}",), True

    def _verify(self, number: int) -> tuple[Comparison | None, LinkReading | None]:
        """Data out and back, and the link as it was under them; None of what there was none."""
        slot, wanted = self._slot, self._wanted
        if not wanted.verify:
            return None, None
        nbytes = slot.whole(wanted.verify)
        before, begun_s = slot.observation.last_link, self._card.clock.now_s()
        data = slot.check(
            wanted.pattern,
            nbytes,
            block=min(slot.whole(-(-nbytes // BLOCKS)), slot.largest_transfer()),
            done=(number - 1) * nbytes,
            total=wanted.count * nbytes,
        )
        seconds = self._card.clock.now_s() - begun_s
        slot.emit(
            Sampled(
                slot.name,
                slot.step,
                slot.elapsed_s(),
                data.bytes_received,
                seconds,
                verified_bytes=data.bytes_checked,
                mismatched_bits=data.mismatched_bits,
            )
        )
        seen = slot.observation.last_link
        return data, None if seen is before else seen

    def _judge_link(self, reading: LinkReading) -> _Link:
        found = Findings()
        judge_link([reading], self._slot.expectation, found)
        (reason,) = found.reasons
        shown = trained(reading.near) or trained(reading.far)
        wanted = found.measures.get("expected")
        if reason.verdict is Verdict.PASS:
            return _Link(shown)
        if reason.verdict is not Verdict.FAIL:
            return _Link(shown, unseen=reason.text)
        if shown is None or wanted is None:
            return _Link(shown, bad=(reason.text,))
        expected = Trained(wanted["speed_gtps"], wanted["width"])
        return _Link(shown, bad=(f"{shown}, expected {expected}",))

    def _judge_errors(self, added: ErrorReading) -> _Errors:
        """Of errors counted once the link had settled."""
        found = Findings()
        judge_link_errors(added, self._wanted.max_link_errors, found)
        gaps = tuple(reason.text for reason in found.reasons if reason.verdict is Verdict.INCONC)
        if not any(reason.verdict is Verdict.FAIL for reason in found.reasons):
            return _Errors(gaps=gaps)
        bad = tuple(f"once it was active, {phrase}" for phrase in counted(added))
        return _Errors(bad=bad, grave=bad if _uncorrectable(added) else (), gaps=gaps)

    # --- a card that is not back

    def _not_back(self, number: int, late: _Late) -> Training:
        """Bad where the near port shows the link down; else it cannot be told whose fault it is. Then once more."""
        evidence = late.lost.link_evidence if late.lost is not None else ""
        text = f"{late}. {evidence}" if evidence else str(late)
        lost = late.lost
        if self._wanted.by == "hot reset":  # what was asked for anyway; after a retraining nobody has asked for it
            try:
                self._expect(self._wanted.limit_s + RETURN_S)
                self._card.reset(ResetLevel.LINK, self._wanted.limit_s + RETURN_S)
                if not all(channel.in_step for channel in self._card.channels):
                    self._card.recover()
                self._errors = self._card.read_errors()
                lost = None
            except (DeviceLost, DriverFault, CannotOpen):
                pass
        if evidence:
            return Training(number=number, bad=(text,), lost=lost)
        return Training(number=number, unseen=f"{text}; nothing shows that the link was down", lost=lost)


def _epochs(errors: ErrorReading) -> tuple[str | None, ...]:
    return tuple(end.epoch if isinstance(end, PartnerErrors) else None for end in (errors.near, errors.far))


def _uncorrectable(added: ErrorReading) -> bool:
    """Whether an uncorrectable error was counted at either end."""
    ends = [end for end in (known(added.near), known(added.far)) if end is not None]
    counts = [count for end in ends for group in (end.nonfatal, end.fatal) for count in group.values()]
    return any(not isinstance(count, Unavailable) and count.n for count in counts)


def _equalisation(around: Conditions, now: Trained | None) -> str:
    """Whether both ends that show it completed the equalisation for the speed that the link has."""
    if now is None or now.speed_gtps < 8:
        return "not due"
    ends = [end for end in (known(around.near), known(around.far)) if end is not None]
    shown = [end.equalisation[now.speed_gtps] for end in ends if now.speed_gtps in end.equalisation]
    if not shown:
        return "not shown"
    return "complete" if all("complete" in flags for flags in shown) else "not complete"


def _damage(data: Comparison | None) -> tuple[str, ...]:
    if data is None or data.ok:
        return ()
    if data.mismatched_bytes:
        return (f"{data.mismatched_bytes} of {data.bytes_checked} bytes came back wrong",)
    if data.surplus_bytes:
        return (f"at least {data.surplus_bytes} bytes came back that were never sent",)
    stalled = "the transfer stalled: " if data.stalled else ""
    return (f"{stalled}{data.bytes_received} of {data.bytes_expected} bytes came back",)
