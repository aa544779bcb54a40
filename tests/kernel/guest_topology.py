"""The functions of the guest that the tests run in, by what each is there for.

The root ports take their speed and width from options; every other function of QEMU 7.2 has a link of 2.5 GT/s x1, and
a switch's downstream ports show none. Where a test needs more it overwrites link registers from outside.
"""

from __future__ import annotations

import struct

from guest_machine import Machine
from in_guest import image_of

from laneproof.pcie import registers as regs
from laneproof.pcie import speed_code

SLOW_PORT, SLOW_CARD = "0000:00:02.0", "0000:01:00.0"
"""A port of 16 GT/s x4 whose card can do 2.5 GT/s x1 only."""
SWITCH_PORT, SWITCH = "0000:00:03.0", "0000:02:00.0"
FIRST_DOWNSTREAM, FIRST_CARD = "0000:03:00.0", "0000:04:00.0"
SECOND_DOWNSTREAM, SECOND_CARD = "0000:03:01.0", "0000:05:00.0"
WIDE_PORT, WIDE_CARD = "0000:00:04.0", "0000:06:00.0"
PULLED_PORT, PULLED_CARD = "0000:00:05.0", "0000:07:00.0"
EMPTY_PORT = "0000:00:06.0"

DEVICES = (
    "pcie-root-port,id=slow,bus=pcie.0,addr=02.0,chassis=1,slot=1,x-speed=16,x-width=4",
    "virtio-rng-pci,id=slow_card,bus=slow,aer=on,disable-legacy=on",
    "pcie-root-port,id=above,bus=pcie.0,addr=03.0,chassis=2,slot=2,x-speed=8,x-width=8",
    "x3130-upstream,id=switch,bus=above",
    "xio3130-downstream,id=first,bus=switch,chassis=3,slot=3",
    "xio3130-downstream,id=second,bus=switch,chassis=4,slot=4",
    "virtio-rng-pci,id=first_card,bus=first,aer=on,disable-legacy=on",
    "virtio-rng-pci,id=second_card,bus=second,aer=on,disable-legacy=on",
    "pcie-root-port,id=wide,bus=pcie.0,addr=04.0,chassis=5,slot=5,x-speed=16,x-width=16",
    "virtio-rng-pci,bus=wide,aer=on,disable-legacy=on",
    "pcie-root-port,id=pulled,bus=pcie.0,addr=05.0,chassis=6,slot=6,x-speed=16,x-width=8",
    "virtio-rng-pci,bus=pulled,aer=on,disable-legacy=on",
    "pcie-root-port,bus=pcie.0,addr=06.0,chassis=7,slot=7,x-speed=16,x-width=16",
)


def set_link(guest: Machine, address: str, able: tuple[float, int], trained: tuple[float, int] | None = None) -> None:
    """Overwrites what a function's link can do and, if given, does, each (GT/s, lanes), in QEMU's own memory.

    A port above takes over what the function says that it has trained to, as far as the port can.
    """
    image = guest.call(image_of, address)
    express = image[regs.PCI_CAPABILITY_LIST]
    while image[express] != regs.PCI_CAP_ID_EXP:
        express = image[express + 1]
    speed_gtps, width = able
    (capabilities,) = struct.unpack_from("<I", image, express + regs.PCI_EXP_LNKCAP)
    capabilities = capabilities & ~0x3FF | width << 4 | speed_code(speed_gtps)
    speeds = (2 << speed_code(speed_gtps)) - 2
    guest.set_register(image[:64], express + regs.PCI_EXP_LNKCAP, struct.pack("<I", capabilities))
    guest.set_register(image[:64], express + regs.PCI_EXP_LNKCAP2, struct.pack("<I", speeds))
    if trained is not None:
        speed_gtps, width = trained
        status = width << 4 | speed_code(speed_gtps)
        guest.set_register(image[:64], express + regs.PCI_EXP_LNKSTA, struct.pack("<H", status))
