"""The kinds of number and text that a scenario holds, and how each is read and refused.

The names are types for the reader and for cattrs; the reading functions raise ValueError (BadInput is one) with a
sentence that says what is wrong and what would be right. Which file and key it was is added by `scenario_file`.
"""

from __future__ import annotations

import math
import re
import reprlib
from collections.abc import Callable, Mapping
from typing import Any, NewType

from attrs import frozen

from laneproof.errors import BadInput
from laneproof.pcie import rates
from laneproof.units import parse_bytes, parse_speed_gtps

MAX_LANES = 16
MAX_BIT_ERROR_RATE = 0.01
MAX_DISPLACEMENT = 64
SPEEDS_GTPS = tuple(speed for speed in rates.SPEEDS_GTPS if speed <= 32)
PAYLOADS = (128, 256, 512, 1024, 2048, 4096)
COMPLETIONS = (64, *PAYLOADS)

Width = NewType("Width", int)
"""Lanes of a link: 1, 2, 4, 8 or 16. x12 and x32 are legacy and not modelled."""
LaneNumber = NewType("LaneNumber", int)
SpeedGtps = NewType("SpeedGtps", float)
"""GT/s and lane, up to 32."""
Payload = NewType("Payload", int)
"""A payload or read request size in bytes, as the standard has them: 128 to 4096."""
CompletionSize = NewType("CompletionSize", int)
"""The largest completion of a host in bytes: its read completion boundary, 64 or 128, or a payload size."""
ByteCount = NewType("ByteCount", int)
"""At least one byte."""
Depth = NewType("Depth", int)
"""Transfers that a card takes at a time, 1 to 256."""
Tags = NewType("Tags", int)
"""Read requests that a card may have open at once, 1 to 768."""
Retries = NewType("Retries", int)
"""How often a card asks again, 0 to 16."""
Channels = NewType("Channels", int)
"""Channels of a card, 1 to 8."""
Probability = NewType("Probability", float)
LaneRates = NewType("LaneRates", tuple[float, ...])
"""Bit error rate of each of 16 lanes in one direction."""
LaneSpeeds = NewType("LaneSpeeds", tuple[float, ...])
"""The highest speed that each of 16 lanes holds, in GT/s."""
LaneShares = NewType("LaneShares", tuple[float, ...])
"""For each of 16 lanes a share of what the others have, above 0 and up to 1."""
Picoseconds = NewType("Picoseconds", float)
Millivolts = NewType("Millivolts", float)
ByteOffset = NewType("ByteOffset", int)
"""A byte's place, from 0 on."""
Displacement = NewType("Displacement", int)
"""Bytes by which data is out of place, 1 to 64."""
Several = NewType("Several", int)
"""How many in one message, 1 to 65536."""
Nth = NewType("Nth", int)
"""One in so many messages, from 1 on."""
MessagesBack = NewType("MessagesBack", int)
"""So many messages ago, 1 to 16."""
BusBytes = NewType("BusBytes", int)
"""Byte lanes of a bus: 8, 16, 32 or 64."""
LaneOfBus = NewType("LaneOfBus", int)
WordBytes = NewType("WordBytes", int)
BitNumber = NewType("BitNumber", int)
Level = NewType("Level", int)
Watts = NewType("Watts", float)
Celsius = NewType("Celsius", float)
SlotName = NewType("SlotName", str)
Text = NewType("Text", str)
"""Printable text of at most 400 characters."""

SLOT_NAME = r"[a-z0-9][a-z0-9-]{0,31}"
MAX_TEXT = 400
MAX_WATTS = 10_000.0
MAX_PICOSECONDS = 62.5
"""A unit interval at 16 GT/s."""
MAX_MILLIVOLTS = 1000.0
CELSIUS_RANGE = (-55.0, 150.0)
"""What parts are sold for, and a little more."""
MEASURE = r"(-?[0-9]{1,6}(?:\.[0-9]{1,6})?)\s?"
"""A number before its unit."""


shown = reprlib.repr
"""A value from outside for a message: quoted, on one line, shortened."""


def read_text(value: Any) -> str:
    if not isinstance(value, str):
        raise ValueError(f"{shown(value)} is not text; put it in quotes")
    if len(value) > MAX_TEXT or not value.isprintable():
        raise ValueError(f"this text is too long or holds control characters; use at most {MAX_TEXT} printable ones")
    return value


def read_slot_name(value: Any) -> str:
    name = read_text(value)
    if not re.fullmatch(SLOT_NAME, name):
        raise ValueError(f'"{name}" cannot name a slot; use up to 32 of a-z, 0-9 and "-", a letter or digit first')
    return name


def read_integer(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError(f"{shown(value)} is not a whole number")
    return value


def read_flag(value: Any) -> bool:
    if not isinstance(value, bool):
        raise ValueError(f"{shown(value)} is neither true nor false")
    return value


@frozen
class OneOf:
    """Reads whole numbers, of which only those `allowed` are taken. Those `left_out` exist and are not modelled."""

    noun: str
    allowed: tuple[int, ...]
    left_out: tuple[int, ...] = ()

    def __call__(self, value: Any) -> int:
        number = read_integer(value)
        if number in self.left_out:
            usable = ", ".join(map(str, self.allowed))
            raise ValueError(f"{number} is a legacy {self.noun} that newer links lack, and not modelled; use {usable}")
        if number not in self.allowed:
            raise ValueError(f"{shown(number)} is no {self.noun}; use one of {', '.join(map(str, self.allowed))}")
        return number


@frozen
class Between:
    """Reads whole numbers from `least` to `most`."""

    noun: str
    least: int
    most: int

    def __call__(self, value: Any) -> int:
        number = read_integer(value)
        if not self.least <= number <= self.most:
            raise ValueError(f"{shown(number)} is no {self.noun}; use {self.least} to {self.most}")
        return number


def read_speed(value: Any) -> float:
    if not isinstance(value, str):
        raise ValueError(f'{shown(value)} has no unit; write for example "8 GT/s"')
    speed = parse_speed_gtps(read_text(value))
    if speed == 64.0:
        raise BadInput('64 GT/s and FLIT mode are not modelled yet; use at most "32 GT/s"')
    if speed not in SPEEDS_GTPS:
        raise BadInput(
            f'"{value}" is no link speed; use one of {", ".join(f"{known:g}" for known in SPEEDS_GTPS)} GT/s'
        )
    return speed


def read_watts(value: Any) -> float:
    return _read_measure(value, "W", 0.0, MAX_WATTS, "25 W")


def read_celsius(value: Any) -> float:
    return _read_measure(value, "°C", *CELSIUS_RANGE, "45 °C")


def read_picoseconds(value: Any) -> float:
    return _read_measure(value, "ps", 0.0, MAX_PICOSECONDS, "31 ps")


def read_millivolts(value: Any) -> float:
    return _read_measure(value, "mV", 0.0, MAX_MILLIVOLTS, "90 mV")


def _read_measure(value: Any, unit: str, least: float, most: float, example: str) -> float:
    if not isinstance(value, str):
        raise ValueError(f'{shown(value)} has no unit; write for example "{example}"')
    match = re.fullmatch(MEASURE + unit, read_text(value))
    if match is None:
        raise ValueError(f'{shown(value)} is no number of {unit}; write for example "{example}"')
    if not least <= float(match[1]) <= most:
        raise ValueError(f'"{value}" is out of range; use {least:g} to {most:g} {unit}')
    return float(match[1])


def read_byte_count(value: Any) -> int:
    if not isinstance(value, str):
        raise ValueError(f'{shown(value)} has no unit; write for example "64 KiB"')
    count = parse_bytes(read_text(value))
    if not 0 < count < 2**62:
        raise BadInput(f'"{value}" is out of range; use at least 1 B')
    return count


def read_byte_offset(value: Any) -> int:
    return 0 if value == "0 B" else read_byte_count(value)


def read_displacement(value: Any) -> int:
    count = read_byte_count(value)
    if count > MAX_DISPLACEMENT:
        raise BadInput(f'"{value}" is too far; use 1 to {MAX_DISPLACEMENT} B')
    return count


def read_payload(value: Any) -> int:
    return _read_size(value, "payload size", PAYLOADS)


def read_completion_size(value: Any) -> int:
    return _read_size(value, "size of completions", COMPLETIONS)


def _read_size(value: Any, noun: str, sizes: tuple[int, ...]) -> int:
    count = read_byte_count(value)
    if count not in sizes:
        raise BadInput(f'"{value}" is no {noun}; use one of {", ".join(map(str, sizes))} B')
    return count


def _read_number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{shown(value)} is not a number")
    return float(value) if abs(value) < 2**62 else math.inf


def read_probability(value: Any) -> float:
    number = _read_number(value)
    if not 0 <= number < 1:
        raise ValueError(f"{shown(value)} is no probability; use 0 or more and less than 1")
    return number


def _read_bit_error_rate(value: Any) -> float:
    number = _read_number(value)
    if not 0 <= number <= MAX_BIT_ERROR_RATE:
        raise ValueError(f"{shown(value)} is no bit error rate; use 0 to {MAX_BIT_ERROR_RATE}")
    return number


def read_lane_rates(value: Any) -> tuple[float, ...]:
    """One rate for all lanes, or a table from lane number to rate; lanes not named have none."""
    if not isinstance(value, Mapping):
        return (_read_bit_error_rate(value),) * MAX_LANES
    return _read_by_lane(value, 0.0, _read_bit_error_rate)


def read_lane_speeds(value: Any) -> tuple[float, ...]:
    """A table from lane number to the highest speed that it holds; lanes not named hold all."""
    if not isinstance(value, Mapping):
        raise ValueError(f'{shown(value)} is not a table; write for example {{ 3 = "8 GT/s" }}')
    return _read_by_lane(value, SPEEDS_GTPS[-1], read_speed)


def read_lane_shares(value: Any) -> tuple[float, ...]:
    """A table from lane number to the share that it has; lanes not named have all."""
    if not isinstance(value, Mapping):
        raise ValueError(f"{shown(value)} is not a table; write for example {{ 3 = 0.5 }}")
    return _read_by_lane(value, 1.0, _read_share)


def _read_share(value: Any) -> float:
    number = _read_number(value)
    if not 0 < number <= 1:
        raise ValueError(f"{shown(value)} is no share; use more than 0 and up to 1")
    return number


def _read_by_lane(table: Mapping[Any, Any], default: float, read: Callable[[Any], float]) -> tuple[float, ...]:
    by_lane = [default] * MAX_LANES
    for lane, value in table.items():
        if not (isinstance(lane, str) and lane.isdecimal() and lane.isascii() and int(lane[:3]) < MAX_LANES):
            raise ValueError(f'"{lane}" is no lane; use 0 to {MAX_LANES - 1}')
        by_lane[int(lane)] = read(value)
    return tuple(by_lane)


READERS: dict[Any, Callable[[Any], Any]] = {
    str: read_text,
    int: read_integer,
    bool: read_flag,
    Text: read_text,
    SlotName: read_slot_name,
    Width: OneOf("link width", (1, 2, 4, 8, 16), left_out=(12, 32)),
    LaneNumber: Between("lane", 0, MAX_LANES - 1),
    SpeedGtps: read_speed,
    Payload: read_payload,
    CompletionSize: read_completion_size,
    Watts: read_watts,
    Celsius: read_celsius,
    ByteCount: read_byte_count,
    ByteOffset: read_byte_offset,
    Displacement: read_displacement,
    Several: Between("count", 1, 65536),
    Nth: Between("number of messages", 1, 2**31 - 1),
    MessagesBack: Between("number of messages back", 1, 16),
    BusBytes: OneOf("bus width in bytes", (8, 16, 32, 64)),
    LaneOfBus: Between("byte lane of a bus", 0, 63),
    Depth: Between("queue depth", 1, 256),
    Tags: Between("number of tags", 1, 768),
    Retries: Between("number of retries", 0, 16),
    Channels: Between("number of channels", 1, 8),
    Probability: read_probability,
    LaneRates: read_lane_rates,
    LaneSpeeds: read_lane_speeds,
    LaneShares: read_lane_shares,
    Picoseconds: read_picoseconds,
    Millivolts: read_millivolts,
    WordBytes: OneOf("word size in bytes", (1, 2, 4, 8, 16, 32, 64)),
    BitNumber: Between("bit of a byte", 0, 7),
    Level: OneOf("level", (0, 1)),
}
"""How each kind is read, for cattrs."""
