"""Every exception below the scheme `serial`, pyserial's and the system's, becomes one of laneproof's."""

from __future__ import annotations

import errno
import inspect
import os
import termios

import pytest
import serial
from framed_cards import firmware, opened, raised

from laneproof.clock import Deadline
from laneproof.contract import Address
from laneproof.errors import BadInput, CannotOpen, DeviceLost, DriverFault, LaneproofError
from laneproof_drivers import serial_port
from laneproof_drivers.serial_port import SerialOptions, driver

PYSERIALS = sorted(
    {
        kind
        for module in (serial, serial.serialutil, serial.serialposix)
        for _, kind in inspect.getmembers(module, inspect.isclass)
        if issubclass(kind, Exception) and kind.__module__.startswith("serial")
    },
    key=lambda kind: kind.__name__,
)


def test_pyserial_has_the_exceptions_that_are_mapped() -> None:
    assert [kind.__name__ for kind in PYSERIALS] == [
        "PortNotOpenError",
        "SerialException",
        "SerialTimeoutException",
    ]


def made(kind: type[Exception]) -> Exception:
    return kind() if kind.__name__ == "PortNotOpenError" else kind("it broke")


LOWER = [*map(made, PYSERIALS), OSError(errno.EIO, "Input/output error"), ValueError("Invalid baud"), termios.error(5)]


@pytest.mark.parametrize("error", LOWER, ids=lambda error: type(error).__name__)
def test_every_exception_at_opening_is_mapped(error, monkeypatch, held_terminal) -> None:
    def fail(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(serial, "serial_for_url", fail)
    problem = raised(lambda: driver.connect(Address(held_terminal[1]), SerialOptions(), Deadline(1)))
    assert isinstance(problem, CannotOpen | BadInput)
    assert problem.__cause__ is error


@pytest.mark.parametrize(
    "error", [one for one in LOWER if isinstance(one, OSError)], ids=lambda error: type(error).__name__
)
@pytest.mark.parametrize("call", ["read", "write"])
def test_every_exception_during_traffic_is_mapped(error, call) -> None:
    def fail(*_: object) -> None:
        raise error

    port = serial.serial_for_url("loop://")
    carrier = serial_port._PortCarrier("loop://", "a line", port, 9600)
    setattr(port, call, fail)
    if call == "write" and isinstance(error, serial.SerialTimeoutException):
        assert carrier.write(memoryview(b"x")) == 0
    else:
        problem = raised(carrier.read if call == "read" else lambda: carrier.write(memoryview(b"x")))
        assert isinstance(problem, DeviceLost | DriverFault)
        assert isinstance(problem, LaneproofError)
        assert problem.__cause__ is error
    carrier.close()


@pytest.mark.parametrize(
    ("number", "expected"),
    [
        (errno.EIO, DeviceLost),
        (errno.EPIPE, DeviceLost),
        (errno.ECONNRESET, DeviceLost),
        (errno.ENODEV, DeviceLost),
        (errno.ENXIO, DeviceLost),
        (errno.ETIMEDOUT, DeviceLost),
        (errno.EINVAL, DriverFault),
        (errno.ENOMEM, DriverFault),
    ],
)
def test_every_error_of_the_system_during_traffic_is_mapped(number, expected, monkeypatch) -> None:
    with firmware("--tcp") as place, opened(f"serial:{place}") as card:

        def fail(*_: object) -> None:
            raise OSError(number, os.strerror(number))

        monkeypatch.setattr(os, "read", fail)
        problem = raised(lambda: card.loopback(bytes(10), bytearray(10)))
        monkeypatch.undo()
        assert isinstance(problem, expected)
        assert isinstance(problem.__cause__, OSError)
