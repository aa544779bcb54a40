"""The scheme `serial`: a card behind a serial line, or at another of pyserial's URLs, that speaks frames.

    serial:/dev/ttyACM0?baud=921600        a serial port, also one that a USB card shows
    serial:socket://127.0.0.1:7120         a card, or a server, on a network

What it speaks is in `framing`, and on the guide's page `frames`. A card whose serial line simply echoes bytes is
opened as `chardev:PATH`.
"""

from __future__ import annotations

import errno
import fcntl
import os
import termios
from collections.abc import Iterable
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Literal

from attrs import field, frozen, validators

from laneproof.clock import SLICE_S, Deadline
from laneproof.contract import Address, Card, Driver, Found
from laneproof.documents import printable
from laneproof.errors import BadInput, CannotOpen, CardInUse, DeviceLost, DriverFault
from laneproof_drivers.device_node import cannot_open, kind_of
from laneproof_drivers.framing.carrier import Carrier, DescriptorCarrier
from laneproof_drivers.framing.framed_card import open_framed, read_token
from laneproof_drivers.holders import holders, in_use
from laneproof_drivers.socket_port import open_socket

if TYPE_CHECKING:
    from serial import Serial

_LOOK_S = 0.005
"""How often a port without a descriptor is looked at, in seconds."""
_MEMORY = 1
"""The major number of /dev/null and its kin, which everybody has open (Linux Documentation/admin-guide/devices.txt)."""
_BITS_PER_BYTE = 10
"""On the line: a start bit, eight of data, a stop bit."""


@frozen(kw_only=True)
class SerialOptions:
    """`baud`: bits per second on the line; a USB card's port takes any. `parity`: none, even or odd.

    `rtscts`: hardware flow control. `token_file`: a file that holds what a server asks for.
    """

    baud: int = field(default=115200, validator=[validators.ge(50), validators.le(20_000_000)])
    parity: Literal["none", "even", "odd"] = "none"
    rtscts: bool = False
    token_file: str = ""


class SerialDriver(Driver):
    """Opens cards that speak frames over a serial line."""

    options = SerialOptions
    may_be_simulated = True

    def discover(self, deadline: Deadline) -> Iterable[Found]:
        """Nothing: what is behind a port cannot be known without writing to it."""
        return ()

    def connect(self, address: Address, options: SerialOptions, deadline: Deadline) -> Card:
        token = read_token(options.token_file)
        carrier = _open(address.text, options, deadline)
        if _scheme(address.text) != "socket":
            carrier.bytes_per_s = options.baud / _BITS_PER_BYTE
        return open_framed(carrier, deadline, token)


def _scheme(address: str) -> str:
    """That of a URL, nothing for a path; pyserial does not mind its case either."""
    return address.partition("://")[0].lower() if "://" in address else ""


def _open(address: str, options: SerialOptions, deadline: Deadline) -> Carrier:
    scheme = _scheme(address)
    if scheme == "socket":
        return open_socket(address, deadline)
    if scheme == "rfc2217":
        raise BadInput(
            f"{address}: opening an RFC 2217 port keeps no deadline and cannot be interrupted; have its server pass "
            "the bytes through as they are, and open serial:socket://ADDRESS:PORT"
        )
    if not scheme:
        kind = kind_of(address)
        if kind != "character device":
            raise CannotOpen(f"{address} is a {kind} and no serial port; what echoes bytes is opened as chardev:PATH")
        if os.major(os.stat(address).st_rdev) == _MEMORY:
            raise CannotOpen(f"{address} is no serial port; name one, such as /dev/ttyACM0")
        if holders(address):
            raise CardInUse(in_use(address))
    found = None if scheme else _settings(address)
    port = _port(address, options, exclusive=not scheme)
    medium = "a serial port on USB" if _is_usb(address) else f"a serial line at {options.baud} baud"
    try:
        fd = port.fileno()
    except (OSError, AttributeError, NotImplementedError, ValueError):  # what is not a file says so in several ways
        return _PortCarrier(address, medium, port, options.baud)
    try:
        if os.isatty(fd):
            fcntl.ioctl(fd, termios.TIOCEXCL)
            settings = termios.tcgetattr(fd)
            settings[6][termios.VMIN] = 1  # with pyserial's 0, a read without input would return as if at the end
            termios.tcsetattr(fd, termios.TCSANOW, settings)
        return DescriptorCarrier(address, medium, fd, lambda: _give_back(port, fd, found))
    except (OSError, termios.error) as error:
        _give_back(port, fd, found)
        raise _not_opened(address, error) from error


def _settings(address: str) -> list[Any] | None:
    """The terminal's settings before pyserial changes them, which it does in opening; None for what has none."""
    try:
        fd = os.open(address, os.O_RDWR | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC)
    except OSError as error:
        raise _not_opened(address, error) from error
    try:
        return termios.tcgetattr(fd) if os.isatty(fd) else None
    finally:
        os.close(fd)


def _is_usb(address: str) -> bool:
    """Whether it is a port of USB's communications class, which has no line behind it: its baud means nothing."""
    return os.path.basename(os.path.realpath(address)).startswith("ttyACM")


def _port(address: str, options: SerialOptions, *, exclusive: bool) -> Serial:
    try:
        import serial
    except ImportError as error:
        raise CannotOpen(f"the scheme serial needs pyserial ({error}); install it: pip install pyserial") from error
    parity = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}[options.parity]
    # Written in pieces that a port without a descriptor takes within a slice; where there is one, it is used itself.
    settings: dict[str, Any] = {"timeout": 0, "write_timeout": SLICE_S, "parity": parity, "rtscts": options.rtscts}
    if exclusive:
        settings["exclusive"] = True
    try:
        return serial.serial_for_url(address, options.baud, **settings)
    except (serial.SerialException, OSError, ValueError, termios.error) as error:
        raise _not_opened(address, error) from error


def _not_opened(address: str, error: Exception) -> CannotOpen | BadInput:
    number = error.args[0] if error.args else None
    if number in (errno.EAGAIN, errno.EBUSY):  # locked by flock(2), or by TIOCEXCL of tty_ioctl(2)
        return CardInUse(in_use(address))
    if isinstance(error, ValueError) and not isinstance(error, OSError):
        return BadInput(f"{address}: {printable(str(error))}; give another baud, a path, or a URL that pyserial knows")
    if isinstance(number, int) and number in errno.errorcode and "://" not in address:
        return cannot_open(address, OSError(number, os.strerror(number)))
    return CannotOpen(f"{address} cannot be opened as a serial port: {printable(str(error))}")


def _give_back(port: Serial, fd: int, found: list[Any] | None) -> None:
    with suppress(OSError, termios.error):
        # Closing may wait for output that nobody takes; what is left is of no use to the next user.
        termios.tcflush(fd, termios.TCIOFLUSH)
        if found is not None:
            termios.tcsetattr(fd, termios.TCSANOW, found)
        fcntl.ioctl(fd, termios.TIOCNXCL)
    _close(port)


def _close(port: Serial) -> None:
    with suppress(OSError, ValueError):
        port.close()


class _PortCarrier(Carrier):
    """Over a port of pyserial's that has no descriptor: looked at every few milliseconds."""

    def __init__(self, name: str, medium: str, port: Serial, baud: int) -> None:
        self.name = name
        self.medium = medium
        self._port = port
        self._piece = max(1, int(baud * SLICE_S / _BITS_PER_BYTE / 2))

    def write(self, data: memoryview) -> int:
        import serial

        try:
            return self._port.write(bytes(data[: self._piece])) or 0
        except serial.SerialTimeoutException:
            return 0
        except OSError as error:
            raise self._fault(error, "writing to") from error

    def read(self) -> bytes:
        try:
            return self._port.read(max(1, self._port.in_waiting))
        except OSError as error:
            raise self._fault(error, "reading from") from error

    def wait(self, deadline: Deadline, *, writing: bool) -> None:
        deadline.pause(_LOOK_S)

    def poke(self) -> None:
        """It looks by itself."""

    def close(self) -> None:
        _close(self._port)

    def _fault(self, error: OSError, doing: str) -> DeviceLost | DriverFault:
        import serial

        what = f"{doing} {self.name} failed: {printable(str(error))}"
        if isinstance(error, serial.PortNotOpenError) or not isinstance(error, serial.SerialException):
            return DriverFault(f"{what}; open it again")
        return DeviceLost(f"{what}; see that it runs and is connected, then open it again")


driver = SerialDriver()
