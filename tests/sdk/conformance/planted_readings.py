"""Mistakes on the queue card: in what it says of itself, its link and its errors."""

from __future__ import annotations

import time
from functools import partial
from typing import Any, cast

import attrs
from card_parts import Hardware, Readings
from planted import plant
from queue_card import MemoryQueue, QueueDriver

from laneproof.clock import Deadline
from laneproof.errors import DeviceLost
from laneproof.readings import (
    AtLeast,
    Conditions,
    ErrorReading,
    Exact,
    Identity,
    LinkReading,
    PartnerErrors,
    PartnerLink,
    Unavailable,
    known,
)

queue = partial(plant, "queue")


class SpeedsInMegatransfers(Readings):
    def read_link(self, deadline: Deadline) -> LinkReading:
        port = PartnerLink(name="port", speed_gtps=8000.0, width=4)
        return LinkReading(near=port, far=Unavailable("not read"))


class WiderThanItCan(Readings):
    def read_link(self, deadline: Deadline) -> LinkReading:
        port = PartnerLink(name="port", speed_gtps=8.0, width=8, max_width=4)
        return LinkReading(near=port, far=Unavailable("not read"))


class EndsThatDiffer(Readings):
    def read_link(self, deadline: Deadline) -> LinkReading:
        near, far = (PartnerLink(name=name, speed_gtps=8.0, width=width) for name, width in (("port", 4), ("card", 8)))
        return LinkReading(near=near, far=far)


def answering(**answers: Any) -> type[Readings]:
    """Readings whose methods of those names give those values."""
    methods = {name: lambda _, __, value=value: value for name, value in answers.items()}
    return type("WrongReadings", (Readings,), methods)


def with_counts(reading: ErrorReading, **counts: Any) -> ErrorReading:
    near = known(reading.near)
    assert near is not None
    return attrs.evolve(reading, near=attrs.evolve(near, **counts))


class ResetByReading(Readings):
    def read_errors(self, deadline: Deadline) -> ErrorReading:
        reading = super().read_errors(deadline)
        self.hardware.bad_tlp = 0
        return reading


class EpochOfEachReading(Readings):
    def read_errors(self, deadline: Deadline) -> ErrorReading:
        self.hardware.epoch += 1
        return super().read_errors(deadline)


class RenamesItsPartner(Readings):
    readings = 0

    def read_errors(self, deadline: Deadline) -> ErrorReading:
        self.readings += 1
        return with_counts(super().read_errors(deadline), name=f"port {self.readings}")


class IdentityOfAnEpoch(Readings):
    def read_identity(self, deadline: Deadline) -> Identity:
        return Identity(model="queue card", serial=str(self.hardware.epoch))


class NegativeCounts(Readings):
    def read_errors(self, deadline: Deadline) -> ErrorReading:
        return with_counts(super().read_errors(deadline), correctable={"BadTLP": Exact(-1)})


class NamesOfItsOwn(Readings):
    def read_errors(self, deadline: Deadline) -> ErrorReading:
        return with_counts(super().read_errors(deadline), correctable={"crc_errors": Exact(0)})


class PlainNumbers(Readings):
    def read_errors(self, deadline: Deadline) -> ErrorReading:
        return with_counts(super().read_errors(deadline), correctable={"BadTLP": 0})


class OneNameForBothEnds(Readings):
    def read_errors(self, deadline: Deadline) -> ErrorReading:
        return ErrorReading(near=PartnerErrors(name="card", epoch="1"), far=PartnerErrors(name="card", epoch="1"))


class CountsNothing(Readings):
    def read_errors(self, deadline: Deadline) -> ErrorReading:
        return with_counts(super().read_errors(deadline), correctable={"BadTLP": Exact(0)})


class SaysNone(Readings):
    def read_conditions(self, deadline: Deadline) -> Conditions:
        return attrs.evolve(super().read_conditions(deadline), iommu_faults=None)


queue("gives speeds in MT/s", "link-reading-is-plausible", readings_type=SpeedsInMegatransfers)
queue("has a link wider than it can be", "link-reading-is-plausible", readings_type=WiderThanItCan)
queue("has ends of different widths", "link-reading-is-plausible", readings_type=EndsThatDiffer)
queue("takes counts back by reading", "reading-keeps-the-counts", readings_type=ResetByReading)
queue("begins an epoch with each reading", "an-epoch-lasts", readings_type=EpochOfEachReading)
queue("renames its partner with each reading", "an-epoch-lasts", readings_type=RenamesItsPartner)
queue("is another card after a reset", "a-reset-leaves-the-card-usable", readings_type=IdentityOfAnEpoch)
queue("counts below zero", "error-counts-are-counts", readings_type=NegativeCounts)
queue("has names of its own for errors", "error-counts-are-counts", readings_type=NamesOfItsOwn)
queue("gives plain numbers as counts", "error-counts-are-counts", readings_type=PlainNumbers)
queue("has one name for both ends", "error-counts-are-counts", readings_type=OneNameForBothEnds)
queue("counts nothing", "counts-rise-with-errors", readings_type=CountsNothing)
queue("says None of what it cannot read", "conditions-say-what-they-do-not-know", readings_type=SaysNone)


COUNTED = PartnerErrors(name="port", epoch="1")
HIDDEN = Unavailable("not read")


def errors(near: Any, far: Any = HIDDEN) -> type[Readings]:
    return answering(read_errors=ErrorReading(near=near, far=far))


def link(near: Any, far: Any = HIDDEN) -> type[Readings]:
    return answering(read_link=LinkReading(near=near, far=far))


def correctable(**counts: Any) -> type[Readings]:
    return errors(attrs.evolve(COUNTED, correctable=counts))


ANSWERS = {
    "identity-stays-the-same": {
        "gives an identity as a table": answering(read_identity={}),
        "names no model": answering(read_identity=Identity(model=" ")),
    },
    "link-reading-is-plausible": {
        "gives its link as a table": answering(read_link={}),
        "has one name for both partners": link(PartnerLink(name="x"), PartnerLink(name="x")),
        "hides a partner without a reason": link(Unavailable(" ")),
        "gives a partner as a table": link({}),
        "has a partner without a name": link(PartnerLink(name="")),
    },
    "error-counts-are-counts": {
        "gives errors as a table": answering(read_errors={}),
        "has no epoch": errors(attrs.evolve(COUNTED, epoch="")),
        "hides counts without a reason": errors(COUNTED, Unavailable("")),
        "calls an uncorrectable error correctable": correctable(UnsupReq=Exact(0)),
        "hides one count without a reason": correctable(BadTLP=Unavailable("")),
        "gives a bound without a reason": correctable(BadTLP=AtLeast(1, " ")),
    },
    "conditions-say-what-they-do-not-know": {
        "gives conditions as a table": answering(read_conditions={}),
        "hides a condition without a reason": answering(
            read_conditions=Conditions(
                near=HIDDEN,
                far=HIDDEN,
                sensors=Unavailable(""),
                memory_errors=HIDDEN,
                iommu_faults=HIDDEN,
                reported=HIDDEN,
            )
        ),
    },
}
for rule, wrong in ANSWERS.items():
    for what, readings in wrong.items():
        queue(what, rule, readings_type=readings)


# --- readings beside the data, and of a card that is gone


class PollsAMailbox(Readings):
    def read_errors(self, deadline: Deadline) -> ErrorReading:
        time.sleep(0.4)
        return super().read_errors(deadline)


class OneIndexForAll(Hardware):
    """Data and counts are reached through one index register."""

    counts_selected = False


class SelectsTheCounts(Readings):
    def __init__(self, hardware: OneIndexForAll) -> None:
        super().__init__(hardware)
        self.indexed = hardware

    def read_errors(self, deadline: Deadline) -> ErrorReading:
        self.indexed.counts_selected = True
        time.sleep(0.002)
        reading = super().read_errors(deadline)
        self.indexed.counts_selected = False
        return reading


class ExpectsItsIndex(MemoryQueue):
    def deliver(self, ticket: int, into: memoryview, message: bytes) -> int:
        if cast("OneIndexForAll", self.hardware).counts_selected:
            message = bytes(4) + message[4:]
        return super().deliver(ticket, into, message)


def indexed(self: QueueDriver) -> None:
    cards: dict[str, Hardware] = {"one": OneIndexForAll(), "two": OneIndexForAll()}
    self.hardware = cards


class KeepsItsReading(Readings):
    def __init__(self, hardware: Hardware) -> None:
        super().__init__(hardware)
        with Deadline(1.0) as deadline:
            self.kept = super().read_link(deadline)

    def read_link(self, deadline: Deadline) -> LinkReading:
        return self.kept


class ZeroForWhatIsGone(Readings):
    def read_errors(self, deadline: Deadline) -> ErrorReading:
        try:
            return super().read_errors(deadline)
        except DeviceLost:
            none = PartnerErrors(name="card", epoch="1", correctable={"BadTLP": Exact(0)})
            return ErrorReading(near=HIDDEN, far=none)


class WrapsAtEightBits(Readings):
    def read_errors(self, deadline: Deadline) -> ErrorReading:
        counts = {"BadTLP": Exact(self.hardware.bad_tlp & 0xFF)}
        return with_counts(super().read_errors(deadline), correctable=counts)


class StandsAtItsEnd(Readings):
    def read_errors(self, deadline: Deadline) -> ErrorReading:
        counts = {"BadTLP": Exact(min(self.hardware.bad_tlp, 15))}
        return with_counts(super().read_errors(deadline), correctable=counts)


class ReadsAShadow(Readings):
    """Of the registers, filled when the card is opened."""

    def __init__(self, hardware: Hardware) -> None:
        super().__init__(hardware)
        with Deadline(1.0) as deadline:
            self.shadow = super().read_errors(deadline)

    def read_errors(self, deadline: Deadline) -> ErrorReading:
        return self.shadow


class ReadsAShadowOfLater(Readings):
    """Filled by the third reading, and not again."""

    def __init__(self, hardware: Hardware) -> None:
        super().__init__(hardware)
        self.shadows: list[ErrorReading] = []

    def read_errors(self, deadline: Deadline) -> ErrorReading:
        if len(self.shadows) < 3:
            self.shadows.append(super().read_errors(deadline))
        return self.shadows[-1]


queue("calls a count exact that stands at its end", "counts-rise-with-errors", readings_type=StandsAtItsEnd)
queue("reads counts from a shadow of opening", "counts-rise-with-errors", readings_type=ReadsAShadow)
queue("reads counts from a shadow of later", "counts-rise-with-errors", readings_type=ReadsAShadowOfLater)
queue("polls a mailbox without a deadline", "parts-keep-their-deadline", readings_type=PollsAMailbox)
queue(
    "selects a register under the data",
    "readings-disturb-no-data",
    ExpectsItsIndex,
    readings_type=SelectsTheCounts,
    __init__=indexed,
)
queue("shows the link of a card that is gone", "a-loss-shows-in-the-readings", readings_type=KeepsItsReading)
queue("counts zero for a card that is gone", "a-loss-shows-in-the-readings", readings_type=ZeroForWhatIsGone)
queue("lets a register of eight bits wrap", "counts-rise-with-errors", readings_type=WrapsAtEightBits)
