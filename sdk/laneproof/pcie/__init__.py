"""PCI Express as registers and arithmetic: rates, ceilings, configuration space, error reporting.

Pure: bytes and numbers in, frozen values out. Register names live in `laneproof.pcie.registers`.
"""

from __future__ import annotations

from laneproof.pcie import margining, registers
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
from laneproof.pcie.decode import Bridge, ConfigSpace, decode
from laneproof.pcie.error_reporting import (
    AdvancedErrors,
    CorrectableErrors,
    RootErrors,
    UncorrectableErrors,
)
from laneproof.pcie.express import Device, Link, Payload, Root, Slot
from laneproof.pcie.features import (
    AccessControl,
    Containment,
    L1Substates,
    LinkFeature,
    ResizableBar,
    RootPortErrors,
)
from laneproof.pcie.margining import LaneCommand, Margining, MarginingLane
from laneproof.pcie.packets import ack_factor, ack_limit_symbols, replay_timer_symbols
from laneproof.pcie.physical_layer import (
    FlitError,
    FlitLogging,
    LanePresets,
    PhysicalLayer,
    Secondary,
)
from laneproof.pcie.rates import (
    SPEEDS_GTPS,
    WIDTHS,
    bottleneck,
    encoding,
    lane_bits_per_s,
    link_bytes_per_s,
    speed_code,
    speed_from_code,
)
from laneproof.pcie.tlp import Tlp, decode_tlp

__all__ = [
    "CATALOGUE",
    "CORRECTABLE",
    "SPEEDS_GTPS",
    "UNCORRECTABLE",
    "WIDTHS",
    "AccessControl",
    "AdvancedErrors",
    "AerError",
    "Bridge",
    "Capability",
    "Ceiling",
    "ConfigSpace",
    "Containment",
    "CorrectableErrors",
    "Device",
    "FlitError",
    "FlitLogging",
    "L1Substates",
    "LaneCommand",
    "LanePresets",
    "Link",
    "LinkFeature",
    "Margining",
    "MarginingLane",
    "Payload",
    "PhysicalLayer",
    "ResizableBar",
    "Root",
    "RootErrors",
    "RootPortErrors",
    "Secondary",
    "Slot",
    "Term",
    "Tlp",
    "UncorrectableErrors",
    "ack_factor",
    "ack_limit_symbols",
    "bottleneck",
    "canonical_name",
    "ceiling",
    "decode",
    "decode_tlp",
    "encoding",
    "lane_bits_per_s",
    "link_bytes_per_s",
    "margining",
    "names_of",
    "registers",
    "replay_timer_symbols",
    "speed_code",
    "speed_from_code",
]
