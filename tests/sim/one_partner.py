"""One function as it stands at a trained link, for tests of its registers, and what the decoder finds in them."""

from __future__ import annotations

from laneproof import pcie
from laneproof.pcie import registers as regs
from laneproof_sim.config_space import AER, EXPRESS, Function, Kind
from laneproof_sim.registers import LinkPartner
from laneproof_sim.training import Change, Trained

KINDS: tuple[Kind, ...] = ("root port", "upstream port", "downstream port", "endpoint")
READ = (0x00000001, 0x0100000F, 0xFE000000, 0x00000000)
"""A memory read of four bytes by 01:00.0."""
WRITE = (0x40000001, 0x0100000F, 0xFE000000, 0xDEADBEEF)
TRAINED = Trained(speed_gtps=16.0, lanes=(0, 1, 2, 3), history=(Change(at_s=0.0, state="L0"),))


def partner(kind: Kind = "endpoint", *, ecrc: bool = False) -> LinkPartner:
    function = Function(
        kind=kind,
        max_speed_gtps=16.0,
        max_width=4,
        max_payload=256,
        payload=256,
        requester_id=0x0100 if kind == "endpoint" else 0x0008,
        secondary_bus=1,
        ecrc=ecrc,
    )
    return LinkPartner(function, TRAINED)


def errors(one: LinkPartner) -> pcie.AdvancedErrors:
    found = pcie.decode(one.image()).aer
    assert found is not None
    return found


def flags(one: LinkPartner) -> tuple[str, ...]:
    found = pcie.decode(one.image()).device_status
    assert found is not None
    return found


def unmask(one: LinkPartner, *, correctable: bool = False) -> None:
    one.write(AER + (regs.PCI_ERR_COR_MASK if correctable else regs.PCI_ERR_UNCOR_MASK), 0)


def switch_off(one: LinkPartner, command: int = 0, control: int = 0) -> None:
    """Clear enables in Command and Device Control."""
    one.write(regs.PCI_COMMAND, one.read(regs.PCI_COMMAND, 2) & ~command)
    one.write(EXPRESS + regs.PCI_EXP_DEVCTL, one.read(EXPRESS + regs.PCI_EXP_DEVCTL, 2) & ~control)
