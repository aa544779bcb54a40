"""The firmware of a card that echoes, as the guide's page `frames` tells one to write it, and with faults to order.

A second implementation: it imports nothing of laneproof. Runs as a process of its own, behind a pseudo-terminal or a
TCP port, and prints its place. `--at` counts DATA frames of the run from 0.
"""

from __future__ import annotations

import argparse
import os
import pty
import random
import select
import socket
import struct
import sys
import time
import tty
import zlib

FAULTS = (
    *("none", "flip-line", "flip-data", "drop-out", "drop-in", "repeat", "swap", "drop-credit", "stall", "dead"),
    *("die", "flood", "babble", "more", "surplus", "slow-hello", "lossy-answers", "refuse", "lose-done"),
)


def stuff(data: bytes) -> bytes:
    out, block = bytearray(), bytearray()
    ended = False
    for byte in data:
        ended = False
        if byte:
            block.append(byte)
        if not byte or len(block) == 254:
            out.append(len(block) + 1)
            out += block
            ended = bool(byte)
            block.clear()
    if not ended:
        out.append(len(block) + 1)
        out += block
    return bytes(out)


def unstuff(data: bytes) -> bytes:
    out = bytearray()
    while data:
        code = data[0]
        out += data[1:code]
        data = data[code:]
        if code < 255 and data:
            out.append(0)
    return bytes(out)


def text(words: str) -> bytes:
    return bytes((len(words),)) + words.encode()


IDENTITY = text("tide-gauge-echo") + text("invented-0007") + b"\1" + text("firmware") + text("0.9")
LINK = (
    b"\1" + text("port") + struct.pack("<HBHBHHBB", 80, 4, 160, 8, 256, 512, 3, 1)
    + b"\0" + text("behind the line") + b"\4"
)  # fmt: skip
ERRORS = (
    b"\1" + text("port") + text("1") + struct.pack("<H", 3)
    + b"\0" + text("RxErr") + b"\0" + struct.pack("<I", 7)
    + b"\1" + text("CmpltTO") + b"\1" + struct.pack("<I", 2) + text("a flag")
    + b"\2" + text("DLP") + b"\3" + text("not kept")
    + b"\0" + text("behind the line")
)  # fmt: skip


class Firmware:
    def __init__(self, fd: int, chosen: argparse.Namespace) -> None:
        self.fd = fd
        self.chosen = chosen
        self.begun = b""
        self.out = b""
        self.host_payload = 512
        self.host_window = 0
        self.last_reset = 0
        self.seen: set[int] = set()
        self.data_out = self.data_in = self.credits = 0
        self.held: bytes | None = None
        self.begin()

    def begin(self) -> None:
        self.taken = self.sent = self.bytes_taken = self.bytes_sent = 0
        self.credit, self.granted = self.host_window, self.chosen.window
        self.tickets: dict[int, list[int | None]] = {}
        self.units: list[list] = []
        """What came back through the slot: the bytes that nobody has taken yet, and how many are still to come."""
        self.takers: list[int] = []
        """Tickets with a side in that is not done, in the order of their STARTs."""
        self.rests = False

    def send(self, kind: int, channel: int, sequence: int, payload: bytes = b"") -> None:
        body = struct.pack("<BBBBI", 1, kind, channel, 0, sequence) + payload
        self.out += stuff(body + struct.pack("<I", zlib.crc32(body))) + b"\0"

    def counted(self, kind: int, payload: bytes) -> None:
        self.send(kind, 0, self.sent, payload)
        self.sent += 1

    def fault(self, code: int, why: str, sequence: int = 0) -> None:
        self.rests = self.rests or not sequence
        self.send(0x7F, 0, sequence, bytes((code,)) + text(why))

    def feed(self, data: bytes) -> None:
        *pieces, self.begun = (self.begun + data).split(b"\0")
        for piece in filter(None, pieces):
            body = unstuff(piece)
            if len(body) < 12 or zlib.crc32(body[:-4]) != struct.unpack("<I", body[-4:])[0] or body[0] != 1:
                if self.tickets:
                    self.fault(6, "damaged")
                continue
            _, kind, channel, _, sequence = struct.unpack("<BBBBI", body[:8])
            self.frame(kind, channel, sequence, body[8:-4])

    def frame(self, kind: int, channel: int, sequence: int, payload: bytes) -> None:
        if kind < 0x10 and self.is_at("lossy-answers") and sequence not in self.seen:
            self.seen.add(sequence)
            if kind == 5:
                self.reset(sequence)
            return
        if kind == 1:
            if self.chosen.fault == "slow-hello" and sequence not in self.seen:
                self.seen.add(sequence)
                return
            if self.chosen.fault == "refuse":
                self.send(0x7F, 0xFF, sequence, b"\3" + text("not you"))
                return
            self.host_payload, self.host_window = struct.unpack("<HI", payload[:6])
            self.begin()
            self.send(0x81, 0xFF, sequence, self.hello())
        elif kind == 2:
            answers = {1: IDENTITY, 2: LINK, 3: ERRORS}
            self.send(0x82, 0xFF, sequence, answers[payload[0]])
        elif kind in (3, 4):
            if kind == 3:
                (self.credit,) = struct.unpack("<I", payload)
            counts = struct.pack("<III", self.taken, self.sent, self.granted)
            if kind == 4:
                self.begin()
            self.send(0x80 + kind, channel, sequence, counts)
        elif kind == 5:
            self.reset(sequence)
            self.send(0x85, 0xFF, sequence)
        elif kind == 0x13:
            (self.credit,) = struct.unpack("<I", payload)
        elif kind in (0x10, 0x11) and not self.rests:
            self.transfer(kind, sequence, payload)

    def reset(self, sequence: int) -> None:
        if sequence != self.last_reset:
            self.last_reset = sequence
            self.begin()

    def hello(self) -> bytes:
        chosen = self.chosen
        limits = struct.pack("<IIIHBQI", chosen.most, 1, 0xFFFFFFFF, chosen.depth, 3, 1_000_000, chosen.window)
        return struct.pack("<HBB", chosen.payload, 0b111, 1) + limits + text("echo") + IDENTITY

    def is_at(self, fault: str, number: int | None = None) -> bool:
        return self.chosen.fault == fault and number in (None, self.chosen.at)

    def transfer(self, kind: int, sequence: int, payload: bytes) -> None:
        if kind == 0x11:
            self.data_in += 1
            if self.is_at("drop-in", self.data_in - 1):
                return None
            if self.is_at("die", self.data_in - 1):
                sys.exit(0)
            if self.is_at("dead", self.data_in - 1):
                time.sleep(60)
        if sequence != self.taken:
            return self.fault(5, f"{sequence}, not {self.taken}")
        self.taken += 1
        if kind == 0x10:
            ticket, sides, nbytes, room = struct.unpack("<IBII", payload)
            if len(self.tickets) >= self.chosen.depth or nbytes > self.chosen.most:
                return self.fault(9, "too many, or too large")
            self.tickets[ticket] = [nbytes if sides & 1 else 0, 0, 0, room if sides & 2 else None]
            if sides & 1:
                self.units.append([b"", nbytes])
            if sides & 2:
                self.takers.append(ticket)
            return None
        ticket, data = struct.unpack("<I", payload[:4])[0], payload[4:]
        self.bytes_taken += len(data)
        # What this is all about: a small buffer is never overrun.
        if self.bytes_taken > self.granted or len(payload) > self.chosen.payload:
            return self.fault(9, f"{self.bytes_taken} bytes of {self.granted}")
        state = self.tickets[ticket]
        state[1] += len(data)
        unit = next(unit for unit in self.units if unit[1])
        unit[0] += data
        unit[1] -= len(data)
        self.grant()
        return None

    def grant(self) -> None:
        held = sum(len(data) for data, _ in self.units)
        credit = self.bytes_taken + self.chosen.window - held
        if credit - self.granted >= self.chosen.window // 2 or (credit > self.granted and not held):
            self.granted = credit
            self.credits += 1
            if not self.is_at("drop-credit", self.credits - 1):
                self.send(0x13, 0, 0, struct.pack("<I", credit % 2**32))

    def work(self) -> None:
        """Return what fits, and end what is whole."""
        while self.takers and self.units and self.units[0][0] and not self.rests and len(self.out) < 4096:
            ticket, unit = self.takers[0], self.units[0]
            state = self.tickets[ticket]
            most = min(self.credit - self.bytes_sent, self.host_payload - 4, self.chosen.payload - 4)
            if most <= 0 or (self.is_at("stall") and self.data_out >= self.chosen.at):
                break
            piece = unit[0][: min(most, state[3] - state[2])]
            unit[0] = unit[0][len(piece) :]
            self.return_data(ticket, piece)
            ended = not unit[0] and not unit[1]
            if ended:
                del self.units[0]
            if ended or state[2] >= state[3]:
                del self.takers[0]
            self.grant()
        for ticket, (due, came, returned, _) in list(self.tickets.items()):
            if came == due and ticket not in self.takers and not self.rests:
                del self.tickets[ticket]
                if self.is_at("lose-done"):
                    self.sent += 1
                    continue
                self.counted(0x12, struct.pack("<IIIB", ticket, came, returned, 0) + text(""))

    def return_data(self, ticket: int, piece: bytes) -> None:
        number, self.data_out = self.data_out, self.data_out + 1
        state = self.tickets[ticket]
        if self.is_at("flip-data", number):
            piece = bytes((piece[0] ^ 1,)) + piece[1:]
        if self.is_at("surplus", number) and state[2] + len(piece) == state[0]:
            piece += b"\x5a"
        if self.is_at("more", number):
            piece += bytes(state[3] - state[2] - len(piece) + 1)
        state[2] += len(piece)
        self.bytes_sent += len(piece)
        before, self.out = self.out, b""
        self.counted(0x11, struct.pack("<I", ticket) + piece)
        frame, self.out = self.out, before
        if self.held is not None:
            frame, self.held = frame + self.held, None
        elif self.is_at("swap", number):
            self.held, frame = frame, b""
        elif self.is_at("flip-line", number):
            frame = frame[:-4] + bytes((frame[-4] ^ 0x80 or 1,)) + frame[-3:]
        elif self.is_at("drop-out", number):
            frame = b""
        elif self.is_at("repeat", number):
            frame += frame
        self.out += frame
        if self.is_at("flood", number):
            while True:
                os.write(self.fd, frame)
        if self.is_at("babble", number):
            while True:
                os.write(self.fd, random.Random(1).randbytes(4096).replace(b"\0", b"\1"))

    def run(self) -> None:
        os.set_blocking(self.fd, False)
        while True:
            readable, writable, _ = select.select([self.fd], [self.fd] if self.out else [], [], 1)
            if readable:
                try:
                    data = os.read(self.fd, 4096)
                except OSError:  # nobody has the terminal open
                    data = b""
                    time.sleep(0.01)
                    if self.chosen.tcp:
                        return
                if not data and self.chosen.tcp:
                    return
                self.feed(data)
            self.work()
            if writable or self.out:
                try:
                    self.out = self.out[os.write(self.fd, self.out) :]
                except BlockingIOError:
                    pass
                except OSError:
                    self.out = b""
            if self.chosen.fault in ("flood", "babble"):
                os.set_blocking(self.fd, True)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--tcp", action="store_true")
    parser.add_argument("--fault", choices=FAULTS, default="none")
    parser.add_argument("--at", type=int, default=0)
    parser.add_argument("--window", type=int, default=1024)
    parser.add_argument("--payload", type=int, default=260)
    parser.add_argument("--depth", type=int, default=2)
    parser.add_argument("--most", type=int, default=65536)
    chosen = parser.parse_args()
    if chosen.tcp:
        listener = socket.create_server(("127.0.0.1", 0))
        print(f"socket://127.0.0.1:{listener.getsockname()[1]}", flush=True)
        while True:
            connection, _ = listener.accept()
            Firmware(connection.fileno(), chosen).run()
    fd, slave = pty.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    os.close(slave)  # held open here, it would be in use
    print(name, flush=True)
    Firmware(fd, chosen).run()


if __name__ == "__main__":
    main()
