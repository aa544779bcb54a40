"""Lane margining's registers, each by its place, and its commands as they are written.

Layout: base specification 6.0, 7.7.10, from a public copy; fields of a lane (receiver at bit 0, type 3, usage 6,
payload 8, of the status the same from bit 16 on): Intel's public register map of a controller. Commands and what the
status of a step says: the public manual of a controller core, "Command Valid Check", "Step Margin Execution Status".
lspci 3.9 names the capability and shows nothing of it.
"""

from __future__ import annotations

import json

import pytest
from crafted_images import EXPRESS, MARGINING, full_image

from laneproof.pcie import LaneCommand, decode, margining
from laneproof.pcie import registers as regs
from laneproof.pcie.margining import Command

X4 = {EXPRESS + regs.PCI_EXP_LNKCAP: (4 << 4 | 4, 4)}


def test_each_lane_has_its_command_and_its_answer() -> None:
    # Lane 2: receiver 6, type 3 (timing step), payload 45h; its status in progress (10b) with 5 errors.
    lane = {MARGINING + 0x08 + 4 * 2: (6 | 3 << 3 | 0x45 << 8 | (6 | 3 << 3 | 0x85 << 8) << 16, 4)}
    found = decode(full_image(X4 | lane)).margining
    assert found is not None
    assert [one.lane for one in found.lanes] == [0, 1, 2, 3]
    assert found.lanes[2].control == LaneCommand(receiver=6, type="timing step", usage=0, payload=0x45)
    assert found.lanes[2].status == LaneCommand(receiver=6, type="timing step", usage=0, payload=0x85)
    assert margining.execution(found.lanes[2].status.payload) == ("in progress", 5)


@pytest.mark.parametrize(
    ("kind", "name"),
    [
        (1, "report"),
        (2, "set"),
        (3, "timing step"),
        (4, "voltage step"),
        (5, "vendor defined"),
        (7, "no command"),
        (0, "reserved"),
        (6, "reserved"),
    ],
)
def test_a_type_has_the_specifications_name(kind: int, name: str) -> None:
    found = decode(full_image(X4 | {MARGINING + 0x08: (kind << 3 | 1 << 6, 2)})).margining
    assert found is not None
    assert (found.lanes[0].control.type, found.lanes[0].control.usage) == (name, 1)


def test_there_are_as_many_lanes_as_the_port_has_and_the_room_holds() -> None:
    for code, lanes in ((1, 1), (16, 16), (32, 18), (0, 0)):
        found = decode(full_image({EXPRESS + regs.PCI_EXP_LNKCAP: (code << 4 | 4, 4)})).margining
        assert found is not None
        assert len(found.lanes) == lanes  # between this capability and the next there is room for 18


def test_the_plain_description_has_the_lanes() -> None:
    plain = json.loads(json.dumps(decode(full_image(X4)).to_dict()))["margining"]
    assert set(plain) == {"offset", "ready", "uses_driver_software", "software_ready", "lanes"}
    assert set(plain["lanes"][3]) == {"lane", "control", "status"}
    assert set(plain["lanes"][3]["control"]) == {"receiver", "type", "usage", "payload"}


@pytest.mark.parametrize(
    ("command", "kind", "receiver", "payload"),
    [
        (margining.NO_COMMAND, 0b111, 0, 0x9C),
        (margining.normal_settings(6), 0b010, 6, 0x0F),
        (margining.clear_errors(1), 0b010, 1, 0x55),
        (margining.error_limit(1, 63), 0b010, 1, 0xFF),
        (margining.error_limit(1, 4), 0b010, 1, 0xC4),
        (margining.report(6, margining.CAPABILITIES), 0b001, 6, 0x88),
        (margining.report(6, margining.MOST_LANES), 0b001, 6, 0x90),
        (margining.step_to(6, "right", 9), 0b011, 6, 0x09),
        (margining.step_to(6, "left", 9), 0b011, 6, 0x49),
        (margining.step_to(3, "up", 0x7F), 0b100, 3, 0x7F),
        (margining.step_to(3, "down", 0x7F), 0b100, 3, 0xFF),
    ],
)
def test_a_command_is_written_as_the_specification_has_it(
    command: Command, kind: int, receiver: int, payload: int
) -> None:
    assert command.value == receiver | kind << 3 | payload << 8


def test_an_answer_is_the_echo_of_its_command() -> None:
    step, clear = margining.step_to(1, "right", 4), margining.clear_errors(1)
    assert step.answers(1 | 3 << 3 | 0x80 << 8)  # what a step answers with is its own
    assert not step.answers(margining.NO_COMMAND.value)
    assert not step.answers(2 | 3 << 3 | 0x80 << 8)
    assert not step.answers(1 | 3 << 3 | 1 << 6)
    assert clear.answers(clear.value)
    assert not clear.answers(margining.normal_settings(1).value)


@pytest.mark.parametrize(
    ("payload", "seen"),
    [
        (0b00_000111, ("too many errors", 7)),
        (0b01_000000, ("setting up", 0)),
        (0b10_111111, ("in progress", 63)),
        (0b11_000000, ("refused", 0)),
    ],
)
def test_what_became_of_a_step(payload: int, seen: tuple[str, int]) -> None:
    assert margining.execution(payload) == seen


def test_rates_and_counts_of_samples() -> None:
    # A vendor's public table: 0 is a ratio of 1:64, 63 of 64:64. The count saturates after about 5.54e12 bits
    # (base specification, from memory).
    assert (margining.sampling_rate(0), margining.sampling_rate(63)) == (1 / 64, 1.0)
    assert margining.bits_counted(127) == pytest.approx(5.54e12, rel=0.001)


@pytest.mark.parametrize("bit", range(5))
def test_each_capability_of_a_receiver_has_a_bit_of_its_own(bit: int) -> None:
    # From memory of the base specification: voltage, up and down, left and right, sample count, error sampler.
    can = margining.offered(1 << bit)
    seen = (can.voltage, can.independent_voltage, can.independent_timing, can.counts_samples, can.independent_sampler)
    assert seen == tuple(number == bit for number in range(5))
