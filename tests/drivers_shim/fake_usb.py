"""A USB bus in place of libusb's, at pyusb's own backend interface: devices with one bulk pair, wired to a socket.

Only what the operating system would do: descriptors as USB 2.0, chapter 9, has them, and transfers that wait.
"""

from __future__ import annotations

import array
import errno
import select
import socket
from collections.abc import Callable
from types import SimpleNamespace

import usb.backend
from attrs import define, field
from usb.core import USBError, USBTimeoutError


@define(eq=False)
class Device:
    """One device on the bus. `interfaces`: for each, the (address, attributes) of its endpoints."""

    serial: str | None = "invented-0007"
    vendor: int = 0xFFFE
    product: int = 0x0001
    interfaces: tuple[tuple[tuple[int, int], ...], ...] = (((0x81, 3),), ((0x02, 2), (0x82, 2)))
    configured: bool = True
    kernel_driver_on: int | None = None
    claimed_by_other: bool = False
    readable: bool = True
    """Whether this user may read its texts."""
    wire: socket.socket | None = None


@define(eq=False)
class Bus(usb.backend.IBackend):
    """What pyusb asks of a system."""

    devices: list[Device]
    fail: dict[str, Exception] = field(factory=dict)
    """By the name of a call, what it raises."""
    calls: list[str] = field(factory=list)
    open_handles: int = 0
    claimed: set[int] = field(factory=set)

    def _called(self, name: str) -> None:
        self.calls.append(name)
        if name in self.fail:
            raise self.fail[name]

    def enumerate_devices(self):
        self._called("enumerate_devices")
        return list(self.devices)

    def get_parent(self, dev):
        return None

    def get_device_descriptor(self, dev):
        return SimpleNamespace(
            bLength=18, bDescriptorType=1, bcdUSB=0x200, bDeviceClass=255, bDeviceSubClass=0, bDeviceProtocol=0,
            bMaxPacketSize0=64, idVendor=dev.vendor, idProduct=dev.product, bcdDevice=1, iManufacturer=0, iProduct=0,
            iSerialNumber=1 if dev.serial else 0, bNumConfigurations=1, address=self.devices.index(dev) + 4, bus=1,
            port_number=2, port_numbers=(1, 2), speed=3,
        )  # fmt: skip

    def get_configuration_descriptor(self, dev, config):
        if config:
            raise IndexError
        return SimpleNamespace(
            bLength=9, bDescriptorType=2, wTotalLength=9, bNumInterfaces=len(dev.interfaces), bConfigurationValue=1,
            iConfiguration=0, bmAttributes=0x80, bMaxPower=50, extra_descriptors=[],
        )  # fmt: skip

    def get_interface_descriptor(self, dev, intf, alt, config):
        if intf >= len(dev.interfaces) or alt:
            raise IndexError
        return SimpleNamespace(
            bLength=9, bDescriptorType=4, bInterfaceNumber=intf, bAlternateSetting=0,
            bNumEndpoints=len(dev.interfaces[intf]), bInterfaceClass=255, bInterfaceSubClass=0, bInterfaceProtocol=0,
            iInterface=0, extra_descriptors=[],
        )  # fmt: skip

    def get_endpoint_descriptor(self, dev, ep, intf, alt, config):
        address, attributes = dev.interfaces[intf][ep]
        return SimpleNamespace(
            bLength=7, bDescriptorType=5, bEndpointAddress=address, bmAttributes=attributes, wMaxPacketSize=512,
            bInterval=0, bRefresh=0, bSynchAddress=0, extra_descriptors=[],
        )  # fmt: skip

    def open_device(self, dev):
        self._called("open_device")
        self.open_handles += 1
        return dev

    def close_device(self, dev_handle):
        self.open_handles -= 1

    def get_configuration(self, dev_handle):
        return int(dev_handle.configured)

    def set_configuration(self, dev_handle, config_value):
        self._called("set_configuration")
        dev_handle.configured = True

    def claim_interface(self, dev_handle, intf):
        self._called("claim_interface")
        if dev_handle.claimed_by_other or intf in self.claimed:
            raise USBError("Resource busy", -6, errno.EBUSY)
        self.claimed.add(intf)

    def release_interface(self, dev_handle, intf):
        self.claimed.discard(intf)

    def is_kernel_driver_active(self, dev_handle, intf):
        self._called("is_kernel_driver_active")
        return dev_handle.kernel_driver_on == intf

    def detach_kernel_driver(self, dev_handle, intf):
        raise AssertionError("a device is never taken from a kernel driver")

    def ctrl_transfer(self, dev_handle, bmRequestType, bRequest, wValue, wIndex, data, timeout):  # noqa: N803
        """GET_STATUS (USB 2.0, 9.4.5), and GET_DESCRIPTOR of texts: number 0 has the languages (9.4.3 and 9.6.7)."""
        if bRequest == 0:
            self._called("get_status")
            return 2
        if not dev_handle.readable:
            raise USBError("Access denied", -3, errno.EACCES)
        words = b"\x09\x04" if wValue & 0xFF == 0 else dev_handle.serial.encode("utf-16-le")
        answer = bytes((len(words) + 2, 3)) + words
        data[: len(answer)] = array.array("B", answer)
        return len(answer)

    def bulk_write(self, dev_handle, ep, intf, data, timeout):
        self._called("bulk_write")
        assert (ep, intf) == (0x02, 1)
        return self._waiting(dev_handle.wire, select.POLLOUT, timeout, lambda: dev_handle.wire.send(data))

    def bulk_read(self, dev_handle, ep, intf, buff, timeout):
        self._called("bulk_read")
        assert (ep, intf) == (0x82, 1)
        assert len(buff) % 512 == 0  # else a packet may overflow it
        assert timeout > 0  # 0 would be for ever
        got = self._waiting(dev_handle.wire, select.POLLIN, timeout, lambda: dev_handle.wire.recv_into(buff))
        if not got:
            raise USBError("No such device (it may have been disconnected)", -4, errno.ENODEV)
        return got

    def _waiting(self, wire: socket.socket, events: int, timeout_ms: int, move: Callable[[], int]) -> int:
        poller = select.poll()
        poller.register(wire, events)
        if not poller.poll(timeout_ms):
            raise USBTimeoutError("Operation timed out", -7, errno.ETIMEDOUT)
        return move()
