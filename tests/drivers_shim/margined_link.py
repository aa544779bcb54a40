"""Two ports with margining registers, written from the specification: what stands behind the files `config` of a link.

Base specification 4.0 to 6.0, sections 4.2.13, 7.7.10 and 8.4.4, from memory, with the layout of Intel's public
register map (per lane: receiver in bits 2:0, type 5:3, usage 6, payload 15:8, the status alike from bit 16 on). It
shares no code with what it tests. Receivers have an eye: so many steps to each side are free of errors, at the next
there are many.
"""

from __future__ import annotations

import errno
from pathlib import PurePosixPath

from laneproof.clock import Clock

PORT, CARD = "0000:00:05.0", "0000:02:00.0"
AT = 0x400
"""Where the capability stands in both images."""
LANES = 4
NOTHING = 0x9C38
"""No Command: receiver 0, type 7, payload 9Ch."""


class StandingClock(Clock):
    """Time that passes only where somebody sleeps."""

    def __init__(self) -> None:
        self.seconds = 0.0

    def now_s(self) -> float:
        return self.seconds

    def sleep(self, seconds: float) -> None:
        self.seconds += max(seconds, 1e-6)


class Receiver:
    """One receiver on one lane: what it reports, where its sampling point is, and the errors that it counted."""

    def __init__(self) -> None:
        self.reports = {0x88: 0b11111, 0x89: 40, 0x8A: 20, 0x8B: 50, 0x8C: 12, 0x8D: 31, 0x8E: 63, 0x8F: 90, 0x90: 3}
        self.eye = {"right": 8, "left": 7, "up": 15, "down": 13}
        self.step: tuple[str, int] | None = None
        self.since_s = 0.0
        self.limit = 4
        self.errors = 0
        self.cleared = 0

    def does(self, kind: int, payload: int, now_s: float) -> int | None:
        """The payload of its answer to a command, None for one that is not its own."""
        if kind == 1:
            return self.reports.get(payload)
        if kind == 2 and payload == 0x0F:
            self.step = None
        elif kind == 2 and payload == 0x55:
            self.errors, self.cleared = 0, self.cleared + 1
        elif kind == 2 and payload >> 6 == 3:
            self.limit = payload & 0x3F
        elif kind in (3, 4):
            return self.moved(kind, payload, now_s)
        else:
            return None
        return payload

    def moved(self, kind: int, payload: int, now_s: float) -> int:
        if kind == 3:
            direction, step, most = "left" if payload & 0x40 else "right", payload & 0x3F, self.reports[0x8A]
        else:
            direction, step, most = "down" if payload & 0x80 else "up", payload & 0x7F, self.reports[0x89]
        if step > most or (kind == 4 and not self.reports[0x88] & 1):
            return 0xC0
        self.step, self.since_s = (direction, step), now_s
        return self.state(now_s)

    def state(self, now_s: float) -> int:
        """Set up for 5 ms; then errors come at once where the eye is closed."""
        assert self.step is not None
        if now_s - self.since_s < 0.005:
            return 0x40
        direction, step = self.step
        sides = [direction]
        if not self.reports[0x88] & (4 if direction in ("right", "left") else 2):
            sides = ["right", "left"] if direction in ("right", "left") else ["up", "down"]
        if any(step > self.eye[side] for side in sides):
            self.errors = min(63, self.limit + 3)
            return self.errors
        return 0x80 | self.errors


class Port:
    """One end's configuration space. `deaf` lanes echo nothing."""

    def __init__(self, image: bytes, express: int, receivers: tuple[int, ...], clock: Clock) -> None:
        self.bytes = bytearray(image)
        self.express = express
        self.receivers = {(lane, number): Receiver() for lane in range(LANES) for number in receivers}
        self.clock = clock
        self.deaf: set[int] = set()
        self.gone = False
        self.written: list[tuple[int, int]] = []

    def at_a_step(self) -> list[tuple[int, int]]:
        """Lane and number of every receiver that does not sample where it would by itself."""
        return [place for place, receiver in self.receivers.items() if receiver.step is not None]

    def read(self, at: int, nbytes: int) -> bytes:
        if self.gone:
            return b"\xff" * nbytes
        lane, inside = divmod(at - AT - 8, 4)
        if 0 <= lane < LANES and inside == 2:
            control = int.from_bytes(self.bytes[at - 2 : at], "little")
            receiver = self.receivers.get((lane, control & 7))
            if receiver is not None and control >> 3 & 7 in (3, 4) and receiver.step is not None:
                self.answer(lane, control, receiver.state(self.clock.now_s()))
                if receiver.errors > receiver.limit:
                    receiver.step = None  # by itself
        return bytes(self.bytes[at : at + nbytes])

    def write(self, at: int, value: int) -> None:
        if self.gone:
            raise OSError(errno.EIO, "Input/output error")
        self.written.append((at, value))
        self.bytes[at : at + 2] = value.to_bytes(2, "little")
        lane, inside = divmod(at - AT - 8, 4)
        if not (0 <= lane < LANES and inside == 0) or lane in self.deaf:
            return
        kind, number, payload = value >> 3 & 7, value & 7, value >> 8
        if value == NOTHING:
            self.answer(lane, value, payload)
        elif (lane, number) in self.receivers:
            answer = self.receivers[lane, number].does(kind, payload, self.clock.now_s())
            if answer is not None:
                self.answer(lane, value, answer)

    def answer(self, lane: int, control: int, payload: int) -> None:
        place = AT + 8 + 4 * lane + 2
        self.bytes[place : place + 2] = (control & 0x7F | payload << 8).to_bytes(2, "little")


class MarginedLink:
    """The recorded link at 16 GT/s x4, both of whose ends have the capability; files are read and written in here."""

    def __init__(self, tree) -> None:
        self.clock = StandingClock()
        self._tree = tree
        self.ports: dict[str, Port] = {}
        for address, receivers in ((PORT, (1, 2, 3)), (CARD, (6,))):
            express = tree.express(address)
            self.put(address, express + 0x12, 0x2000 | LANES << 4 | 4)
            self.put(address, express + 0x10, 0x0040)
            self.capability(address)
            self.ports[address] = Port(tree.config(address), express, receivers, self.clock)

    @property
    def near(self) -> Port:
        return self.ports[PORT]

    @property
    def far(self) -> Port:
        return self.ports[CARD]

    def capability(self, address: str, status: int = 1, capabilities: int = 0) -> None:
        """At the end of the list of extended capabilities; the driver walks it as it stands."""
        image = self._tree.config(address).ljust(4096, b"\0")
        at = 0x100
        while after := int.from_bytes(image[at : at + 4], "little") >> 20:
            at = after
        changed = bytearray(image)
        if at != AT:
            changed[at : at + 4] = (int.from_bytes(image[at : at + 4], "little") | AT << 20).to_bytes(4, "little")
        changed[AT : AT + 4] = (0x27 | 1 << 16).to_bytes(4, "little")
        changed[AT + 4 : AT + 8] = (status << 16 | capabilities).to_bytes(4, "little")
        self._tree.write_config(address, bytes(changed))

    def put(self, address: str, at: int, value: int) -> None:
        """A register, in the recorded file and behind it."""
        self._tree.patch_config(address, at, value.to_bytes(2, "little"))
        if address in self.ports:
            self.ports[address].bytes[at : at + 2] = value.to_bytes(2, "little")

    def read(self, path: PurePosixPath, at: int, nbytes: int) -> bytes:
        return self.ports[path.parent.name].read(at, nbytes)

    def write(self, path: PurePosixPath, at: int, data: bytes) -> None:
        assert path.name == "config"
        assert len(data) == 2
        self.ports[path.parent.name].write(at, int.from_bytes(data, "little"))
