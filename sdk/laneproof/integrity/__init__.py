"""Integrity of data: patterns, verification, localisation, origin, CRC. Pure: no I/O, no clock, nothing of any card."""

from laneproof.integrity.allocation import CHANNELS, SLOTS
from laneproof.integrity.comparison import MAX_REGIONS, Comparison, WrongRegion
from laneproof.integrity.crc import crc32, crc32_combine, crc_backend
from laneproof.integrity.damage import DamageRecord, WrongPiece
from laneproof.integrity.localisation import MAX_MASKS, Localisation, XorMask, localise
from laneproof.integrity.origin import Origin, OriginMap, Past, Source, trace
from laneproof.integrity.pattern import FIXED_WORD, NAMES, Pattern, pattern
from laneproof.integrity.pcie_crc import dllp_crc16, ecrc, lcrc
from laneproof.integrity.tagged import Tag, decode_tag

__all__ = [
    "CHANNELS",
    "FIXED_WORD",
    "MAX_MASKS",
    "MAX_REGIONS",
    "NAMES",
    "SLOTS",
    "Comparison",
    "DamageRecord",
    "Localisation",
    "Origin",
    "OriginMap",
    "Past",
    "Pattern",
    "Source",
    "Tag",
    "WrongPiece",
    "WrongRegion",
    "XorMask",
    "crc32",
    "crc32_combine",
    "crc_backend",
    "decode_tag",
    "dllp_crc16",
    "ecrc",
    "lcrc",
    "localise",
    "pattern",
    "trace",
]
