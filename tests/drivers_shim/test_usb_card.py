"""A card that speaks frames over USB bulk endpoints: real pyusb, over a bus that stands in for libusb's."""

from __future__ import annotations

import errno
import inspect
import socket
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack

import pytest
import usb.backend.libusb1
import usb.core
from echo_card import SHORT_S
from fake_usb import Bus, Device
from framed_cards import firmware, opened, raised

from laneproof.clock import Deadline
from laneproof.contract import Address
from laneproof.errors import BadInput, CannotOpen, CardInUse, DeviceLost, DriverFault, Interrupted
from laneproof_drivers import usb_bulk
from laneproof_drivers.usb_bulk import UsbOptions, driver

URI = "usb:fffe:0001"


@pytest.fixture
def plug(monkeypatch) -> Iterator[Callable[..., Bus]]:
    """Puts devices on the bus."""
    buses: list[Bus] = []

    def plugged(*devices: Device) -> Bus:
        buses.append(Bus(list(devices)))
        monkeypatch.setattr(usb_bulk, "library", lambda: buses[-1])
        return buses[-1]

    yield plugged
    for bus in buses:
        assert (bus.open_handles, bus.claimed) == (0, set())


@pytest.fixture
def wired(plug) -> Iterator[Callable[..., Bus]]:
    """A device with the firmware behind its endpoints."""
    with ExitStack() as undo:

        def made(*arguments: object, **facts: object) -> Bus:
            place = undo.enter_context(firmware("--tcp", *arguments))
            wire = undo.enter_context(socket.create_connection(("127.0.0.1", int(place.rpartition(":")[2]))))
            return plug(Device(wire=wire, **facts))

        yield made


@pytest.mark.parametrize("configured", [True, False])
def test_a_check_passes_over_bulk_endpoints(wired, configured) -> None:
    bus = wired(configured=configured)
    with opened(URI) as card:
        assert card.check("prbs31", 30_000, block=2000).ok
        assert card.identity.model == "tide-gauge-echo"
    assert ("set_configuration" in bus.calls) is not configured


def test_a_line_that_damages_is_a_fault_of_the_carrier(wired) -> None:
    wired("--fault", "flip-line", "--at", 5)
    with opened(URI) as card, pytest.raises(DriverFault, match="not of the slot"):
        card.check("prbs31", 20_000, block=2000)


def test_a_card_that_is_unplugged_is_lost(wired) -> None:
    wired("--fault", "die", "--at", 5)
    with opened(URI) as card, pytest.raises(DeviceLost, match="plugged in"):
        card.check("prbs31", 20_000, block=2000)


def test_an_interrupt_ends_a_stalled_transfer(wired) -> None:
    wired("--fault", "stall", "--at", 5)
    with opened(URI) as card:
        timer = threading.Timer(SHORT_S, card.interrupt)
        timer.start()
        with pytest.raises(Interrupted):
            card.loopback(bytes(20_000), bytearray(20_000), timeout=20)
        timer.join()


def test_an_interface_that_a_kernel_driver_has_is_refused_with_what_would_release_it(plug) -> None:
    bus = plug(Device(kernel_driver_on=1))
    command = r"echo 1-1.2:1.1 \| sudo tee /sys/bus/usb/drivers/DRIVER/unbind"
    with pytest.raises(CardInUse, match=command), opened(URI):
        pass
    assert "claim_interface" not in bus.calls


def test_an_interface_that_another_program_has_is_refused(plug) -> None:
    plug(Device(claimed_by_other=True))
    with pytest.raises(CardInUse, match="fuser -v /dev/bus/usb/001/004"), opened(URI):
        pass


def test_one_of_several_is_chosen_by_its_serial_number(wired) -> None:
    bus = wired(serial="invented-0008")
    bus.devices.insert(0, Device(serial="invented-0007"))
    with opened(f"{URI}:invented-0008") as card:
        assert card.loopback(bytes(100), bytearray(100)).bytes_received == 100
    for uri, expected, words in (
        (URI, BadInput, "2 devices are usb:fffe:0001 .*add the serial number"),
        (f"{URI}:other", CannotOpen, "invented-0007, invented-0008"),
    ):
        with pytest.raises(expected, match=words), opened(uri):
            pass


@pytest.mark.parametrize(
    ("uri", "options", "expected", "words"),
    [
        ("usb:fffe", {}, BadInput, "VENDOR:PRODUCT"),
        ("usb:12345:1", {}, BadInput, "VENDOR:PRODUCT"),
        ("usb:fffe:0002", {}, CannotOpen, "lsusb"),
        (URI, {"interface": 0}, CannotOpen, "no such pair"),
        (URI, {"out": 3}, CannotOpen, "no such pair"),
        (URI, {"out": 16}, BadInput, "out"),
    ],
)
def test_what_is_not_there_is_one_clear_line(plug, uri, options, expected, words) -> None:
    plug(Device())
    with pytest.raises(expected, match=words), opened(uri, **options):
        pass


def test_a_device_whose_texts_may_not_be_read_is_a_matter_of_permission(plug) -> None:
    plug(Device(readable=False))
    with pytest.raises(CannotOpen, match="udev"), opened(f"{URI}:invented-0007"):
        pass


def test_without_pyusb_it_says_what_to_install(monkeypatch) -> None:
    monkeypatch.setitem(sys.modules, "usb.backend.libusb1", None)
    with pytest.raises(CannotOpen, match="pip install pyusb"), opened(URI):
        pass


def test_without_libusb_it_says_what_to_install(monkeypatch) -> None:
    monkeypatch.setattr(usb.backend.libusb1, "get_backend", lambda: None)
    monkeypatch.setitem(sys.modules, "libusb_package", None)
    with pytest.raises(CannotOpen, match=r"libusb-1.0-0.*laneproof\[usb\]"), opened(URI):
        pass


# --- every lower exception ------------------------------------------------------------------------------------


def test_pyusb_has_the_exceptions_that_are_mapped() -> None:
    kinds = {name for name, kind in inspect.getmembers(usb.core, inspect.isclass) if issubclass(kind, Exception)}
    assert kinds == {"USBError", "USBTimeoutError", "NoBackendError"}


LOWER = [
    usb.core.USBError("Input/Output Error", -1, errno.EIO),
    usb.core.USBTimeoutError("Operation timed out", -7, errno.ETIMEDOUT),
    usb.core.NoBackendError("No backend available"),
    NotImplementedError("Operation not supported"),  # how pyusb says LIBUSB_ERROR_NOT_SUPPORTED
    OSError(errno.ENOMEM, "Cannot allocate memory"),
]


@pytest.mark.parametrize("error", LOWER, ids=lambda error: type(error).__name__)
@pytest.mark.parametrize("call", ["enumerate_devices", "open_device", "claim_interface"])
def test_every_exception_at_opening_is_mapped(plug, error, call) -> None:
    plug(Device()).fail[call] = error
    problem = raised(lambda: driver.connect(Address("fffe:0001"), UsbOptions(), Deadline(1)))
    assert isinstance(problem, CannotOpen)
    assert problem.__cause__ is error


@pytest.mark.parametrize(
    ("number", "expected"),
    [(errno.ENODEV, DeviceLost), (errno.EIO, DriverFault), (errno.EPIPE, DriverFault), (errno.EOVERFLOW, DriverFault)],
)
@pytest.mark.parametrize("call", ["bulk_read", "bulk_write"])
def test_every_error_during_traffic_is_mapped(wired, call, number, expected) -> None:
    bus = wired()
    with opened(URI) as card:
        bus.fail[call] = usb.core.USBError("it broke", -1, number)
        problem = raised(lambda: card.loopback(bytes(10), bytearray(10)))
        assert isinstance(problem, expected)
        assert problem.__cause__ is bus.fail[call]


@pytest.mark.parametrize("call", ["bulk_read", "bulk_write"])
def test_a_device_whose_unplugging_is_told_late_is_lost(wired, call) -> None:
    bus = wired()
    with opened(URI) as card:
        bus.fail[call] = bus.fail["get_status"] = usb.core.USBError("Input/Output Error", -1, errno.EIO)
        told = threading.Timer(
            SHORT_S, bus.fail.update, [{"get_status": usb.core.USBError("No such device", -4, errno.ENODEV)}]
        )
        told.start()
        assert isinstance(raised(lambda: card.loopback(bytes(10), bytearray(10))), DeviceLost)
        told.join()


def test_a_device_that_only_fails_is_no_lost_one(wired) -> None:
    bus = wired()
    with opened(URI) as card:
        bus.fail["bulk_read"] = bus.fail["get_status"] = usb.core.USBError("Input/Output Error", -1, errno.EIO)
        assert isinstance(raised(lambda: card.loopback(bytes(10), bytearray(10))), DriverFault)


def test_a_device_that_takes_nothing_ends_at_the_deadline(plug) -> None:
    bus = plug(Device())
    bus.fail["bulk_write"] = bus.fail["bulk_read"] = usb.core.USBTimeoutError("timed out", -7, errno.ETIMEDOUT)
    with pytest.raises(CannotOpen, match="no card answers"), opened(URI, timeout=SHORT_S):
        pass
