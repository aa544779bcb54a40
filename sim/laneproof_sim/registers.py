"""The registers that a link moves: what both of its partners show of speed, width, training, lanes and loss.

A link partner is one function's configuration space (`config_space`, `error_registers`) as it stands at one link: a
root port or a switch's downstream port above it, a switch's upstream port or an endpoint below it.
"""

from __future__ import annotations

from laneproof.pcie import rates
from laneproof.pcie import registers as regs
from laneproof_sim.config_space import EXPRESS, LANE_ERRORS, PARITY_MISMATCHES, PHYSICAL, PHYSICAL_STATUS, Function
from laneproof_sim.error_registers import ErrorRegisters
from laneproof_sim.training import Trained

_EQUALISED = 0xF
"""Equalisation complete, and its three phases successful."""


class LinkPartner(ErrorRegisters):
    """One partner of a link that has trained."""

    def __init__(self, function: Function, trained: Trained) -> None:
        super().__init__(function)
        self.link_up(trained)

    def link_up(self, trained: Trained) -> None:
        """The link has trained: its speed, width and equalisation; a fall-back is a change for reliability."""
        self.change_speed(trained.speed_gtps, by_itself=False)
        at = EXPRESS + regs.PCI_EXP_LNKSTA
        status = self.hardware(at, 2) & ~regs.PCI_EXP_LNKSTA_NLW | trained.width << 4
        if self.function.above_its_link:
            status |= regs.PCI_EXP_LNKSTA_DLLLA | (regs.PCI_EXP_LNKSTA_LBMS if trained.fell_back else 0)
        self.set_hardware(at, status, 2)
        done = {speed: _EQUALISED if speed in trained.equalised else 0 for speed in (8.0, 16.0, 32.0)}
        self.set_hardware(EXPRESS + regs.PCI_EXP_LNKSTA2, done[8.0] << 1, 2)
        for speed, (offset, _) in PHYSICAL.items():
            if self.function.max_speed_gtps >= speed:
                self.set_hardware(offset + PHYSICAL_STATUS, done[speed])

    def change_speed(self, speed_gtps: float, *, by_itself: bool = True) -> None:
        """The link runs at `speed_gtps`; `by_itself`, not for reliability, is noted at its upper end alone."""
        at = EXPRESS + regs.PCI_EXP_LNKSTA
        status = self.hardware(at, 2) & ~regs.PCI_EXP_LNKSTA_CLS | rates.speed_code(speed_gtps)
        if self.function.above_its_link and by_itself:
            status |= regs.PCI_EXP_LNKSTA_LABS
        self.set_hardware(at, status, 2)

    def note_retraining(self) -> None:
        """Software had the link retrained, which its upper end notes as it does a change for reliability."""
        at = EXPRESS + regs.PCI_EXP_LNKSTA
        self.set_hardware(at, self.hardware(at, 2) | regs.PCI_EXP_LNKSTA_LBMS, 2)

    def show_training(self, training: bool) -> None:
        """Whether the link is in Recovery or being configured, which its upper end shows."""
        at = EXPRESS + regs.PCI_EXP_LNKSTA
        status = self.hardware(at, 2) & ~regs.PCI_EXP_LNKSTA_LT
        self.set_hardware(at, status | (regs.PCI_EXP_LNKSTA_LT if training else 0), 2)

    def link_down(self) -> None:
        """The near partner after its link went down: data link inactive, no width, slot empty or silent.

        Speed and width are undefined then (base specification, from memory); here they are 2.5 GT/s and 0.
        """
        at = EXPRESS + regs.PCI_EXP_LNKSTA
        status = self.hardware(at, 2) & ~(regs.PCI_EXP_LNKSTA_DLLLA | regs.PCI_EXP_LNKSTA_NLW)
        self.set_hardware(at, status & ~regs.PCI_EXP_LNKSTA_CLS | regs.PCI_EXP_LNKSTA_CLS_2_5GB, 2)
        slot_status = EXPRESS + regs.PCI_EXP_SLTSTA
        changed = self.hardware(slot_status, 2) | regs.PCI_EXP_SLTSTA_DLLSC
        self.set_hardware(slot_status, changed, 2)

    def mark_lane(self, lane: int, *, parity: bool) -> None:
        """The receiver met an error that it can lay to one lane, counted as the port counts them (see `line`).

        A mismatch of data parity has a register of its own from 16 GT/s on; before, it is in Lane Error Status.
        """
        speed_gtps = rates.speed_from_code(self.hardware(EXPRESS + regs.PCI_EXP_LNKSTA, 2) & regs.PCI_EXP_LNKSTA_CLS)
        own_register = parity and speed_gtps is not None and speed_gtps >= 16
        self.raise_bits(PARITY_MISMATCHES if own_register else LANE_ERRORS, 1 << lane)
