"""The scheme `usb`: a card that speaks frames over a pair of USB bulk endpoints.

    usb:fffe:0001                   the only device with that vendor and product id
    usb:fffe:0001:invented-0007     the one of them with that serial number

What it speaks is in `framing`, and on the guide's page `frames`. A USB card that shows a serial port is opened as
`serial:/dev/ttyACM0`. An interface that a kernel driver has is refused, never taken from it.
"""

from __future__ import annotations

import errno
import os
import re
import time
from collections.abc import Iterable
from contextlib import suppress
from typing import Any, NoReturn

from attrs import field, frozen, validators

from laneproof.clock import SLICE_S, Deadline
from laneproof.contract import Address, Card, Driver, Found
from laneproof.documents import printable
from laneproof.errors import BadInput, CannotOpen, CardInUse, DeviceLost, DriverFault
from laneproof_drivers.framing.carrier import Carrier
from laneproof_drivers.framing.framed_card import open_framed

_PIECE = 1 << 14
"""Bytes; a multiple of every bulk endpoint's packet, so that no read overflows (USB 2.0, 5.8.3; USB 3.0, 4.4.6)."""
_SLICE_MS = int(SLICE_S * 1000)
_BULK = 2
"""Transfer type in bits 1:0 of bmAttributes (USB 2.0, table 9-13)."""
_IN = 0x80
"""Direction in bit 7 of bEndpointAddress (USB 2.0, table 9-13), and of bmRequestType (9.3.1)."""
_GET_STATUS = 0
"""Of a device, two bytes (USB 2.0, 9.4.5)."""
_NOTICE_S = 0.5
"""In which a hub has told that a device was unplugged: twice the time between its reports (USB 2.0, 11.23.1)."""
_LOOK_S = 0.01


@frozen(kw_only=True)
class UsbOptions:
    """Which interface, and the numbers of its bulk endpoints (1 to 15); left out, the first that has a pair."""

    interface: int = field(default=-1, validator=[validators.ge(-1), validators.le(255)])
    out: int = field(default=0, validator=[validators.ge(0), validators.le(15)])
    into: int = field(default=0, validator=[validators.ge(0), validators.le(15)])


class UsbDriver(Driver):
    """Opens cards that speak frames over USB bulk endpoints."""

    options = UsbOptions
    may_be_simulated = True

    def discover(self, deadline: Deadline) -> Iterable[Found]:
        """Nothing: what a device speaks cannot be known without writing to it."""
        return ()

    def connect(self, address: Address, options: UsbOptions, deadline: Deadline) -> Card:
        return open_framed(_open(address.text, options), deadline)


def library() -> Any:
    """pyusb's way to libusb 1.0: the system's, else that of the package libusb-package. Raises CannotOpen."""
    try:
        import usb.backend.libusb1
    except ImportError as error:
        raise CannotOpen(f"the scheme usb needs pyusb ({error}); install it: pip install pyusb") from error
    found = None
    with suppress(OSError):  # a library that is there and cannot be loaded
        found = usb.backend.libusb1.get_backend()
    if found is None:
        with suppress(ImportError, OSError):
            import libusb_package  # pyright: ignore[reportMissingImports] - an extra, not always there

            found = libusb_package.get_libusb1_backend()
    if found is None:
        raise CannotOpen(
            "the scheme usb needs libusb 1.0, which is not there; install the system's package (libusb-1.0-0), or "
            "pip install laneproof[usb]"
        )
    return found


def _open(address: str, options: UsbOptions) -> Carrier:
    parts = re.fullmatch(r"([0-9a-fA-F]{1,4}):([0-9a-fA-F]{1,4})(?::(.+))?", address)
    if parts is None:
        raise BadInput(f'"{address}" is not VENDOR:PRODUCT[:SERIAL] in hexadecimal; write for example usb:fffe:0001')
    vendor, product, serial = int(parts[1], 16), int(parts[2], 16), parts[3]
    backend = library()
    import usb.core
    import usb.util

    device = None
    try:
        found = list(usb.core.find(find_all=True, backend=backend, idVendor=vendor, idProduct=product) or ())
        device = _the_one(address, found, serial)
        interface, out, into = _claimed(address, device, options)
        return _BulkCarrier(f"usb:{address}", device, interface, out, into)
    except (OSError, NotImplementedError, ValueError) as error:  # pyusb's own are OSErrors, but for a ValueError
        if device is not None:
            usb.util.dispose_resources(device)
        if isinstance(error, BadInput):
            raise
        raise not_opened(address, error) from error
    except BaseException:
        if device is not None:
            usb.util.dispose_resources(device)
        raise


def _the_one(address: str, found: list[Any], serial: str | None) -> Any:
    if not found:
        raise CannotOpen(f"no USB device {address} is there; `lsusb` lists those that are")
    if serial is None:
        if len(found) > 1:
            where = ", ".join(f"bus {device.bus} device {device.address}" for device in found)
            raise BadInput(f"{len(found)} devices are usb:{address} ({where}); add the serial number of one")
        return found[0]
    known = [(device, device.serial_number) for device in found]
    for device, number in known:
        if number == serial:
            return device
    numbers = ", ".join(printable(str(number)) for _, number in known)
    raise CannotOpen(f"no USB device {address} is there; those with these ids have the serial numbers {numbers}")


def _claimed(address: str, device: Any, options: UsbOptions) -> tuple[int, int, int]:
    """Interface and endpoint addresses, the interface claimed. Raises CardInUse where a kernel driver has it."""
    import usb.core
    import usb.util

    try:
        configuration = device.get_active_configuration()
    except usb.core.USBError:
        device.set_configuration()  # it had none, so nobody uses it
        configuration = device.get_active_configuration()
    chosen = _chosen(address, configuration, options)
    number = chosen[0].bInterfaceNumber
    with suppress(NotImplementedError):  # a system that has no kernel drivers for it
        if device.is_kernel_driver_active(number):
            raise CardInUse(_held_by_kernel(address, device, configuration.bConfigurationValue, number))
    try:
        usb.util.claim_interface(device, number)
    except usb.core.USBError as error:
        if error.errno == errno.EBUSY:
            node = f"/dev/bus/usb/{device.bus:03d}/{device.address:03d}"
            raise CardInUse(
                f"interface {number} of usb:{address} is in use by another program; `fuser -v {node}` as root names "
                "it; end that one, then open it again"
            ) from error
        raise
    return number, chosen[1], chosen[2]


def _chosen(address: str, configuration: Any, options: UsbOptions) -> tuple[Any, int, int]:
    for interface in configuration:
        if interface.bAlternateSetting != 0 or options.interface not in (-1, interface.bInterfaceNumber):
            continue
        bulk = [end.bEndpointAddress for end in interface if end.bmAttributes & 3 == _BULK]
        outs = [end for end in bulk if not end & _IN and options.out in (0, end)]
        intos = [end for end in bulk if end & _IN and options.into in (0, end & 15)]
        if outs and intos:
            return interface, outs[0], intos[0]
    raise CannotOpen(
        f"usb:{address} has no such pair of bulk endpoints; `lsusb -v -d {':'.join(address.split(':')[:2])}` lists its "
        "interfaces; choose with ?interface=N&out=N&into=N"
    )


def _held_by_kernel(address: str, device: Any, configuration: int, interface: int) -> str:
    ports = ".".join(map(str, device.port_numbers or ()))
    name = f"{device.bus}-{ports}:{configuration}.{interface}"
    try:
        driver = os.path.basename(os.readlink(f"/sys/bus/usb/devices/{name}/driver"))
    except OSError:
        driver = "DRIVER"
    return (
        f"interface {interface} of usb:{address} is bound to a kernel driver, and is not taken away; this would "
        f"release it: echo {name} | sudo tee /sys/bus/usb/drivers/{driver}/unbind"
    )


_REMEDIES = {
    errno.EACCES: "is not permitted to this user; have a udev rule grant it, or join the group that owns it",
    errno.ENODEV: "is gone; see that it is plugged in",
    errno.ENOENT: "is not there as it was listed; see that it is plugged in",
    errno.EBUSY: "is in use by another program or a kernel driver; `lsusb -t` names the driver",
}


def not_opened(address: str, error: Exception) -> CannotOpen:
    number = error.errno if isinstance(error, OSError) else None
    if isinstance(error, ValueError) and "langid" in str(error):  # how pyusb says that it may not read texts
        number = errno.EACCES
    kind = CardInUse if number == errno.EBUSY else CannotOpen
    return kind(f"usb:{address} {_REMEDIES.get(number or 0, 'cannot be opened: ' + printable(str(error)))}")


_GONE = {errno.ENODEV, errno.ESHUTDOWN, errno.ENOENT, errno.ENXIO}


class _BulkCarrier(Carrier):
    """Over two bulk endpoints. libusb's calls wait by themselves, at most a slice; they may run beside each other."""

    medium = "USB"

    def __init__(self, name: str, device: Any, interface: int, out: int, into: int) -> None:
        self.name = name
        self._device = device
        self._interface = interface
        self._out = out
        self._into = into
        self._arrived = b""

    def write(self, data: memoryview) -> int:
        import usb.core

        try:
            return self._device.write(self._out, bytes(data[:_PIECE]), _SLICE_MS)
        except usb.core.USBTimeoutError:
            return 0
        except (OSError, NotImplementedError) as error:
            self._raise(error, "writing to")

    def read(self) -> bytes:
        arrived, self._arrived = self._arrived, b""
        return arrived

    def wait(self, deadline: Deadline, *, writing: bool) -> None:
        import usb.core

        deadline.check()
        # To libusb no time at all would mean for ever.
        longest_ms = max(1, min(_SLICE_MS, int(deadline.left_s() * 1000)))
        try:
            self._arrived += self._device.read(self._into, _PIECE, longest_ms).tobytes()
        except usb.core.USBTimeoutError:
            pass
        except (OSError, NotImplementedError) as error:
            self._raise(error, "reading from")
        deadline.check()

    def poke(self) -> None:
        """A read ends within a slice."""

    def close(self) -> None:
        import usb.core
        import usb.util

        with suppress(usb.core.USBError):
            usb.util.dispose_resources(self._device)

    def _raise(self, error: Exception, doing: str) -> NoReturn:
        what = f"{doing} {self.name} failed: {printable(str(error))}"
        if self._is_gone(error):
            raise DeviceLost(f"{what}: it is gone; see that it is plugged in, then open it again") from error
        raise DriverFault(f"{what}; see the kernel log for the reason") from error

    def _is_gone(self, error: Exception) -> bool:
        """Until its hub has told that a device was unplugged, transfers only fail; so does asking it for its status."""
        number = getattr(error, "errno", None)
        until_s = time.monotonic() + _NOTICE_S
        while number == errno.EIO and time.monotonic() < until_s:
            time.sleep(_LOOK_S)
            try:
                self._device.ctrl_transfer(_IN, _GET_STATUS, 0, 0, 2, _SLICE_MS)
            except (OSError, NotImplementedError) as again:
                number = getattr(again, "errno", None)
            else:
                return False
        return number in _GONE


driver = UsbDriver()
