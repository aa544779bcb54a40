"""What the host counts of damage that it sees itself: writes that its IOMMU refused, errors of its memory."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from laneproof.readings import AtLeast, Count, Exact, Unavailable
from laneproof_sim.damage.arriving import HostBitFlips, NeverWritten

_NO_MEMORY_ERRORS = Unavailable("a simulated host has no memory that could count errors")
_NO_IOMMU = Unavailable("a simulated host has no IOMMU")
_LIMITED = "one for each transfer that was refused; the kernel does not log each request"


class HostCounts:
    """Counts since power-on. A host has an IOMMU, or memory that counts, where a fault of the slot speaks of it."""

    def __init__(self, faults: Sequence[object]) -> None:
        self._has_iommu = any(isinstance(fault, NeverWritten) and fault.refused_by_iommu for fault in faults)
        self._has_ecc = any(isinstance(fault, HostBitFlips) and fault.counted != "nowhere" for fault in faults)
        self._refused = 0
        self._memory = {"corrected": 0, "uncorrected": 0}

    def note(self, fault: object) -> None:
        """A fault has acted on a message."""
        if isinstance(fault, NeverWritten) and fault.refused_by_iommu:
            self._refused += 1
        elif isinstance(fault, HostBitFlips) and fault.counted != "nowhere":
            self._memory[fault.counted] += 1

    @property
    def iommu_faults(self) -> Count:
        return AtLeast(self._refused, _LIMITED) if self._has_iommu else _NO_IOMMU

    @property
    def memory_errors(self) -> Mapping[str, Count] | Unavailable:
        if not self._has_ecc:
            return _NO_MEMORY_ERRORS
        return {kind: Exact(count) for kind, count in self._memory.items()}
