"""laneproof: prove PCI Express slots with a card that echoes data by DMA.

`laneproof.open(uri)` gives an `Endpoint`; `laneproof.pattern` makes and verifies data; `laneproof.pcie` decodes
configuration space and computes ceilings; `laneproof.contract` is what a driver for one's own card implements.
"""

from laneproof import contract, pcie, safety
from laneproof.channel import Transfer
from laneproof.endpoint import Endpoint, Recovery, open  # noqa: A004 - the frozen name
from laneproof.errors import (
    BadInput,
    CannotOpen,
    CardInUse,
    DeviceLost,
    DriverFault,
    EndpointBusy,
    EndpointClosed,
    Interrupted,
    LaneproofError,
    NotOffered,
    OutOfStep,
    StorageFault,
    TransferTimeout,
)
from laneproof.integrity import Comparison, Pattern, crc32, crc32_combine, pattern
from laneproof.readings import AtLeast, ErrorReading, Exact, Identity, LinkReading, Unavailable

__version__ = "0.1.0"

__all__ = [
    "AtLeast",
    "BadInput",
    "CannotOpen",
    "CardInUse",
    "Comparison",
    "DeviceLost",
    "DriverFault",
    "Endpoint",
    "EndpointBusy",
    "EndpointClosed",
    "ErrorReading",
    "Exact",
    "Identity",
    "Interrupted",
    "LaneproofError",
    "LinkReading",
    "NotOffered",
    "OutOfStep",
    "Pattern",
    "Recovery",
    "StorageFault",
    "Transfer",
    "TransferTimeout",
    "Unavailable",
    "__version__",
    "contract",
    "crc32",
    "crc32_combine",
    "open",
    "pattern",
    "pcie",
    "safety",
]
