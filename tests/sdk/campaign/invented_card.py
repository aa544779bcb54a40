"""A card package as an outsider would write one, with cards that misbehave as their address says.

`physical:ADDRESS` runs in a process of its own, `imitated:ADDRESS` in a thread. Installed by a fixture.
"""

from __future__ import annotations

import mmap
import os
import sys
import tempfile
import threading
import time
from collections.abc import Iterable

import attrs
from attrs import frozen
from invented_conditions import conditions, falling_link

from laneproof.clock import Deadline, MonotonicClock
from laneproof.contract import (
    Address,
    Card,
    Channel,
    ConditionObserver,
    Driver,
    ErrorObserver,
    Found,
    IdentitySource,
    Limits,
    LinkObserver,
    Part,
    StreamPath,
)
from laneproof.errors import CannotOpen, DeviceLost, DriverFault
from laneproof.readings import (
    AtLeast,
    Conditions,
    Count,
    ErrorReading,
    Exact,
    Identity,
    LinkReading,
    PartnerErrors,
    PartnerLink,
    Unavailable,
)


@frozen
class NoOptions:
    """None."""


class StillClock(MonotonicClock):
    """Shows the same moment for ever."""

    def now_s(self) -> float:
        return 1.0


class Echo(StreamPath):
    """Echoes through memory; after `lasts` bytes it does what its address says."""

    def __init__(self, address: str) -> None:
        behaviour, _, lasts = address.partition(",")
        self.behaviour = behaviour
        self._lasts = int(lasts or 0)
        self._moved = 0
        self._held = bytearray()
        self._sent = bytearray()
        self._moved_s = 0.0
        self._lock = threading.Lock()
        self.low = False
        """The link has fallen, for as long as it takes to be looked at; then it comes back."""
        self.fell = False
        self.resting = True
        """Nothing has been sent since the link came to rest."""
        self.looked_at_low = threading.Event()

    def send(self, view: memoryview, deadline: Deadline) -> int:
        if self._moved >= self._lasts:
            self._misbehave()
        taken = view[: 1 << 16]
        self.resting = False
        self._moved_s = time.monotonic()
        with self._lock:
            if self.behaviour == "repeats":  # what was sent first comes back for ever
                self._sent += taken
                at = self._moved % self._lasts
                taken = self._sent[at : at + len(taken)]
            self._held += bytes(len(taken)) if self.behaviour == "rotten" else taken
        self._moved += len(taken)
        return len(taken)

    def moving(self, within_s: float = 0.02) -> bool:
        """Whether there was traffic just now."""
        return time.monotonic() - self._moved_s < within_s

    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        while not deadline.expired:
            deadline.check()
            with self._lock:
                n = min(len(view), len(self._held))
                if n and not (self.behaviour in ("silent", "refused") and self._moved >= self._lasts):
                    view[:n] = self._held[:n]
                    del self._held[:n]
                    return n
            deadline.pause(0.001)
        return 0

    def _misbehave(self) -> None:
        match self.behaviour:
            case "bus-error":
                with tempfile.TemporaryFile() as file:
                    file.truncate(mmap.PAGESIZE)
                    window = mmap.mmap(file.fileno(), mmap.PAGESIZE)
                    os.ftruncate(file.fileno(), 0)
                    window[0]  # as a window whose card is gone
            case "slow":
                time.sleep(0.01)
            case "faulty" | "faulty-gone":
                raise ZeroDivisionError("a driver's own mistake")
            case "talkative":
                print("a driver that prints", flush=True)
            case "loses":
                raise DeviceLost("the device node is gone")
            case "fails" | "fails-and-goes":
                raise DriverFault("the read failed")
            case behaviour if behaviour.startswith("falls") and not self.fell:
                time.sleep(0.05)  # longer than it takes to fill a block
                self.low = self.fell = True
                self.looked_at_low.wait(2.0)
                self.low = False
            case _:
                pass


class Parts(LinkObserver, ErrorObserver, ConditionObserver, IdentitySource):
    """A healthy link, unless the address says otherwise. `reads` counts what was asked of the error counters."""

    def __init__(self, path: Echo) -> None:
        self._path = path
        self._reads = 0
        self._looks = 0
        self._names = 0
        self._condition_reads = 0

    def read_conditions(self, deadline: Deadline) -> Conditions:
        self._condition_reads += 1
        return conditions(self._path.behaviour, self._condition_reads)

    def read_link(self, deadline: Deadline) -> LinkReading:
        def end(name: str, speed_gtps: float = 8.0, width: int = 4, active: bool = True) -> PartnerLink:
            return PartnerLink(
                name=name, speed_gtps=speed_gtps, width=width, max_speed_gtps=8.0, max_width=4, active=active
            )

        self._looks += 1
        match self._path.behaviour:
            case "blind-far":
                return LinkReading(near=end("port"), far=Unavailable("no permission"))
            case "degrades" if self._looks > 12:  # the link step reads it at open, before, at each block and after
                return LinkReading(near=end("port", width=2), far=end("card", width=2))
            case "flaps" if self._looks == 4:
                return LinkReading(near=end("port", width=1), far=end("card", width=1))
            case "idles" if not self._path.moving():
                return LinkReading(near=end("port", speed_gtps=2.5), far=end("card", speed_gtps=2.5))
            case "rests" if self._path.resting:
                return LinkReading(near=end("port", speed_gtps=2.5), far=end("card", speed_gtps=2.5))
            case "retrained":
                flag = {"bandwidth_management": self._looks > 3, "autonomous_bandwidth": False}
                return LinkReading(near=attrs.evolve(end("port"), **flag), far=end("card"))
            case behaviour if behaviour.startswith("falls"):
                if self._path.low:
                    self._path.looked_at_low.set()
                    return falling_link(behaviour, low=True, fell=True)
                return falling_link(behaviour, low=False, fell=self._path.fell)
            case "disagrees":
                return LinkReading(near=end("port"), far=end("card", width=2))
            case "down":
                return LinkReading(near=end("port", active=False), far=end("card"))
            case _:
                return LinkReading(near=end("port"), far=end("card"))

    def read_errors(self, deadline: Deadline) -> ErrorReading:
        self._reads += 1
        self._path.resting = True
        far: PartnerErrors | Unavailable = self._errors("card", Exact(0))
        match self._path.behaviour:
            case "mute" if self._reads > 1:
                raise DriverFault("the counters do not answer")
            case "gone" | "faulty-gone" if self._reads > 1:
                raise DeviceLost("no answer", link_evidence="port shows its link down")
            case "gone-unseen" if self._reads > 1:
                raise DeviceLost("no answer")
            case "fatal" if self._reads > 1:
                far = PartnerErrors(name="card", epoch="1", fatal={"MalfTLP": Exact(1)})
            case "late" if self._reads > 1 and not self._path.moving(0.005):
                far = self._errors("card", Exact(1))
            case "between" if self._reads > 2:
                far = self._errors("card", Exact(5))
            case "no-counters":
                far = PartnerErrors(name="card", epoch="1")
            case "bounded":
                far = self._errors("card", AtLeast(3 * self._reads, "counted per interrupt"))
            case "exact":
                far = self._errors("card", Exact(3 * self._reads))
            case "partly":
                far = self._errors("card", Unavailable("saturated"))
            case "restarted":
                far = PartnerErrors(name="card", epoch=str(self._reads), correctable={"BadTLP": Exact(0)})
            case "blind-far":
                far = Unavailable("no permission")
            case _:
                pass
        return ErrorReading(near=self._errors("port", Exact(0)), far=far)

    def _errors(self, name: str, count: Count) -> PartnerErrors:
        return PartnerErrors(name=name, epoch="1", correctable={"BadTLP": count})

    def read_identity(self, deadline: Deadline) -> Identity:
        self._names += 1
        match self._path.behaviour:
            case "changing":
                return Identity(model=f"card {self._names}")
            case "hostile":
                return Identity(model="<script>alert(1)</script>\x1b]0;x\x07\u202e\udcff", serial="]]>&amp;'\"\n\r\t")
            case _:
                return Identity(model="invented card")


class Named(IdentitySource):
    """Who the card is, and nothing else of it."""

    def __init__(self, path: Echo) -> None:
        self._path = path
        self._names = 0

    def read_identity(self, deadline: Deadline) -> Identity:
        self._names += 1
        if self._names > 2 and self._path.behaviour == "fails-and-goes":  # at open, and before the step
            raise DeviceLost("the device node is gone")
        return Identity(model="invented card")


class InventedDriver(Driver):
    """Cards that echo through memory."""

    options = NoOptions

    def __init__(self, *, physical: bool) -> None:
        self.physical = physical
        self._opened: set[str] = set()

    def discover(self, deadline: Deadline) -> Iterable[Found]:
        return ()

    def connect(self, address: Address, options: NoOptions, deadline: Deadline) -> Card:
        path = Echo(address.text)
        match path.behaviour:
            case "talkative":
                print("a driver that prints", flush=True)
                os.write(1, b"and writes\n")
            case "crashes":
                raise ZeroDivisionError("a driver's own mistake")
            case "sleeps":
                time.sleep(3600)
            case "exits":
                sys.exit(3)
            case "absent":
                raise CannotOpen("no card answers; check that it is seated")
            case _:
                pass
        carrier = "a serial \x1bline" if path.behaviour == "carried" else ""
        limits = Limits(max_transfer=1 << 20, nominal_bytes_per_s=50e6, carrier=carrier)
        channel = Channel(name="echo", path=path, limits=limits)
        parts: tuple[Part, ...] = (Parts(path),)
        if path.behaviour == "unobserved":
            parts = ()
        elif path.behaviour in ("loses", "fails", "fails-and-goes"):
            parts = (Named(path),)
        clock = StillClock() if path.behaviour == "still" else MonotonicClock()
        return Card(channels=(channel,), close=lambda: None, parts=parts, clock=clock)


physical = InventedDriver(physical=True)
imitated = InventedDriver(physical=False)
