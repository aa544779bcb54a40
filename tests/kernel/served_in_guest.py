"""Cards that the guest's own kernel has a way to: a simulated one, served by a second process of the guest behind a
serial port and behind the bulk endpoints of a USB device.

The USB device is Linux's own gadget on its dummy_hcd, a host and a device controller that are wired to each other
(drivers/usb/gadget/udc/dummy_hcd.c); its function is in the serving process (Linux Documentation/usb/functionfs.rst).
Everything of the host's is as for a device on a cable.
"""

from __future__ import annotations

import os
import queue
import struct
import subprocess
import threading
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import serial

from laneproof.clock import Deadline
from laneproof_drivers.serve import opener
from laneproof_drivers.served_card import ServedCard

GADGET = Path("/sys/kernel/config/usb_gadget/card")
ENDPOINTS = Path("/dev/card")
VENDOR, PRODUCT, SERIAL = 0xFFFE, 0x0001, "invented-0007"
_PACKET = 512
"""Bytes of a bulk endpoint's packet at high speed (USB 2.0, 5.8.3)."""
_PIECE = 1 << 13
_Read, _Write = Callable[[], bytes], Callable[[bytes], object]
_Start = Callable[[_Read, _Write], None]


def serve_on_line(uri: str, device: str, baud: int) -> None:
    """Have a card answer on a serial port until the guest ends."""

    def serve(start: _Start) -> None:
        with serial.Serial(device, baud) as port:
            start(lambda: port.read(max(1, port.in_waiting)), port.write)

    _beside(uri, serve)


def serve_on_usb(uri: str) -> None:
    """Have a card answer behind a USB device until the guest ends, and plug it in."""
    subprocess.run(["mount", "-t", "configfs", "configfs", "/sys/kernel/config"], check=True)
    for folder in ("strings/0x409", "configs/c.1", "functions/ffs.card"):
        (GADGET / folder).mkdir(parents=True)
    for name, text in (("idVendor", hex(VENDOR)), ("idProduct", hex(PRODUCT)), ("strings/0x409/serialnumber", SERIAL)):
        (GADGET / name).write_text(text)
    (GADGET / "configs/c.1/ffs.card").symlink_to(GADGET / "functions/ffs.card")
    ENDPOINTS.mkdir()
    subprocess.run(["mount", "-t", "functionfs", "card", str(ENDPOINTS)], check=True)

    def serve(start: _Start) -> None:
        control = os.open(ENDPOINTS / "ep0", os.O_RDWR)
        os.write(control, _descriptors())
        os.write(control, struct.pack("<IIII", 2, 16, 0, 0))  # texts, of which it has none
        out, into = (os.open(ENDPOINTS / name, os.O_RDWR) for name in ("ep1", "ep2"))

        def read() -> bytes:
            while True:
                with suppress(BrokenPipeError):  # unplugged; the next read waits until it is plugged in
                    return os.read(out, _PACKET)  # packet by packet: what the host says may end with a full one

        def write(data: bytes) -> None:
            with suppress(BrokenPipeError):  # unplugged, and what it said went with it
                os.write(into, data)
                if len(data) % _PACKET == 0:
                    os.write(into, b"")

        start(read, write)

    _beside(uri, serve)
    plug_in()


def plug_in() -> None:
    """Connect the device, and wait until the host has made it out."""
    _until(lambda: not _is_there())  # as it was before
    (controller,) = os.listdir("/sys/class/udc")
    (GADGET / "UDC").write_text(controller)
    _until(_is_there)


def unplug() -> None:
    """Disconnect the device, as a hand would."""
    (GADGET / "UDC").write_text("\n")


def _is_there() -> bool:
    return any(Path("/sys/bus/usb/devices").glob("*-1:1.0"))


def _until(done: Callable[[], bool]) -> None:
    until_s = time.monotonic() + 10
    while not done():
        assert time.monotonic() < until_s, "it did not come about"
        time.sleep(0.005)


def _descriptors() -> bytes:
    """One interface of a class of its own, with a bulk pair, at full and high speed (linux/usb/functionfs.h; USB 2.0,
    chapter 9)."""
    each = b""
    for packet in (64, _PACKET):
        each += struct.pack("<BBBBBBBBB", 9, 4, 0, 0, 2, 0xFF, 0, 0, 0)
        for address in (0x01, 0x82):
            each += struct.pack("<BBBBHB", 7, 5, address, 2, packet, 0)
    return struct.pack("<IIIII", 3, 20 + len(each), 0b11, 3, 3) + each


def _beside(uri: str, serve: Callable[[_Start], None]) -> None:
    """Serve a card in a process of its own, since the kit counts what its own process has open. `serve` opens the way
    to it, and starts with how to read from that and write to it, both of which block."""
    started, tell = os.pipe()
    if os.fork() == 0:
        try:
            serve(lambda read, write: _serve(uri, read, write, lambda: os.write(tell, b".")))
        except BaseException:
            traceback.print_exc()  # on the guest's console
        finally:
            os._exit(1)
    os.close(tell)
    assert os.read(started, 1), "the server did not start; the guest's console says why"
    os.close(started)


def _serve(uri: str, read: _Read, write: _Write, started: Callable[[], object]) -> None:
    arrived: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()

    def reader() -> None:
        while True:
            arrived.put(read())

    connect, driver = opener(uri)
    with Deadline(10) as deadline:
        served = ServedCard(connect(deadline), uri, driver, b"", lambda: arrived.put(None))
    threading.Thread(target=reader, daemon=True).start()
    started()
    while True:
        served.take(arrived.get() or b"")
        served.settle()
        while served.side.pending:
            write(served.side.outgoing(_PIECE))
