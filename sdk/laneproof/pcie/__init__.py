"""PCI Express as registers and arithmetic: rates, ceilings, configuration space, error reporting.

Pure: bytes and numbers in, frozen values out. Register names live in `laneproof.pcie.registers`.
"""

from __future__ import annotations

from laneproof.pcie import registers
from laneproof.pcie.aer import (
    CATALOGUE,
    CORRECTABLE,
    UNCORRECTABLE,
    AerError,
    canonical_name,
    names_of,
)
from laneproof.pcie.capabilities import Capability
from laneproof.pcie.ceiling import Ceiling, Term, ceiling
from laneproof.pcie.decode import (
    AdvancedErrors,
    ConfigSpace,
    CorrectableErrors,
    Link,
    Payload,
    RootErrors,
    UncorrectableErrors,
    decode,
)
from laneproof.pcie.rates import (
    SPEEDS_GTPS,
    WIDTHS,
    encoding,
    lane_bits_per_s,
    link_bytes_per_s,
    speed_code,
    speed_from_code,
)

__all__ = [
    "CATALOGUE",
    "CORRECTABLE",
    "SPEEDS_GTPS",
    "UNCORRECTABLE",
    "WIDTHS",
    "AdvancedErrors",
    "AerError",
    "Capability",
    "Ceiling",
    "ConfigSpace",
    "CorrectableErrors",
    "Link",
    "Payload",
    "RootErrors",
    "Term",
    "UncorrectableErrors",
    "canonical_name",
    "ceiling",
    "decode",
    "encoding",
    "lane_bits_per_s",
    "link_bytes_per_s",
    "names_of",
    "registers",
    "speed_code",
    "speed_from_code",
]
