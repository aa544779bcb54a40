"""What the operating system makes of error reports: one interrupt counts each flag once, then clears it.

Hardware raises sticky flags in the partners' registers; some virtual microseconds later the handler runs, adds one
for every flag that it finds and clears the flags by writing ones. What happened in between and of the same kind is
not counted: every count is a lower bound. That is how Linux counts (drivers/pci/pcie/aer.c, aer_dev_* in sysfs).
"""

from __future__ import annotations

import heapq
import itertools
import math
from typing import Literal

from laneproof.pcie import aer
from laneproof.readings import AtLeast, Count, PartnerErrors
from laneproof_sim.registers import CARD_REQUESTER_ID, LinkPartner

End = Literal["near", "far"]

HANDLING_S = 15e-6
"""From an error message to its handler's clearing of the flags, in virtual seconds; an assumption."""

WHY_AT_LEAST = "the kernel counts one for each error flag and interrupt; errors in between are not counted"

_POWER_ONS = itertools.count(1)
"""Numbers the epochs of a process: a slot opened again starts its counts anew, which a reader must be able to see."""


class Kernel:
    """Takes errors as they happen, in any order of time, and accounts for them up to a moment when asked to.

    `owned` is False where the platform's firmware handles the reports: it clears the flags, and counts nothing here.
    """

    def __init__(self, near: LinkPartner, far: LinkPartner, *, owned: bool) -> None:
        self._epoch = f"power-on {next(_POWER_ONS)}"
        self._partners: dict[End, LinkPartner] = {"near": near, "far": far}
        self._owned = owned
        self._coming: list[tuple[float, int, End, str]] = []
        self._order = 0
        self._handle_s = math.inf
        self._counts: dict[tuple[End, aer.Severity, str], int] = {}

    def note(self, at_s: float, end: End, name: str) -> None:
        """An error of that short name that `end` will see at `at_s`."""
        self._order += 1
        heapq.heappush(self._coming, (at_s, self._order, end, name))

    def forget(self) -> None:
        """Drop what was still to come: the link that it would have come over is down."""
        self._coming.clear()

    def run_until(self, now_s: float) -> None:
        """Let hardware and handler do all that they do up to `now_s`."""
        while self._coming and self._coming[0][0] <= now_s:
            at_s, _, end, name = heapq.heappop(self._coming)
            self._handle_until(at_s)
            self._raise(at_s, end, name)
        self._handle_until(now_s)

    def errors(self, end: End, name: str) -> PartnerErrors:
        """What was counted at `end`, under the partner's name for a reader. Kinds never seen are lower bounds of 0."""

        def counts(severity: aer.Severity) -> dict[str, Count]:
            group = "correctable" if severity == "correctable" else "uncorrectable"
            names = [error.name for error in aer.CATALOGUE.values() if error.group == group]
            return {kind: AtLeast(self._counts.get((end, severity, kind), 0), WHY_AT_LEAST) for kind in names}

        return PartnerErrors(
            name=name,
            epoch=self._epoch,
            correctable=counts("correctable"),
            nonfatal=counts("nonfatal"),
            fatal=counts("fatal"),
        )

    def _raise(self, at_s: float, end: End, name: str) -> None:
        partner, root = self._partners[end], self._partners["near"]
        if not partner.present:
            return
        severity = partner.raise_error(name)
        if severity is None:
            return
        root.note_message(severity, 0 if end == "near" else CARD_REQUESTER_ID)
        self._handle_s = min(self._handle_s, at_s + HANDLING_S)

    def _handle_until(self, now_s: float) -> None:
        if now_s < self._handle_s:
            return
        self._handle_s = math.inf
        for end, partner in self._partners.items():
            if not partner.present:
                continue
            if self._owned:
                self._count(end, partner)
            partner.clear_errors()

    def _count(self, end: End, partner: LinkPartner) -> None:
        severities = partner.fatal_mask
        for name in aer.names_of(partner.correctable & ~partner.correctable_mask, "correctable"):
            self._add(end, "correctable", name)
        unmasked = partner.uncorrectable & ~partner.uncorrectable_mask
        for name in aer.names_of(unmasked & severities, "uncorrectable"):
            self._add(end, "fatal", name)
        for name in aer.names_of(unmasked & ~severities, "uncorrectable"):
            self._add(end, "nonfatal", name)

    def _add(self, end: End, severity: aer.Severity, name: str) -> None:
        key = (end, severity, name)
        self._counts[key] = self._counts.get(key, 0) + 1
