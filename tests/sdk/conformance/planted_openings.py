"""Mistakes on the stream card: in losing the device, in discovering, opening and closing."""

from __future__ import annotations

import mmap
import os
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from functools import partial
from typing import Any

import attrs
from planted import leak, leave_running, plant, release
from stream_card import MemoryStream, Options, StreamDriver, StreamHardware, StreamParts

from laneproof.clock import Deadline
from laneproof.contract import Address, Card, Found
from laneproof.errors import CannotOpen, CardInUse, DeviceLost
from laneproof.readings import Identity

stream = partial(plant, "stream")


# --- losing the device


class SwallowsTheLowerException(MemoryStream):
    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        try:
            return super().receive_into(view, deadline)
        except DeviceLost:
            return 0


class AnswersAllOnes(MemoryStream):
    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        try:
            return super().receive_into(view, deadline)
        except DeviceLost:
            view[:] = b"\xff" * len(view)
            return len(view)


class LetsAnOSErrorOut(MemoryStream):
    def send(self, view: memoryview, deadline: Deadline) -> int:
        return self.mapped(super().send, view, deadline)

    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        return self.mapped(super().receive_into, view, deadline)

    def mapped(self, call: Callable[[memoryview, Deadline], int], view: memoryview, deadline: Deadline) -> int:
        try:
            return call(view, deadline)
        except DeviceLost:
            raise OSError(5, "Input/output error") from None


class SeesALossAtTheDeadline(MemoryStream):
    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        try:
            return super().receive_into(view, deadline)
        except DeviceLost:
            while not deadline.expired:
                deadline.pause()
            raise


class FailsToCloseWhatIsGone(MemoryStream):
    def close(self) -> None:
        gone = self.hardware.gone
        super().close()
        if gone:
            raise OSError(19, "No such device")


class StaysLost(StreamDriver):
    was_lost = False

    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        if self.was_lost:
            raise CannotOpen("the card was lost")
        card = super().connect(address, options, deadline)

        def close() -> None:
            self.was_lost |= self.hardware["one"].gone
            card.close()

        return attrs.evolve(card, close=close)


stream("swallows the lower exception", "a-lost-device-is-said-to-be-lost", SwallowsTheLowerException)
stream("answers all ones as data", "a-lost-device-is-said-to-be-lost", AnswersAllOnes)
stream("fails to close what is gone", "a-lost-device-is-said-to-be-lost", FailsToCloseWhatIsGone)
stream("calls a loss an I/O error", "a-loss-reaches-the-user-as-one-error", LetsAnOSErrorOut)
stream("sees a loss only at the deadline", "a-loss-ends-a-wait", SeesALossAtTheDeadline)
stream("raises an I/O error for a loss", "a-lost-device-is-said-to-be-lost", LetsAnOSErrorOut)
stream("raises an I/O error when it waits", "a-loss-ends-a-wait", LetsAnOSErrorOut)
stream("stays lost", "a-card-that-came-back-opens", driver=StaysLost)


# --- opening and closing


class LeaksAThread(MemoryStream):
    def __init__(self, hardware: StreamHardware, options: Options) -> None:
        super().__init__(hardware, options)
        leave_running(lambda: release.wait())


class LeaksADescriptor(MemoryStream):
    def __init__(self, hardware: StreamHardware, options: Options) -> None:
        super().__init__(hardware, options)
        kept = os.open(os.devnull, os.O_RDONLY)
        leak(lambda: os.close(kept))


class LeaksAMapping(MemoryStream):
    def __init__(self, hardware: StreamHardware, options: Options) -> None:
        super().__init__(hardware, options)
        leak(mmap.mmap(-1, 4096).close)


class LeaksWithData(MemoryStream):
    """Only a card that has moved data leaves a descriptor behind."""

    dirty = False

    def send(self, view: memoryview, deadline: Deadline) -> int:
        self.dirty = True
        return super().send(view, deadline)

    def close(self) -> None:
        if self.dirty and self.socket.fileno() >= 0:
            copy = os.dup(self.socket.fileno())
            self._end.shutdown(2)
            leak(lambda: os.close(copy))
        super().close()


class CannotBeClosed(MemoryStream):
    def close(self) -> None:
        super().close()
        raise OSError(16, "Device or resource busy")


class CannotCloseTwice(MemoryStream):
    closed = False

    def close(self) -> None:
        if self.closed:
            raise ValueError("it is closed already")
        self.closed = True
        super().close()


class ClosesForeignDescriptors(MemoryStream):
    number = -1

    def close(self) -> None:
        if self.number < 0:
            self.number = self.socket.fileno()
            super().close()
        else:
            with suppress(OSError):
                os.close(self.number)


class SharesState(StreamDriver):
    """The path of the card opened first serves every card."""

    first: MemoryStream | None = None

    def card(self, path: MemoryStream) -> Card:
        if self.first is None or self.first.socket.fileno() < 0:
            self.first = path
        made = super().card(self.first)
        return attrs.evolve(made, close=path.close)


class KeepsTheConnection(StreamDriver):
    """Close does nothing, so that the next opening has the old bytes."""

    kept: MemoryStream | None = None

    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        if self.kept is None:
            card = super().connect(address, options, deadline)
            self.kept = card.channels[0].path  # type: ignore[assignment]
            leak(card.close)
        return attrs.evolve(self.card(self.kept), close=lambda: None)


class OpensOnce(StreamDriver):
    taken = False

    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        if self.taken:
            raise CannotOpen("the card is locked by another user")
        card = super().connect(address, options, deadline)
        self.taken = True
        return card


class Hangs(StreamDriver):
    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        release.wait()
        raise CannotOpen("the test is over")


class RaisesAKeyError(StreamDriver):
    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        assert self.hardware[address.text]
        return super().connect(address, options, deadline)


class ComplainsAtLength(StreamDriver):
    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        if address.text not in self.hardware:
            raise CannotOpen("there is no such card\nthere are:\n\tone\n\ttwo")
        return super().connect(address, options, deadline)


class LeaksOnRefusal(StreamDriver):
    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        if address.text not in self.hardware:
            kept = os.open(os.devnull, os.O_RDONLY)
            leak(lambda: os.close(kept))
        return super().connect(address, options, deadline)


class OpensLate(StreamDriver):
    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        time.sleep(0.65)
        return super().connect(address, options, deadline)


class HasNoPath(StreamDriver):
    def card(self, path: MemoryStream) -> Card:
        card = super().card(path)
        return attrs.evolve(card, channels=(attrs.evolve(card.channels[0], path=self),))


class TakesAnyAddress(StreamDriver):
    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        return super().connect(Address("one"), options, deadline)


class EndsTheFirstOpening(StreamDriver):
    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        for end in self.hardware[address.text].ends if address.text in self.hardware else ():
            end.shutdown(2)
        return super().connect(address, options, deadline)


class DisturbsTheFirstOpening(StreamDriver):
    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        for end in self.hardware["one"].ends:
            end.send(b"?")
        return super().connect(address, options, deadline)


class LeaksInDiscover(StreamDriver):
    def discover(self, deadline: Deadline) -> Iterable[Found]:
        kept = os.open(os.devnull, os.O_RDONLY)
        leak(lambda: os.close(kept))
        return super().discover(deadline)


class WritesToDiscover(StreamDriver):
    def discover(self, deadline: Deadline) -> Iterable[Found]:
        for end in self.hardware["one"].ends:
            end.send(b"?")
        return super().discover(deadline)


class DiscoversOtherCards(StreamDriver):
    seen = 0

    def discover(self, deadline: Deadline) -> Iterable[Found]:
        self.seen += 1
        return [Found(address=Address(f"card{self.seen}"))]


class DiscoversText(StreamDriver):
    def discover(self, deadline: Deadline) -> Any:
        return ["one", "two"]


class NeverOpens(StreamDriver):
    def connect(self, address: Address, options: Any, deadline: Deadline) -> Any:
        return self.path_type


class DoesNotDrain(MemoryStream):
    def drain(self, deadline: Deadline) -> None:
        return


class ExitsThePython(MemoryStream):
    def send(self, view: memoryview, deadline: Deadline) -> int:
        raise SystemExit("this card ends the program")


class ChangesItsIdentity(StreamParts):
    asked = 0

    def read_identity(self, deadline: Deadline) -> Identity:
        self.asked += 1
        return Identity(model="stream card", serial=str(self.asked // 6))


@attrs.define
class OptionsThatChange:
    chunk: int = 1 << 14


@attrs.frozen(eq=False)
class OptionsThatDiffer:
    chunk: int = 1 << 14


class GivesUpAForeignClaim(StreamDriver):
    """Open once at a time; each close gives up the claim, whoever has it."""

    claimed = False

    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        if self.claimed:
            raise CardInUse("the card is open already; close it first")
        card = super().connect(address, options, deadline)
        self.claimed = True
        return attrs.evolve(card, close=partial(self.give_up, card))

    def give_up(self, card: Card) -> None:
        card.close()
        self.claimed = False


class FetchesAheadForAll(MemoryStream):
    """Fetches more than it is asked for, and keeps the rest where every card finds it."""

    ahead = bytearray()

    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        if not self.ahead:
            fetched = bytearray(64)
            self.ahead.extend(fetched[: super().receive_into(memoryview(fetched), deadline)])
        moved = min(len(view), len(self.ahead))
        view[:moved] = self.ahead[:moved]
        del self.ahead[:moved]
        return moved


stream("gives up a claim that is another's", "close-may-be-called-twice", driver=GivesUpAForeignClaim)
stream("fetches ahead for all cards", "two-cards-share-nothing", FetchesAheadForAll)
stream("leaks a thread", "close-leaves-nothing-open", LeaksAThread)
stream("leaks a descriptor", "close-leaves-nothing-open", LeaksADescriptor)
stream("leaks a mapping", "close-leaves-nothing-open", LeaksAMapping)
stream("leaks once it has moved data", "many-openings-leave-nothing", LeaksWithData)
stream("cannot be closed twice", "close-may-be-called-twice", CannotCloseTwice)
stream("closes a descriptor that is not its own", "close-may-be-called-twice", ClosesForeignDescriptors)
stream("shares state between cards", "two-cards-share-nothing", driver=SharesState)
stream("carries data over", "nothing-is-carried-over", driver=KeepsTheConnection)
stream("opens once", "a-closed-card-opens-again", driver=OpensOnce)
stream("hangs in connect", "connect-returns-a-ready-card", driver=Hangs)
stream("returns no card", "connect-returns-a-ready-card", driver=NeverOpens)
stream("raises KeyError for an address", "a-wrong-address-is-refused", driver=RaisesAKeyError)
stream("complains on many lines", "a-wrong-address-is-refused", driver=ComplainsAtLength)
stream("takes any address", "a-wrong-address-is-refused", driver=TakesAnyAddress)
stream("ends the first opening with a second", "a-card-in-use-stays-usable", driver=EndsTheFirstOpening)
stream("writes to the card in discover", "discover-disturbs-no-card", driver=WritesToDiscover)
stream("discovers other cards each time", "discover-is-repeatable", driver=DiscoversOtherCards)
stream("discovers text", "discover-is-repeatable", driver=DiscoversText)
stream("does not drain what is left", "stray-bytes-are-dropped", DoesNotDrain)
stream("ends the program", "data-come-back-unchanged", ExitsThePython)
stream("is another card after some readings", "identity-stays-the-same", parts_type=ChangesItsIdentity)
stream("opens late", "connect-returns-a-ready-card", driver=OpensLate)
stream("has a channel without a path", "connect-returns-a-ready-card", driver=HasNoPath)
stream("leaks when it refuses", "a-wrong-address-is-refused", driver=LeaksOnRefusal)
stream("disturbs the first opening with a second", "a-card-in-use-stays-usable", driver=DisturbsTheFirstOpening)
stream("leaks in discover", "discover-is-repeatable", driver=LeaksInDiscover)
stream("has options that are never equal", "options-are-frozen-values", options=OptionsThatDiffer)
stream("has options that can be changed", "options-are-frozen-values", options=OptionsThatChange)
stream("keeps a contract of the future", "driver-is-accepted", contract=99)
stream("raises an error whenever it is closed", "the-whole-opens", CannotBeClosed)
