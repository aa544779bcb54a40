"""The drivers of framed cards keep the contract: the kit over a terminal, TCP and USB, on firmware and the server."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator, Sequence
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
    wait_s = 0.07
    quiet_s = 0.3
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


WITHOUT = {"windows", "regions", "patterns", "losing"}
"""Rules, by their modules, about parts that no framed card has, and about what nobody can do to these."""
ALL = tuple(rule for rule in conformance.rules_of("card") if rule.body.__module__.rpartition(".")[2] not in WITHOUT)
OF_DATA = {"data", "lending", "waiting", "queueing", "tickets", "resetting", "sharing", "whole"}
DATA = tuple(
    rule for rule in conformance.RULES if rule.tier == "card" and rule.body.__module__.rpartition(".")[2] in OF_DATA
)
"""Where another card has shown of the same driver how it opens, and what it says of itself."""


def require_kept(uri: str, *without: str, rules: Sequence[conformance.Rule] = ALL) -> None:
    findings = conformance.run(FramedRig(uri), rules)
    assert [str(one) for one in findings if one.outcome == "broken"] == []
    assert conformance.verdict(findings) is Verdict.PASS
    assert ONE_SIDE - {one.rule for one in findings if one.outcome == "kept"} == set(without)


def test_firmware_behind_a_terminal_keeps_every_rule() -> None:
    with firmware() as place:
        require_kept(f"serial:{place}")


def test_firmware_with_little_memory_keeps_every_rule_of_data() -> None:
    with firmware("--window", 128, "--payload", 64, "--depth", 1) as place:
        require_kept(f"serial:{place}", rules=DATA)


def test_a_bench_behind_the_server_keeps_every_rule() -> None:
    with started(*SERVE, "sim:demo#north") as (_, place):
        require_kept(place)


def test_a_stream_behind_the_server_keeps_every_rule_of_data(start_echo: Callable[..., Any], tmp_path) -> None:
    echo = start_echo("--socket", tmp_path / "socket")
    with started(*SERVE, f"chardev:{echo.address}") as (_, place):
        require_kept(place, "a-reset-empties-the-card", rules=DATA)  # it has no reset


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
