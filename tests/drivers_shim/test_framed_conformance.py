"""The drivers of framed cards keep the contract: the kit over a terminal, TCP and USB, on firmware and the server."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from fake_usb import Bus, Device
from framed_cards import SERVE, firmware, started

from laneproof import conformance
from laneproof.campaign.verdict import Verdict
from laneproof_drivers import usb_bulk


class FramedRig(conformance.Rig):
    """Processes of their own, on a computer that may be busy with others."""

    largest = 1 << 13
    wait_s = 0.1
    quiet_s = 0.5
    slack_s = 1.0


ONE_SIDE = {
    "one-side-alone-works",
    "reap-returns-with-the-first-completion",
    "quiesce-completes-all",
    "counts-are-honest",
    "a-reset-empties-the-card",
    "nothing-is-carried-over",
    "cancelling-ends-a-wait",
}
"""Rules that only a card keeps whose tickets with one side do that side, and nothing else."""


def require_kept(uri: str, *without: str) -> None:
    findings = conformance.run(FramedRig(uri), conformance.rules_of("card"))
    assert [str(one) for one in findings if one.outcome == "broken"] == []
    assert conformance.verdict(findings) is Verdict.PASS
    assert ONE_SIDE - {one.rule for one in findings if one.outcome == "kept"} == set(without)


@pytest.mark.parametrize(
    "small", [(), ("--window", 128, "--payload", 64, "--depth", 1)], ids=["two tickets", "one, and 128 bytes"]
)
def test_firmware_behind_a_terminal_keeps_every_rule(small: tuple[object, ...]) -> None:
    with firmware(*small) as place:
        require_kept(f"serial:{place}")


def test_a_bench_behind_the_server_keeps_every_rule() -> None:
    with started(*SERVE, "sim:demo#north") as (_, place):
        require_kept(place)


def test_a_stream_behind_the_server_keeps_every_rule(start_echo: Callable[..., Any], tmp_path) -> None:
    echo = start_echo("--socket", tmp_path / "socket")
    with started(*SERVE, f"chardev:{echo.address}") as (_, place):
        require_kept(place, "a-reset-empties-the-card")  # it has none


class PluggedAnew(Bus):
    """A connection of its own to the firmware for each time that the interface is claimed."""

    def __init__(self, place: str) -> None:
        super().__init__([Device()])
        self._place = "127.0.0.1", int(place.rpartition(":")[2])

    def claim_interface(self, dev_handle, intf):
        super().claim_interface(dev_handle, intf)
        dev_handle.wire = socket.create_connection(self._place)

    def release_interface(self, dev_handle, intf):
        super().release_interface(dev_handle, intf)
        dev_handle.wire.close()


@pytest.fixture
def plugged(monkeypatch) -> Iterator[str]:
    with firmware("--tcp") as place:
        bus = PluggedAnew(place)
        monkeypatch.setattr(usb_bulk, "library", lambda: bus)
        yield "usb:fffe:0001"
        assert (bus.open_handles, bus.claimed) == (0, set())


def test_firmware_behind_bulk_endpoints_keeps_every_rule(plugged: str) -> None:
    require_kept(plugged)
