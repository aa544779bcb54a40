"""`train`: has the link train again and again; how often does it come up wrong, and how sure is that?

One bad training in 200 is a fault that no soak sees, since what has come up well stays so. How one is brought about
and looked at is in `training`.
"""

from __future__ import annotations

import shlex
import statistics
from collections import Counter
from collections.abc import Iterable
from decimal import ROUND_DOWN, ROUND_UP, Context, Decimal
from typing import ClassVar

from attrs import field, frozen, validators

from laneproof.campaign.link_errors import too_many_link_errors
from laneproof.campaign.link_state import Trained
from laneproof.campaign.results import Findings, Plain
from laneproof.campaign.statistics import CONFIDENCE, chance_bound, chance_interval
from laneproof.campaign.steps.command import CommandFailed
from laneproof.campaign.steps.slot import Slot
from laneproof.campaign.steps.step import Step
from laneproof.campaign.steps.training import By, Trainer, Training
from laneproof.documents import Seconds, Share, Size
from laneproof.errors import BadInput
from laneproof.readings import ErrorReading, PartnerErrors, Unavailable

ACTIVE_S = 1.0
"""Seconds to be active again that are allowed unless the plan says otherwise: what Linux gives a retraining and a card
after a reset (drivers/pci/pci.c: PCIE_LINK_RETRAIN_TIMEOUT_MS, PCI_RESET_WAIT; from memory)."""
ACTIVE_AFTER_COMMAND_S = 60.0
"""The same after a command, which may have switched off the card's supply; assumed."""
NAMED = 8
"""Bad trainings that a reason names one by one."""
KEPT = 256
"""Bad trainings that the result lists."""


@frozen(kw_only=True)
class TrainStep(Step):
    """`count` trainings `by` a retraining, a hot reset or a command, each judged by itself; at most `max_bad` are bad.

    `settle` is the time that a link is given once it is active, before errors count against it, `verify` the data that
    are sent and verified after each training. `confidence` is that of the bound on the chance of a bad training.
    """

    trains: ClassVar[bool] = True

    by: By
    count: int = field(default=300, validator=validators.ge(1))
    command: tuple[str, ...] = ()
    command_timeout: Seconds = field(default=Seconds(60.0), validator=validators.gt(Seconds(0)))
    settle: Seconds = field(default=Seconds(0.01), validator=validators.ge(Seconds(0)))
    max_time_to_active: Seconds | None = field(default=None, validator=validators.optional(validators.gt(Seconds(0))))
    verify: Size = Size(64 << 10)
    pattern: str = "prbs31"
    max_link_errors: int = field(default=0, validator=validators.ge(0))
    max_bad: int = field(default=0, validator=validators.ge(0))
    confidence: Share = field(default=Share(CONFIDENCE), validator=[validators.gt(Share(0)), validators.lt(Share(1))])

    def __attrs_post_init__(self) -> None:
        if (self.by == "command") != bool(self.command):
            raise BadInput('by = "command" takes command = ["PATH", "ARGUMENT", …], and nothing else does')
        if self.max_bad >= self.count:
            raise BadInput(f"max_bad = {self.max_bad} of {self.count} trainings can never fail; give fewer")

    @property
    def limit_s(self) -> float:
        """Seconds that the link may take to be active again."""
        if self.max_time_to_active is not None:
            return self.max_time_to_active
        return ACTIVE_AFTER_COMMAND_S if self.by == "command" else ACTIVE_S

    @property
    def futile_limits(self) -> tuple[tuple[str, str], ...]:
        return too_many_link_errors(self.max_link_errors, self.verify)

    @property
    def planned_bytes(self) -> int:
        return self.count * self.verify

    @property
    def commands(self) -> tuple[str, ...]:
        return (shlex.join(self.command),) if self.command else ()

    @property
    def best_claim(self) -> str:
        bound = format_percent(chance_bound(0, self.count, self.confidence), ROUND_UP)
        return f"without a bad one in {self.count}, a chance of a bad training below {bound} at {self._sure}"

    def run(self, slot: Slot, findings: Findings) -> None:
        trainer, done = Trainer(slot, self), list[Training]()
        try:
            for number in range(1, self.count + 1):
                one = trainer.train(number)
                done.append(one)
                slot.note(*self._on_record(one))
                slot.observation.sample_if_due()
                if one.lost is not None:
                    raise one.lost
        except CommandFailed as failed:
            findings.broken(f"after {len(done)} of {self.count} trainings: {failed}")
        finally:
            findings.bytes_moved = sum(one.bytes_moved for one in done)
            findings.measures |= self._measures(done)
            self._judge(done, findings)

    def judge_errors(self, added: ErrorReading, findings: Findings) -> None:
        """Nothing: those of the trainings themselves are excluded, and the others judged with each training."""

    # --- what came of them

    def _judge(self, done: list[Training], findings: Findings) -> None:
        counted = [one for one in done if one.wrong or not one.unseen]
        bad = [one for one in counted if one.wrong]
        for one in counted:
            for text in one.damage:
                findings.failed(f"training {one.number}: {text}, which no limit allows", of_data=True)
            for text in one.grave:
                findings.failed(f"training {one.number}: {text}, which no limit allows")
        if bad and len(bad) > self.max_bad:
            ends = chance_interval(len(bad), len(counted), self.confidence)
            shown = "; ".join(f"number {one.number}: {', '.join(one.wrong)}" for one in bad[:NAMED])
            more = f"; and {len(bad) - NAMED} more" if len(bad) > NAMED else ""
            findings.failed(
                f"{len(bad)} of {len(counted)} trainings {self._how} {'was' if len(bad) == 1 else 'were'} bad, at most "
                f"{self.max_bad} may be: {shown}{more}. Trained to: {_histogram(counted)}. At {self._sure} the chance "
                f"of a bad training lies between {format_percent(ends.lower, ROUND_DOWN)} and "
                f"{format_percent(ends.upper, ROUND_UP)}",
                of_rate=sum(bool(one.bad) for one in bad) <= self.max_bad,
            )
        elif counted:
            bound = format_percent(chance_bound(len(bad), len(counted), self.confidence), ROUND_UP)
            findings.passed(
                f"{len(bad)} bad in {len(counted)} trainings {self._how}: the chance of a bad one is below {bound} at "
                f"{self._sure}. Trained to: {_histogram(counted)}"
            )
        for why, times in Counter(one.unseen for one in done if one.unseen and not one.wrong).items():
            findings.inconclusive(f"in {times} of {len(done)} trainings nothing can be told: {why}")
        for why, times in Counter(gap for one in counted for gap in one.gaps).items():
            findings.inconclusive(f"after {times} of {len(counted)} trainings, {why}")

    @property
    def _how(self) -> str:
        return {"retrain": "by Retrain Link", "hot reset": "by hot reset", "command": "by command"}[self.by]

    @property
    def _sure(self) -> str:
        return f"{100 * self.confidence:.6g} % confidence"

    def _measures(self, done: list[Training]) -> Plain:
        counted = [one for one in done if one.wrong or not one.unseen]
        bad = [one for one in counted if one.wrong]
        seconds = [one.seconds for one in counted if one.seconds is not None]
        measures: Plain = {
            "by": self.by,
            "trainings": len(counted),
            "trainings_not_told": len(done) - len(counted),
            "bad_trainings": len(bad),
            "bad": [{"number": one.number, "why": list(one.wrong)} for one in bad[:KEPT]],
            "trained_to": dict(Counter(_shown(one.trained) for one in counted)),
            "equalisation": dict(Counter(one.equalisation for one in counted)),
            "errors_while_training": _summed(one.excluded for one in done if one.excluded is not None),
            "seconds_to_active": None,
            "resolution_s": max((one.resolution_s for one in counted if one.resolution_s is not None), default=None),
            "chance_of_a_bad_training": None,
        }
        if seconds:
            measures["seconds_to_active"] = {
                "least": min(seconds),
                "median": statistics.median(seconds),
                "most": max(seconds),
            }
        if counted:
            measures["chance_of_a_bad_training"] = {
                "upper_bound": chance_bound(len(bad), len(counted), self.confidence),
                "confidence": self.confidence,
            }
        return measures

    def _on_record(self, one: Training) -> tuple[str, str]:
        """Kind and text of the event that keeps one training."""
        parts = [f"{one.number} of {self.count} {self._how}: {_shown(one.trained)}"]
        if one.seconds is not None:
            parts[0] += f" after {one.seconds:.6g} s"
        if one.excluded is not None and (own := _summed([one.excluded])):
            parts.append("while training: " + ", ".join(f"{n} {name}" for name, n in own.items()))
        parts += [f"bad: {why}" for why in one.wrong] + ([one.unseen] if one.unseen else [])
        return "bad training" if one.wrong else "training not told" if one.unseen else "training", "; ".join(parts)


def format_percent(chance: float, rounding: str) -> str:
    """A chance in per cent, two digits, rounded away from what would flatter: up for an upper end, down for a lower."""
    return f"{Context(prec=2, rounding=rounding).create_decimal(Decimal(100 * chance)):f} %"


def _shown(now: Trained | None) -> str:
    return "no link that is shown" if now is None else str(now)


def _histogram(done: list[Training]) -> str:
    counts = Counter(_shown(one.trained) for one in done)
    return ", ".join(f"{n} × {shown}" for shown, n in counts.most_common())


def _summed(readings: Iterable[ErrorReading]) -> dict[str, int]:
    """Errors by end and name, as far as they were counted: lower bounds."""
    sums: Counter[str] = Counter()
    for reading in readings:
        for end, errors in (("near", reading.near), ("far", reading.far)):
            if not isinstance(errors, PartnerErrors):
                continue
            for counts in (errors.correctable, errors.nonfatal, errors.fatal):
                for name, count in counts.items():
                    if not isinstance(count, Unavailable) and count.n:
                        sums[f"{name} ({end} end)"] += count.n
    return dict(sums)
