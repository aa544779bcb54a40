"""Quantities as people write them ("1 MiB", "30 s", "8 GT/s") and as plain numbers inside. Nothing else."""

from __future__ import annotations

import math
import re

from laneproof.errors import BadInput

# IEC 80000-13 for the binary prefixes; SI for the rest.
_SI = {"B": 1, "kB": 10**3, "MB": 10**6, "GB": 10**9, "TB": 10**12}
_IEC = {"KiB": 2**10, "MiB": 2**20, "GiB": 2**30, "TiB": 2**40}
_BYTES = {**_SI, **_IEC}
_SECONDS = {"us": 1e-6, "µs": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0}
_SPEED = {"GT/s": 1.0}
_RATE = {f"{unit}/s": factor for unit, factor in _BYTES.items()}
_FRACTION = {"%": 0.01}
_POWER = {"mW": 1e-3, "W": 1.0, "kW": 1e3}
_VOLTAGE = {"mV": 1e-3, "V": 1.0}
_TEMPERATURE = {"°C": 1.0, "degC": 1.0}

_QUANTITY = re.compile(r"([0-9]+(?:\.[0-9]*)?(?:[eE][+-]?[0-9]+)?)\s*([^\s0-9].*)")


def _parse(text: str, units: dict[str, float] | dict[str, int], example: str) -> float:
    match = _QUANTITY.fullmatch(text.strip())
    if match is None or match[2] not in units:
        raise BadInput(f'"{text}" is not a quantity in {", ".join(units)}; write for example "{example}"')
    value = float(match[1]) * units[match[2]]
    if not math.isfinite(value):
        raise BadInput(f'"{text}" is too large; write for example "{example}"')
    return value


def parse_bytes(text: str) -> int:
    """Whole bytes of "64 MiB", "4096 B", "1.5 kB". Raises BadInput for another unit or a broken byte."""
    value = _parse(text, _BYTES, "64 MiB")
    whole = round(value)
    if not math.isclose(value, whole, rel_tol=1e-12):  # 1.001 * 1000 is a little less than 1001
        raise BadInput(f'"{text}" is not a whole number of bytes; write for example "1536 B"')
    return whole


def parse_seconds(text: str) -> float:
    """Seconds of "30 s", "5 ms", "2 h"."""
    return _parse(text, _SECONDS, "30 s")


def parse_speed_gtps(text: str) -> float:
    """Transfers per second and lane, in GT/s, of "8 GT/s"."""
    return _parse(text, _SPEED, "8 GT/s")


def parse_bytes_per_s(text: str) -> float:
    """Bytes per second of "950 MB/s" or "1 GiB/s"."""
    return _parse(text, _RATE, "950 MB/s")


def parse_fraction(text: str) -> float:
    """A share between 0 and 1 of "80 %"."""
    value = _parse(text, _FRACTION, "80 %")
    if not 0 <= value <= 1:
        raise BadInput(f'"{text}" is not between 0 % and 100 %')
    return value


def parse_watts(text: str) -> float:
    """Watts of "75 W"."""
    return _parse(text, _POWER, "75 W")


def parse_volts(text: str) -> float:
    """Volts of "15 mV"."""
    return _parse(text, _VOLTAGE, "15 mV")


def parse_celsius(text: str) -> float:
    """Degrees of "85 °C", or "85 degC"; they may lie below zero, as in a climatic chamber."""
    below = re.match(r"\s*-(?=[0-9])", text)
    value = _parse(text if below is None else text[below.end() :], _TEMPERATURE, "85 °C")
    return value if below is None else -value


def format_bytes(count: int) -> str:
    """Bytes for a reader: "64 MiB", "1.5 KiB", "17 B"."""
    for unit in ("TiB", "GiB", "MiB", "KiB"):
        if count >= _BYTES[unit]:
            return f"{_digits(count / _BYTES[unit], 4)} {unit}"
    return f"{count} B"


def format_bytes_per_s(rate: float) -> str:
    """Bytes per second for a reader, with decimal prefixes as link rates have them: "3.94 GB/s"."""
    for unit in ("GB", "MB", "kB"):
        if rate >= _BYTES[unit]:
            return f"{_digits(rate / _BYTES[unit], 3)} {unit}/s"
    return f"{_digits(rate, 3)} B/s"


def format_seconds(seconds: float) -> str:
    """Seconds for a reader: "1.2 s", "35 ms", "4 min 10 s", "3 h 5 min"."""
    if seconds >= 3600:
        return f"{int(seconds // 3600)} h {int(seconds % 3600 // 60)} min"
    if seconds >= 60:
        return f"{int(seconds // 60)} min {int(seconds % 60)} s"
    if seconds >= 1:
        return f"{seconds:.3g} s"
    if seconds >= 1e-3:
        return f"{_digits(seconds * 1e3, 3)} ms"
    return f"{_digits(seconds * 1e6, 3)} µs"


def _digits(value: float, count: int) -> str:
    """At least `count` significant digits, and never an exponent for a large value."""
    return f"{value:.{count}g}" if value < 10**count - 0.5 else f"{value:.0f}"
