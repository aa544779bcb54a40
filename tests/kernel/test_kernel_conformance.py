"""The drivers keep the contract over a real kernel's own paths: the conformance kit on memory of a PCI function through
sysfs, on a serial port of the 16550 kind, and on USB bulk endpoints through libusb.

Outside references: the kernel's drivers of these, and QEMU's hardware; behind line and USB a simulated card, served by
a second process of the guest. The kit over DMA by VFIO is in `test_kernel_dma`.
"""

from __future__ import annotations

import dma_topology as at
import pytest
from dma_in_guest import checked, switch
from guest_machine import Machine
from kit_in_guest import left_open, tried, unplugged
from served_in_guest import PRODUCT, SERIAL, VENDOR, serve_on_line, serve_on_usb

from laneproof import conformance

pytestmark = [pytest.mark.kernel, pytest.mark.timeout(300)]

CARD = "sim:demo#north"
WINDOW = f"window:/sys/bus/pci/devices/{at.MEMORY}/resource2?word=8"
LINE = f"serial:{at.LINE}?baud={at.BAUD}"
USB = f"usb:{VENDOR:04x}:{PRODUCT:04x}:{SERIAL}"


@pytest.fixture(scope="module")
def memory(guest_with_dma: Machine) -> Machine:
    guest_with_dma.call(switch, at.MEMORY, True)
    return guest_with_dma


@pytest.fixture(scope="module")
def line(guest_with_dma: Machine) -> Machine:
    """The guest with a card at the far end of its serial line."""
    guest_with_dma.call(serve_on_line, CARD, at.FAR_END, at.BAUD)
    return guest_with_dma


@pytest.fixture(scope="module")
def usb(guest_with_dma: Machine) -> Machine:
    """The guest with a card plugged in."""
    guest_with_dma.call(serve_on_usb, CARD)
    return guest_with_dma


def require_kept(guest: Machine, uri: str, rules: tuple[str, ...]) -> None:
    """Each of these rules is kept."""
    found = guest.call(tried, uri, rules)
    assert [one for one in found if one[1] != "kept"] == []
    assert {rule for rule, _, _ in found} == set(rules)


OF_SPEED = {"nominal-rate-is-of-the-right-order", "a-wait-sleeps"}
"""Rules that an emulated processor breaks: it needs long for what takes a real one no time."""


def require_none_broken(guest: Machine, uri: str, kept: int) -> None:
    """Of all other rules none is broken, and so many at least are kept."""
    names = [rule.name for rule in conformance.rules_of("card") if rule.name not in OF_SPEED]
    found = [finding for name in names for finding in guest.call(tried, uri, (name,))]
    assert [one for one in found if one[1] == "broken"] == []
    assert sum(outcome == "kept" for _, outcome, _ in found) >= kept


# --- memory -------------------------------------------------------------------------------------------------------


def test_a_window_keeps_the_rules_of_memory_and_of_its_loss(memory: Machine) -> None:
    rules = (
        *("close-leaves-nothing-open", "a-window-holds-what-was-written-where", "a-window-ends-where-it-says"),
        *("a-lost-device-is-said-to-be-lost", "a-loss-shows-in-the-readings", "a-card-that-came-back-opens"),
    )
    require_kept(memory, WINDOW, rules)
    assert memory.call(left_open) == []


@pytest.mark.long
def test_a_window_keeps_every_rule_that_can_be_tried_here(memory: Machine) -> None:
    require_none_broken(memory, WINDOW, 35)


# --- a serial line ------------------------------------------------------------------------------------------------


def test_every_byte_over_a_serial_line_is_checked(line: Machine) -> None:
    result = line.call(checked, LINE, {}, 1 << 11, 1 << 9)
    assert result.ok
    assert result.bytes_checked == 1 << 11


def test_a_serial_line_keeps_the_rules_of_a_queue(line: Machine) -> None:
    rules = (
        *("close-leaves-nothing-open", "a-card-in-use-stays-usable"),
        *("nothing-is-written-late", "cancelling-ends-a-wait", "the-queue-is-as-deep-as-it-says"),
    )
    require_kept(line, LINE, rules)
    assert line.call(left_open) == []


@pytest.mark.long
def test_a_serial_line_keeps_every_rule_that_can_be_tried_here(line: Machine) -> None:
    require_none_broken(line, LINE, 45)


# --- USB ----------------------------------------------------------------------------------------------------------


def test_every_byte_over_usb_is_checked(usb: Machine) -> None:
    result = usb.call(checked, USB, {}, 1 << 16, 1 << 13)
    assert result.ok
    assert result.bytes_checked == 1 << 16


def test_a_device_that_is_unplugged_during_a_transfer_is_lost_and_not_wrong_data(usb: Machine) -> None:
    looked_at, wrong, said = usb.call(unplugged, USB)
    assert (looked_at >= 1 << 13, wrong) == (True, 0)
    assert "it is gone; see that it is plugged in" in said
    assert usb.call(left_open) == []


def test_usb_keeps_the_rules_of_a_queue_and_of_its_loss(usb: Machine) -> None:
    rules = (
        *("close-leaves-nothing-open", "a-card-in-use-stays-usable", "each-ticket-completes-once"),
        *("both-directions-work-at-once", "cancelling-ends-a-wait", "stray-bytes-are-dropped"),
        *("a-loss-ends-a-wait", "a-card-that-came-back-opens"),
    )
    require_kept(usb, USB, rules)
    assert usb.call(left_open) == []


@pytest.mark.long
def test_usb_keeps_every_rule_that_can_be_tried_here(usb: Machine) -> None:
    require_none_broken(usb, USB, 50)
