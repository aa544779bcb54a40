"""The conformance kit in the guest, over the ways that its kernel has to a card: memory, a serial line, USB."""

from __future__ import annotations

import gc
import os
import threading
from pathlib import Path

import usb.backend.libusb1
from in_guest import image_of, switch_power, write_register
from served_in_guest import plug_in, unplug

import laneproof
from laneproof import conformance
from laneproof.errors import DeviceLost
from laneproof.integrity import Comparison


class GuestRig(conformance.Rig):
    """An emulated computer takes its time."""

    largest = 1 << 12
    slack_s = 2.0
    wait_s = 0.1
    quiet_s = 10.0
    open_s = 30.0
    patience_s = 60.0

    def stray(self, nbytes: int) -> None:
        with laneproof.open(self.uri, acknowledge_cautions=True) as card:
            card.send(bytes(nbytes))


class WindowRig(GuestRig):
    """The function can be left without power."""

    def __init__(self, uri: str) -> None:
        super().__init__(uri)
        function = Path(uri.removeprefix("window:").partition("?")[0]).parent.resolve()
        self._address, self._port = function.name, function.parent.name
        self._header = b""

    def lose(self) -> None:
        self._header = image_of(self._address)[:64]
        switch_power(self._port, False)

    def restore(self) -> None:
        switch_power(self._port, True)
        for offset in (*range(0x10, 0x40, 4), 4):  # addresses first, then the command to answer at them
            write_register(self._address, offset, int.from_bytes(self._header[offset : offset + 4], "little"))


class LineRig(GuestRig):
    """A line that moves a few thousand bytes in a second."""

    largest = 1 << 9


class UsbRig(GuestRig):
    """The device can be unplugged."""

    def lose(self) -> None:
        unplug()

    def restore(self) -> None:
        plug_anew()


RIGS = {"window": WindowRig, "serial": LineRig, "usb": UsbRig}


def tried(uri: str, names: tuple[str, ...]) -> list[tuple[str, str, str]]:
    """Rules of the kit: each by name, with what came of it, and what was seen."""
    rules = [rule for rule in conformance.RULES if rule.name in names]
    rig = RIGS[uri.partition(":")[0]](uri)
    return [(finding.rule, finding.outcome, finding.seen) for finding in conformance.run(rig, rules)]


def plug_anew() -> None:
    """Plug the USB device in again, and have pyusb see it."""
    plug_in()
    # libusb is told by udevd of devices that come and go, and the guest has none; a new context looks by itself.
    usb.backend.libusb1._lib_object = None


def unplugged(uri: str) -> tuple[int, int, str]:
    """A check while the device is unplugged: how many bytes were looked at, how many of those were wrong, and what is
    said of it. It is plugged in again."""
    with laneproof.open(uri, acknowledge_cautions=True) as card:

        def pull(done: int) -> None:
            if done == 1 << 13:
                pulling.start()

        pulling = threading.Timer(0.05, unplug)  # by then the next blocks are under way
        try:
            card.check("prbs31", 1 << 22, block=1 << 12, timeout=60, progress=pull)
        except DeviceLost as lost:
            so_far = lost.so_far if isinstance(lost.so_far, Comparison) else None
            return (so_far.bytes_checked, so_far.mismatched_bytes, str(lost)) if so_far else (0, 0, str(lost))
        finally:
            pulling.join()
            plug_anew()
    raise AssertionError("nothing was noticed")


def left_open() -> list[str]:
    """Descriptors and mappings of the cards' devices that this process has."""
    gc.collect()
    names = os.listdir("/proc/self/fd")
    links = [os.readlink(f"/proc/self/fd/{name}") for name in names if os.path.lexists(f"/proc/self/fd/{name}")]
    maps = Path("/proc/self/maps").read_text().splitlines()
    of_cards = ("/sys/devices/", "/dev/ttyS", "/dev/bus/usb")
    return [text for text in (*links, *maps) if any(place in text for place in of_cards)]
