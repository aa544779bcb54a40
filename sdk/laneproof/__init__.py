"""laneproof: prove PCI Express slots with a card that echoes data by DMA.

`laneproof.open(uri)` gives an `Endpoint`; `laneproof.pattern` makes and verifies data; `laneproof.pcie` decodes
configuration space and computes ceilings; `laneproof.contract` is what a driver for one's own card implements;
`laneproof.step` and `laneproof.Step` make steps for plans.

A name is imported when it is first asked for: pytest loads the plugin in here wherever laneproof is installed, and most
of those who run pytest there want nothing of numpy.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from laneproof import contract, pcie, safety
    from laneproof.campaign.results import Findings
    from laneproof.campaign.steps import Slot, Step, step
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
    "Findings",
    "Identity",
    "Interrupted",
    "LaneproofError",
    "LinkReading",
    "NotOffered",
    "OutOfStep",
    "Pattern",
    "Recovery",
    "Slot",
    "Step",
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
    "step",
]

_PARTS = ("contract", "errors", "integrity", "pcie", "readings", "safety")
_HOMES = {
    "laneproof.campaign.results": ("Findings",),
    "laneproof.campaign.steps": ("Slot", "Step", "step"),
    "laneproof.channel": ("Transfer",),
    "laneproof.endpoint": ("Endpoint", "Recovery", "open"),
    "laneproof.integrity": ("Comparison", "Pattern", "crc32", "crc32_combine", "pattern"),
    "laneproof.readings": ("AtLeast", "ErrorReading", "Exact", "Identity", "LinkReading", "Unavailable"),
}
"""Where the names are that are no errors."""


def __getattr__(name: str) -> Any:
    if name in _PARTS:
        return import_module(f"laneproof.{name}")
    if name not in __all__:
        raise AttributeError(f"module 'laneproof' has no attribute {name!r}")
    home = next((home for home, names in _HOMES.items() if name in names), "laneproof.errors")
    globals()[name] = found = getattr(import_module(home), name)
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
