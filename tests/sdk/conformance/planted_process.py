"""Mistakes on the stream card: in how long opening takes, and what becomes of the process."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterable
from functools import partial
from typing import Any

import attrs
from planted import leak, plant
from stream_card import MemoryStream, Options, StreamDriver, StreamHardware, StreamParts

from laneproof.clock import Deadline
from laneproof.contract import Address, Card, Found
from laneproof.readings import Identity

stream = partial(plant, "stream")


# --- opening in time


class LetsTheCardSettle(StreamDriver):
    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        time.sleep(0.28)
        return super().connect(address, options, deadline)


class ScansAllBuses(StreamDriver):
    def discover(self, deadline: Deadline) -> Iterable[Found]:
        time.sleep(0.28)
        return super().discover(deadline)


class IgnoresAnInterruptToOpen(StreamDriver):
    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        for _ in range(30):
            if not deadline.left_s():
                break
            time.sleep(0.01)
        return super().connect(address, options, deadline)


stream("lets the card settle for as long as it likes", "opening-keeps-its-deadline", driver=LetsTheCardSettle)
stream("scans all buses in its own time", "opening-keeps-its-deadline", driver=ScansAllBuses)
stream("cannot be interrupted while it opens", "opening-keeps-its-deadline", driver=IgnoresAnInterruptToOpen)


class FindsNoAddress(StreamDriver):
    def discover(self, deadline: Deadline) -> Iterable[Found]:
        return [Found(address=Address(""))]


stream("finds a card without an address", "discover-is-repeatable", driver=FindsNoAddress)


# --- the process


class ChangesTheUmask(StreamDriver):
    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        before = os.umask(0o077)
        leak(lambda: os.umask(before))
        return super().connect(address, options, deadline)


class GoesToADirectory(StreamDriver):
    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        before = os.getcwd()
        leak(lambda: os.chdir(before))
        os.chdir("/")
        return super().connect(address, options, deadline)


class SetsAVariable(StreamDriver):
    """For as long as the card is open."""

    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        card = super().connect(address, options, deadline)
        os.environ["LANEPROOF_TEST_CARD"] = address.text

        def close() -> None:
            os.environ.pop("LANEPROOF_TEST_CARD", None)
            card.close()

        return attrs.evolve(card, close=close)


class LeavesAChild(StreamDriver):
    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        helper = subprocess.Popen([sys.executable, "-S", "-c", "input()"], stdin=subprocess.PIPE)
        leak(lambda: helper.communicate() and None)
        return super().connect(address, options, deadline)


class DoesNotWaitForItsChild(StreamDriver):
    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        done = subprocess.Popen([sys.executable, "-S", "-c", ""], stdin=subprocess.DEVNULL)
        leak(lambda: done.wait() and None)
        return super().connect(address, options, deadline)


class EndsItsThreadLater(MemoryStream):
    """Its thread is told to end, and not waited for."""

    def __init__(self, hardware: StreamHardware, options: Options) -> None:
        super().__init__(hardware, options)
        self.closed = threading.Event()
        thread = threading.Thread(target=self.watch, name="watches-the-card", daemon=True)
        thread.start()
        leak(thread.join)

    def watch(self) -> None:
        self.closed.wait()
        time.sleep(0.3)

    def close(self) -> None:
        self.closed.set()
        super().close()


class RemembersAllItSent(MemoryStream):
    """Several times over, so that it shows soon."""

    def __init__(self, hardware: StreamHardware, options: Options) -> None:
        super().__init__(hardware, options)
        self.log: list[bytes] = []

    def send(self, view: memoryview, deadline: Deadline) -> int:
        sent = super().send(view, deadline)
        self.log.append(bytes(view[:sent]) * 64)
        return sent


stream("remembers all that it sent", "data-come-back-in-the-long-run", RemembersAllItSent)
stream("changes the umask", "the-process-stays-as-it-is", driver=ChangesTheUmask)
stream("goes to another directory", "the-process-stays-as-it-is", driver=GoesToADirectory)
stream("sets a variable while it is open", "the-process-stays-as-it-is", driver=SetsAVariable)
stream("leaves a child that runs", "close-leaves-nothing-open", driver=LeavesAChild)
stream("leaves a child that has ended", "close-leaves-nothing-open", driver=DoesNotWaitForItsChild)
stream("ends its thread a while after close", "close-leaves-nothing-open", EndsItsThreadLater)


# --- two cards


class SerialOfTheModel(StreamParts):
    def read_identity(self, deadline: Deadline) -> Identity:
        return Identity(model="stream card", serial="0001")


class SerialOfAnOpening(StreamParts):
    def __init__(self, hardware: StreamHardware) -> None:
        super().__init__(hardware)
        self.opened_s = time.monotonic()

    def read_identity(self, deadline: Deadline) -> Identity:
        return Identity(model="stream card", serial=f"{self.hardware.serial} {self.opened_s}")


stream("has a serial for each opening", "many-openings-leave-nothing", parts_type=SerialOfAnOpening)
stream("has one serial for all cards", "two-cards-are-told-apart", parts_type=SerialOfTheModel)
