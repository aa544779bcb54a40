"""Integrity of data: patterns, exact verification, CRC. Pure: no I/O, no clock, nothing of any card."""

from laneproof.integrity.allocation import CHANNELS, SLOTS
from laneproof.integrity.comparison import MAX_REGIONS, Comparison, WrongRegion
from laneproof.integrity.crc import crc32, crc32_combine
from laneproof.integrity.pattern import FIXED_WORD, NAMES, Pattern, pattern

__all__ = [
    "CHANNELS",
    "FIXED_WORD",
    "MAX_REGIONS",
    "NAMES",
    "SLOTS",
    "Comparison",
    "Pattern",
    "WrongRegion",
    "crc32",
    "crc32_combine",
    "pattern",
]
