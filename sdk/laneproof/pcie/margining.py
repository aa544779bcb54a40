"""Lane Margining at the Receiver: the capability, and the commands and answers that go through its lane registers.

Pure: what a command is as a number, and what an answer means. Who writes it where, and waits for what, is the driver's
business. Places of the registers and their fields: base specification 6.0, section 7.7.10, from a public copy, and
Intel's public register map of a controller. Codes of commands and receivers: base specification 4.0 to 6.0, section
4.2.13, from memory, held against the public manual of a controller core. Meaning of the parameters: section 8.4.4, from
memory, held against a vendor's public table of them.
"""

from __future__ import annotations

from typing import Literal

from attrs import frozen

from laneproof.pcie.fields import word

LEAST_NBYTES = 0x08
PORT_CAPABILITIES, PORT_STATUS, LANES = 0x04, 0x06, 0x08
LANE_NBYTES = 4
"""Of each lane: 16 bits of control, then 16 of status."""
STATUS = 2
"""Where a lane's status begins, after its control."""
_MOST_LANES = 32

NEAR_RECEIVER, FAR_RECEIVER = 1, 6
"""Of the downstream port and of the upstream port. Those between belong to retimers, two each."""
RETIMER_RECEIVERS = (2, 3, 4, 5)

Direction = Literal["right", "left", "up", "down"]
"""To which side the sampling point goes: later and earlier within the unit interval, higher and lower voltage."""

_REPORT, _SET, _TIMING, _VOLTAGE, _NONE = 0b001, 0b010, 0b011, 0b100, 0b111
_TYPES = {
    _REPORT: "report",
    _SET: "set",
    _TIMING: "timing step",
    _VOLTAGE: "voltage step",
    0b101: "vendor defined",
    _NONE: "no command",
}
_IN_USE = 0b11 << 6
"""Of a step's answer, the two bits that say what is being done, over six of the error count."""
Execution = Literal["too many errors", "setting up", "in progress", "refused"]
"""What a receiver says of a step. After too many errors it is back at its normal settings by itself."""
_EXECUTION: dict[int, Execution] = {0: "too many errors", 1: "setting up", 2: "in progress", 3: "refused"}
MOST_ERRORS = 63
"""The largest limit of errors, and where the count of them stays."""
CAPABILITIES, VOLTAGE_STEPS, TIMING_STEPS, MOST_TIMING, MOST_VOLTAGE = 0x88, 0x89, 0x8A, 0x8B, 0x8C
VOLTAGE_RATE, TIMING_RATE, SAMPLE_COUNT, MOST_LANES = 0x8D, 0x8E, 0x8F, 0x90
"""What can be asked of a receiver, by the payload that asks."""


@frozen(kw_only=True)
class LaneCommand:
    """What stands in the control, or in the status, of a lane: a command, or its echo with the answer.

    `type` is the command's name, or "reserved"; `usage` is 0 for margining at the receiver; `payload` has 8 bits.
    """

    receiver: int
    type: str
    usage: int
    payload: int


@frozen(kw_only=True)
class MarginingLane:
    """One lane's registers, as the port counts its lanes."""

    lane: int
    control: LaneCommand
    status: LaneCommand


@frozen(kw_only=True)
class Margining:
    """Lane Margining at the Receiver at byte `offset`; `software_ready` is None where it needs no driver software."""

    offset: int
    ready: bool
    uses_driver_software: bool
    software_ready: bool | None
    lanes: tuple[MarginingLane, ...]


@frozen
class Command:
    """A command as the 16 bits of a lane's control; `answers` tells its answer from what stood there before."""

    value: int

    @property
    def receiver(self) -> int:
        return self.value & 7

    def answers(self, status: int) -> bool:
        """Whether a lane's status is the answer: type, receiver and usage echoed and, where it asks nothing, all."""
        asks = self.value >> 3 & 7 in (_REPORT, _TIMING, _VOLTAGE)
        return (status ^ self.value) & (0x7F if asks else 0xFF7F) == 0


@frozen(kw_only=True)
class Offered:
    """What a receiver answers to the report of its control capabilities."""

    voltage: bool
    independent_voltage: bool
    """Up and down can be told apart; else a step goes both ways at once."""
    independent_timing: bool
    """Likewise left and right."""
    counts_samples: bool
    """It says how many bits it compared; else they follow from its sampling rate and the time."""
    independent_sampler: bool
    """A sampler beside the one that the data go through, so that margining harms no data."""


NO_COMMAND = Command(_NONE << 3 | 0x9C << 8)


def normal_settings(receiver: int) -> Command:
    """Back to where the receiver samples by itself."""
    return Command(receiver | _SET << 3 | 0x0F << 8)


def clear_errors(receiver: int) -> Command:
    return Command(receiver | _SET << 3 | 0x55 << 8)


def error_limit(receiver: int, limit: int) -> Command:
    """More errors than `limit`, of 0 to 63, end a step."""
    return Command(receiver | _SET << 3 | (0xC0 | limit) << 8)


def report(receiver: int, what: int) -> Command:
    return Command(receiver | _REPORT << 3 | what << 8)


def step_to(receiver: int, direction: Direction, step: int) -> Command:
    """To that step of a direction; where the receiver does not tell directions apart, "right" or "up" is both."""
    if direction in ("right", "left"):
        return Command(receiver | _TIMING << 3 | (step | (direction == "left") << 6) << 8)
    return Command(receiver | _VOLTAGE << 3 | (step | (direction == "down") << 7) << 8)


def offered(payload: int) -> Offered:
    return Offered(
        voltage=bool(payload & 1),
        independent_voltage=bool(payload & 2),
        independent_timing=bool(payload & 4),
        counts_samples=bool(payload & 8),
        independent_sampler=bool(payload & 16),
    )


def execution(payload: int) -> tuple[Execution, int]:
    """What became of a step, and the errors counted so far."""
    return _EXECUTION[(payload & _IN_USE) >> 6], payload & MOST_ERRORS


def bits_counted(payload: int) -> float:
    """Bits compared, of a report of the sample count: three times their logarithm to base 2."""
    return 2.0 ** ((payload & 0x7F) / 3)


def sampling_rate(payload: int) -> float:
    """The share of the bits received that is compared, of a report of a sampling rate: 1/64 to 1."""
    return ((payload & 0x3F) + 1) / 64


def decode_margining(body: bytes, offset: int, width: int | None) -> Margining:
    """The capability in `body`, of LEAST_NBYTES or more, of a port of at most `width` lanes."""
    status, driver = word(body, PORT_STATUS), bool(word(body, PORT_CAPABILITIES) & 1)
    held = min(width or 0, _MOST_LANES, max(0, len(body) - LANES) // LANE_NBYTES)
    return Margining(
        offset=offset,
        ready=bool(status & 1),
        uses_driver_software=driver,
        software_ready=bool(status & 2) if driver else None,
        lanes=tuple(
            MarginingLane(lane=lane, control=_named(word(body, at)), status=_named(word(body, at + STATUS)))
            for lane in range(held)
            for at in (LANES + LANE_NBYTES * lane,)
        ),
    )


def _named(value: int) -> LaneCommand:
    return LaneCommand(
        receiver=value & 7,
        type=_TYPES.get(value >> 3 & 7, "reserved"),
        usage=value >> 6 & 1,
        payload=value >> 8,
    )
