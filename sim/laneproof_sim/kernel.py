"""What the operating system makes of error reports: a message, an interrupt, one count for each flag, a line in a log.

A function that meets an error raises sticky flags in its registers and may send a message, which travels up through
every port above it to the root port, as far as their enables let it. Some virtual microseconds after the root port's
interrupt its handler runs. It looks where the root port says that the error came from, counts each flag that is not
masked once, logs them, and clears them by writing ones. What happened in between and of the same kind is not counted:
every count is a lower bound. Those are the rules of Linux's drivers/pci/pcie/aer.c, from memory, held against a real
kernel by the project's tests in a guest; from there too:

- Flags count at the severity of the message, whatever their own.
- After a message of a fatal error only ports above their link are read; what is below may not answer any more, and is
  reported without a name and not counted.
- The header goes into the log where a flag is set whose header Linux prints; a completion timeout is none of them.

Assumed: the recovery from a non-fatal error succeeds, so that its flags are cleared; that from a fatal one, which
would reset the link under whatever is running, is not made, so that its flags stay.
"""

from __future__ import annotations

import heapq
import itertools
import math
from collections import deque
from collections.abc import Callable, Iterator
from functools import partial
from typing import Literal

from attrs import frozen

from laneproof.pcie import aer
from laneproof.pcie import registers as regs
from laneproof.pcie.fields import function
from laneproof.readings import AtLeast, Count, PartnerErrors, ReportedError
from laneproof_sim.config_space import AER, EXPRESS
from laneproof_sim.error_registers import Header
from laneproof_sim.registers import LinkPartner

End = Literal["near", "far"]

HANDLING_S = 15e-6
"""From an error message to its handler's clearing of the flags, in virtual seconds; an assumption."""
MAX_REPORTED = 1000
"""So many reported errors are kept, the last ones."""

WHY_AT_LEAST = "the kernel counts one for each error flag and interrupt; errors in between are not counted"
WHY_BLIND = "its status flag is set and the kernel does not clear it, so further events of its kind do not show"

_POWER_ONS = itertools.count(1)
"""Numbers the epochs of a process: a slot opened again starts its counts anew, which a reader must be able to see."""
_REPORTING = regs.PCI_EXP_DEVCTL_CERE | regs.PCI_EXP_DEVCTL_NFERE | regs.PCI_EXP_DEVCTL_FERE | regs.PCI_EXP_DEVCTL_URRE
_HEADER_PRINTED = (
    regs.PCI_ERR_UNC_POISON_TLP
    | regs.PCI_ERR_UNC_ECRC
    | regs.PCI_ERR_UNC_UNSUP
    | regs.PCI_ERR_UNC_COMP_ABORT
    | regs.PCI_ERR_UNC_UNX_COMP
    | regs.PCI_ERR_UNC_MALF_TLP
)


class Kernel:
    """The errors of one link's partners: taken as they happen, in any order of time, and accounted for up to a moment.

    `above` is the kernel of the link above, where `near` is a switch's downstream port and not a root port. `owned` is
    False where the platform's firmware handles the root port's reports: it clears the flags, and counts nothing here;
    a kernel with one `above` follows that one.
    """

    def __init__(self, near: LinkPartner, far: LinkPartner, *, owned: bool, above: Kernel | None = None) -> None:
        self._epoch = f"power-on {next(_POWER_ONS)}"
        self._partners: dict[End, LinkPartner] = {"near": near, "far": far}
        self._ports: tuple[LinkPartner, ...] = () if above is None else (above._partners["far"], *above._above("far"))
        """Those above `near`, the root port last."""
        self._service = _RootPortService(near, owned) if above is None else above._service
        self._service.kernels.append(self)
        self._counts: dict[tuple[End, aer.Severity, str], int] = {}
        self._log: deque[_Report] = deque(maxlen=MAX_REPORTED)

    def note(self, at_s: float, end: End, name: str, *, header: Header | None = None, advisory: bool = False) -> None:
        """An error of that short name that `end` will see at `at_s`; the rest as in `ErrorRegisters.raise_error`."""
        self._service.expect(at_s, self, partial(self._raise, at_s, end, name, header, advisory))

    def mark_lane(self, at_s: float, end: End, lane: int, *, parity: bool) -> None:
        """An error that the receiver at `end` will lay to one lane at `at_s`; see `LinkPartner.mark_lane`."""
        self._service.expect(at_s, self, partial(self._partners[end].mark_lane, lane, parity=parity))

    def restore(self, at_s: float, saved: dict[int, int]) -> None:
        """The far partner is ready after a reset at `at_s`, and the kernel writes back what it has saved of it."""
        self._service.expect(at_s, self, partial(self._partners["far"].restore, saved))

    def add_counts(self, end: End, severity: aer.Severity, name: str, n: int) -> None:
        """Add `n` to a count, for errors that were computed at once; registers and log stay as they are."""
        if self._service.owned:
            key = (end, severity, name)
            self._counts[key] = self._counts.get(key, 0) + n

    def forget(self) -> None:
        """Drop what was still to come: the link that it would have come over is down."""
        self._service.forget(self)

    def leave(self) -> None:
        """The slot was closed: its partners are in the computer no more, which may go on without them."""
        self.forget()
        self._service.kernels.remove(self)

    def run_until(self, now_s: float) -> None:
        """Let hardware and handler do all that they do up to `now_s`, at every link below the same root port."""
        self._service.run_until(now_s)

    def errors(self, end: End, name: str) -> PartnerErrors:
        """What was counted at `end`, under the partner's name for a reader. Kinds never seen are lower bounds of 0.

        A flag that the handler will not clear stands for one error at least, and hides more of its kind.
        """
        partner = self._partners[end]

        def counts(severity: aer.Severity) -> dict[str, Count]:
            group: aer.Group = "correctable" if severity == "correctable" else "uncorrectable"
            stays = _flags(partner, severity)
            if self._service.interrupted and severity != "fatal":
                stays &= partner.correctable_mask if severity == "correctable" else partner.uncorrectable_mask
            flagged = aer.names_of(stays, group) if self._service.owned and partner.answers else ()
            names = [error.name for error in aer.CATALOGUE.values() if error.group == group]
            found: dict[str, Count] = {}
            for kind in names:
                n = self._counts.get((end, severity, kind), 0)
                found[kind] = AtLeast(max(1, n), WHY_BLIND, True) if kind in flagged else AtLeast(n, WHY_AT_LEAST)
            return found

        return PartnerErrors(
            name=name,
            epoch=self._epoch,
            correctable=counts("correctable"),
            nonfatal=counts("nonfatal"),
            fatal=counts("fatal"),
        )

    @property
    def reported(self) -> tuple[ReportedError, ...]:
        """The last errors that the handler logged for the partners of this link, in order of time."""
        return tuple(
            ReportedError(
                time_s=report.time_s,
                device=f"0000:{function(report.requester_id)}",
                severity=report.severity,
                errors=aer.names_of(report.status, report.group),
                header_log=report.header,
            )
            for report in self._log
        )

    # --- hardware

    def _raise(self, at_s: float, end: End, name: str, header: Header | None, advisory: bool) -> None:
        partner = self._partners[end]
        if not partner.present:
            return
        severity = partner.raise_error(name, header=header, advisory=advisory)
        if severity is not None and all(port.forward(severity) for port in self._above(end)):
            self._service.receive(at_s, severity, partner.function.requester_id)

    def _above(self, end: End) -> tuple[LinkPartner, ...]:
        """The ports above a partner that a message of its passes, the root port last."""
        return self._ports if end == "near" else (self._partners["near"], *self._ports)

    # --- the handler

    def sources(self) -> Iterator[tuple[Kernel, End, LinkPartner]]:
        """The partners that answer, as the handler visits them: from above to below."""
        for end, partner in self._partners.items():
            if partner.answers:
                yield self, end, partner

    def handle(self, at_s: float, end: End, severity: aer.Severity) -> None:
        """Count, log and clear what one partner has on record, after a message of that severity."""
        partner = self._partners[end]
        if severity == "correctable":
            self._handle_correctable(at_s, end, partner)
        elif severity == "nonfatal" or partner.function.above_its_link:
            self._handle_uncorrectable(at_s, end, partner, severity)
        else:
            self._log.append(_Report(at_s, partner.function.requester_id, severity, 0, None))

    def clear(self) -> None:
        """The firmware's way: all flags are cleared, nothing is counted."""
        for _, _, partner in self.sources():
            partner.clear_errors()

    def _handle_correctable(self, at_s: float, end: End, partner: LinkPartner) -> None:
        if unmasked := _unmasked(partner, "correctable"):
            self._count(at_s, end, "correctable", unmasked, None)
            partner.write(AER + regs.PCI_ERR_COR_STATUS, partner.correctable)
            _clear_device_status(partner)

    def _handle_uncorrectable(self, at_s: float, end: End, partner: LinkPartner, severity: aer.Severity) -> None:
        status = partner.uncorrectable
        if unmasked := _unmasked(partner, severity):
            self._count(at_s, end, severity, unmasked, partner.header_log if status & _HEADER_PRINTED else None)
            if severity == "nonfatal":
                partner.write(AER + regs.PCI_ERR_UNCOR_STATUS, status & ~partner.fatal_mask)
                _clear_device_status(partner)

    def _count(self, at_s: float, end: End, severity: aer.Severity, status: int, header: Header | None) -> None:
        report = _Report(at_s, self._partners[end].function.requester_id, severity, status, header)
        self._log.append(report)
        for name in aer.names_of(status, report.group):
            self.add_counts(end, severity, name, 1)


@frozen
class _Report:
    """What the handler logged of one function at a time: `status` holds the flags that were not masked."""

    time_s: float
    requester_id: int
    severity: aer.Severity
    status: int
    header: Header | None

    @property
    def group(self) -> aer.Group:
        return "correctable" if self.severity == "correctable" else "uncorrectable"


class _RootPortService:
    """A root port's interrupt and its handler, for all links below; `kernels` has one for each, those above first."""

    def __init__(self, root: LinkPartner, owned: bool) -> None:
        self.kernels: list[Kernel] = []
        self.owned = owned
        self._root = root
        self._coming: list[tuple[float, int, Kernel, Callable[[], None]]] = []
        self._order = itertools.count()
        self._handle_s = math.inf

    @property
    def interrupted(self) -> bool:
        """Whether the handler is on its way."""
        return self._handle_s < math.inf

    def expect(self, at_s: float, kernel: Kernel, happens: Callable[[], None]) -> None:
        heapq.heappush(self._coming, (at_s, next(self._order), kernel, happens))

    def forget(self, kernel: Kernel) -> None:
        self._coming = [coming for coming in self._coming if coming[2] is not kernel]
        heapq.heapify(self._coming)

    def run_until(self, now_s: float) -> None:
        while self._coming and self._coming[0][0] <= now_s:
            at_s, _, _, happens = heapq.heappop(self._coming)
            self._handle_until(at_s)
            happens()
        self._handle_until(now_s)

    def receive(self, at_s: float, severity: aer.Severity, requester_id: int) -> None:
        if self._root.receive(severity, requester_id):
            self._handle_s = min(self._handle_s, at_s + HANDLING_S)

    def _handle_until(self, now_s: float) -> None:
        if now_s < self._handle_s:
            return
        at_s, self._handle_s = self._handle_s, math.inf
        at = AER + regs.PCI_ERR_ROOT_STATUS
        status, source = self._root.read(at), self._root.read(AER + regs.PCI_ERR_ROOT_ERR_SRC)
        self._root.write(at, status)
        if not self.owned:
            for kernel in self.kernels:
                kernel.clear()
            return
        if status & regs.PCI_ERR_ROOT_COR_RCV:
            self._dispatch(at_s, "correctable", source & 0xFFFF, bool(status & regs.PCI_ERR_ROOT_MULTI_COR_RCV))
        if status & regs.PCI_ERR_ROOT_UNCOR_RCV:
            severity: aer.Severity = "fatal" if status & regs.PCI_ERR_ROOT_FATAL_RCV else "nonfatal"
            self._dispatch(at_s, severity, source >> 16, bool(status & regs.PCI_ERR_ROOT_MULTI_UNCOR_RCV))

    def _dispatch(self, at_s: float, severity: aer.Severity, source: int, several: bool) -> None:
        """Handle the function that the root port names; all that have flags up if there were several messages.

        Bus 0 is taken for a root port that lost the number, so that the flags decide there too.
        """
        for kernel, end, partner in itertools.chain.from_iterable(link.sources() for link in self.kernels):
            named = source >> 8 and source == partner.function.requester_id
            searched = several or not source >> 8
            if named or (searched and _reports(partner) and _unmasked(partner, severity)):
                kernel.handle(at_s, end, severity)
                if not several:
                    return


def _reports(partner: LinkPartner) -> bool:
    return bool(partner.read(EXPRESS + regs.PCI_EXP_DEVCTL, 2) & _REPORTING)


def _unmasked(partner: LinkPartner, severity: aer.Severity) -> int:
    """Flags that are up and not masked: the correctable ones, or all uncorrectable ones."""
    if severity == "correctable":
        return partner.correctable & ~partner.correctable_mask
    return partner.uncorrectable & ~partner.uncorrectable_mask


def _flags(partner: LinkPartner, severity: aer.Severity) -> int:
    """Flags that are up, masked ones too, whose own severity this is."""
    if severity == "correctable":
        return partner.correctable
    return partner.uncorrectable & (partner.fatal_mask if severity == "fatal" else ~partner.fatal_mask)


def _clear_device_status(partner: LinkPartner) -> None:
    at = EXPRESS + regs.PCI_EXP_DEVCTL
    partner.write(at, partner.read(at))
