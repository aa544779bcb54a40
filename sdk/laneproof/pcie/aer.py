"""The errors of Advanced Error Reporting: what each bit is called, means, and accuses.

One catalogue, by the short names of Linux's aer_dev_* files; decoding an image's registers is in `decode`.
Bits and names: Linux drivers/pci/pcie/aer.c and linux/pci_regs.h; bits 27 to 31 as Linux 6.1 shows them in
sysfs. Default severity 0x00462030 and the masks of bits 13 to 15 and 22: QEMU hw/pci/pcie_aer.c; the mask of
bit 26 and the layers: from memory of the base specification.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

from attrs import frozen

from laneproof.errors import BadInput
from laneproof.pcie import registers as regs

Group = Literal["correctable", "uncorrectable"]
Severity = Literal["correctable", "nonfatal", "fatal"]
Layer = Literal["physical", "data link", "transaction", "internal"]

DEFAULT_UNCORRECTABLE_SEVERITY = 0x00462030
"""The severity register after a reset: a set bit is fatal. QEMU hw/pci/pcie_aer.c."""
DEFAULT_UNCORRECTABLE_MASK = regs.PCI_ERR_UNC_INTN | 1 << 26
DEFAULT_CORRECTABLE_MASK = regs.PCI_ERR_COR_ADV_NFAT | regs.PCI_ERR_COR_INTERNAL | regs.PCI_ERR_COR_LOG_OVER


@frozen
class AerError:
    """One error that a port can report.

    `bit` counts from 0 within the status register of its `group`. `meaning` is seen from the end that reports
    it; `suspects` says who may have caused it, which is often the other end or the path between.
    """

    name: str
    bit: int
    group: Group
    layer: Layer
    default_severity: Severity
    masked_by_default: bool
    meaning: str
    suspects: str


def _correctable(mask: int, name: str, layer: Layer, meaning: str, suspects: str) -> AerError:
    masked = bool(mask & DEFAULT_CORRECTABLE_MASK)
    return AerError(name, mask.bit_length() - 1, "correctable", layer, "correctable", masked, meaning, suspects)


def _uncorrectable(mask: int, name: str, layer: Layer, meaning: str, suspects: str) -> AerError:
    severity: Severity = "fatal" if mask & DEFAULT_UNCORRECTABLE_SEVERITY else "nonfatal"
    masked = bool(mask & DEFAULT_UNCORRECTABLE_MASK)
    return AerError(name, mask.bit_length() - 1, "uncorrectable", layer, severity, masked, meaning, suspects)


CORRECTABLE: tuple[AerError, ...] = (
    _correctable(
        regs.PCI_ERR_COR_RCVR,
        "RxErr",
        "physical",
        "This end's receiver saw symbols, blocks or framing that cannot be; a packet hit by it is dropped "
        "and sent again, so the data arrive intact.",
        "The path into this end: the partner's transmitter, the slot's contacts, a riser, or this receiver;"
        " with 8b/10b even idle symbols count, and the partner's silence does not clear it.",
    ),
    _correctable(
        regs.PCI_ERR_COR_BAD_TLP,
        "BadTLP",
        "data link",
        "A packet arrived here with a wrong link CRC or sequence number; it was refused and sent again, so "
        "the data arrive intact.",
        "The path into this end; the partner replays without counting anything, so its silence does not clear it.",
    ),
    _correctable(
        regs.PCI_ERR_COR_BAD_DLLP,
        "BadDLLP",
        "data link",
        "An acknowledgement, flow-control or other link packet arrived here damaged and was dropped; no "
        "payload was in it, and the next one makes up for it.",
        "The path into this end, as with BadTLP, though data flow the other way.",
    ),
    _correctable(
        regs.PCI_ERR_COR_REP_ROLL,
        "Rollover",
        "data link",
        "This end sent the same packets again and again without any being acknowledged, and has the link "
        "retrained; the packets wait and are sent once more, so the data are late, not lost.",
        "Either direction: packets that do not get through on the way out, or acknowledgements lost on the "
        "way back; BadTLP or RxErr at the partner, or BadDLLP or RxErr here, says which.",
    ),
    _correctable(
        regs.PCI_ERR_COR_REP_TIMER,
        "Timeout",
        "data link",
        "No acknowledgement came in time for a packet that this end had sent, so it was sent again; the "
        "partner drops what it already has, and the data arrive intact.",
        "Acknowledgements damaged on the path into this end; on the path out of it a packet lost whole, or "
        "damaged again as it was sent again; or a partner that is slow to acknowledge.",
    ),
    _correctable(
        regs.PCI_ERR_COR_ADV_NFAT,
        "NonFatalErr",
        "transaction",
        "This end met a non-fatal error that another party is better placed to handle, and says so only as "
        "advice; the uncorrectable status names the error, unless the advice is masked, as it is by default.",
        "Whoever the uncorrectable bit set beside it points at; by itself it says nothing about the link.",
    ),
    _correctable(
        regs.PCI_ERR_COR_INTERNAL,
        "CorrIntErr",
        "internal",
        "This end found and corrected an error inside itself, in a memory with error correction for "
        "instance; the data are good.",
        "The device that reports it, not the link; if it recurs, its memory, supply or temperature.",
    ),
    _correctable(
        regs.PCI_ERR_COR_LOG_OVER,
        "HeaderOF",
        "internal",
        "More packet headers were to be logged here than there is room for, so some errors are on record "
        "without their header.",
        "Nobody new: it says that errors came faster than they were read; look at the others.",
    ),
)
"""The correctable errors, by rising bit."""

UNCORRECTABLE: tuple[AerError, ...] = (
    _uncorrectable(
        regs.PCI_ERR_UNC_DLP,
        "DLP",
        "data link",
        "An acknowledgement arrived here for a packet that was never sent; the two ends no longer agree on "
        "what has arrived, and packets in flight may be lost.",
        "The partner's data link layer, or this end's; a damaged wire alone is caught by the CRC before it gets here.",
    ),
    _uncorrectable(
        regs.PCI_ERR_UNC_SURPDN,
        "SDES",
        "data link",
        "The link went down without anyone asking for it; all that was in flight is lost.",
        "The card beyond this port lost power, was reset, pulled or lost contact; a link too poor to "
        "recover ends so as well.",
    ),
    _uncorrectable(
        regs.PCI_ERR_UNC_POISON_TLP,
        "PoisonedTLP",
        "transaction",
        "A packet arrived here that its sender had marked as holding bad data; the payload must not be used.",
        "Memory or a buffer at the sender or before it, for the mark tells of damage known before the link.",
    ),
    _uncorrectable(
        regs.PCI_ERR_UNC_FCP,
        "FCP",
        "transaction",
        "The partner's flow-control figures broke the rules; how much may be sent is no longer known, and "
        "traffic may stop.",
        "The partner's flow-control logic, or this end's; not the wire, whose damage a CRC catches first.",
    ),
    _uncorrectable(
        regs.PCI_ERR_UNC_COMP_TIME,
        "CmpltTO",
        "transaction",
        "A read that this end sent was not answered in time; its data never came.",
        "The device that was asked, a hop on the way there or back, or a link that was down or retraining "
        "meanwhile; this end only waited.",
    ),
    _uncorrectable(
        regs.PCI_ERR_UNC_COMP_ABORT,
        "CmpltAbrt",
        "transaction",
        "This end refused a request that broke its own rules and answered with an abort; no data were moved for it.",
        "The requester or the driver that made it ask so, or a fault in this device; not the link.",
    ),
    _uncorrectable(
        regs.PCI_ERR_UNC_UNX_COMP,
        "UnxCmplt",
        "transaction",
        "An answer arrived here to a question that nobody here has open; its data were dropped.",
        "A completer slower than this end's timeout, a wrong tag or requester number at either of them, or "
        "a switch that misroutes.",
    ),
    _uncorrectable(
        regs.PCI_ERR_UNC_RX_OVER,
        "RxOF",
        "transaction",
        "More packets came than this end had granted room for; some had to be dropped and their data are lost.",
        "The partner, if it ignored the credits, or this end, if it granted more than it has.",
    ),
    _uncorrectable(
        regs.PCI_ERR_UNC_MALF_TLP,
        "MalfTLP",
        "transaction",
        "A packet arrived with a good link CRC and yet breaks the rules of its own header; it was dropped "
        "with its data.",
        "The packet's maker, or a switch that changed it; often a payload size set larger at the sender than here.",
    ),
    _uncorrectable(
        regs.PCI_ERR_UNC_ECRC,
        "ECRC",
        "transaction",
        "A packet's end-to-end CRC is wrong though each link's CRC was right; its data may be damaged.",
        "A device between the two ends, most of all a switch or bridge that damaged it inside, or an end's "
        "own buffer; not the wires.",
    ),
    _uncorrectable(
        regs.PCI_ERR_UNC_UNSUP,
        "UnsupReq",
        "transaction",
        "A request arrived that this end does not serve; a write was dropped, a read was answered without data.",
        "The requester's address or the software behind it, or a device here that lost its address after a "
        "reset; scanning for devices causes it harmlessly.",
    ),
    _uncorrectable(
        regs.PCI_ERR_UNC_ACSV,
        "ACSViol",
        "transaction",
        "A request broke the access control set at this port; it was stopped here and its data not passed on.",
        "The device below that sent it, a wrong requester number after a reset, or the access control settings.",
    ),
    _uncorrectable(
        regs.PCI_ERR_UNC_INTN,
        "UncorrIntErr",
        "internal",
        "This end found an error inside itself that it could not correct; anything that it holds may be damaged.",
        "The device that reports it: its memory, supply, temperature or logic; not the link.",
    ),
    _uncorrectable(
        regs.PCI_ERR_UNC_MCBTLP,
        "BlockedTLP",
        "transaction",
        "A multicast packet was stopped at this port as its settings ask; its data did not go on.",
        "The sender or the multicast settings.",
    ),
    _uncorrectable(
        regs.PCI_ERR_UNC_ATOMEG,
        "AtomicOpBlocked",
        "transaction",
        "An atomic operation was stopped on its way out of this port, as its settings ask; it was not carried out.",
        "The requester or this port's settings.",
    ),
    _uncorrectable(
        regs.PCI_ERR_UNC_TLPPRE,
        "TLPBlockedErr",
        "transaction",
        "A packet with a prefix was stopped on its way out of this port, which may not pass prefixes; it was lost.",
        "The packet's maker or this port's settings.",
    ),
    _uncorrectable(
        1 << 26,
        "PoisonTLPBlocked",
        "transaction",
        "A packet marked as holding bad data was stopped on its way out of this port; the bad data went no further.",
        "Whoever marked it, before this port; the link beyond this port is not involved.",
    ),
    _uncorrectable(
        1 << 27,
        "DMWrReqBlocked",
        "transaction",
        "A deferrable memory write was stopped on its way out of this port; it was not carried out.",
        "The requester or this port's settings.",
    ),
    _uncorrectable(
        1 << 28,
        "IDECheck",
        "transaction",
        "A protected packet failed its integrity check here; it was not accepted and the secure stream is broken.",
        "A device between the two ends that changed the packet, keys or counters out of step, or tampering.",
    ),
    _uncorrectable(
        1 << 29,
        "MisIDETLP",
        "transaction",
        "A protected packet arrived at an end that it was not meant for; it was not accepted.",
        "A switch that misroutes, or settings of the secure stream.",
    ),
    _uncorrectable(
        1 << 30,
        "PCRC_CHECK",
        "transaction",
        "The CRC over the plain text of a protected packet is wrong here; its data may be damaged.",
        "The logic that ciphers at the sender or here, between their buffers and the link; not the wires.",
    ),
    _uncorrectable(
        1 << 31,
        "TLPXlatBlocked",
        "transaction",
        "A packet could not be translated between the two header formats at this port and was stopped; it was lost.",
        "The packet's maker, or a path that joins a link in FLIT mode to one that is not.",
    ),
)
"""The uncorrectable errors, by rising bit. Bit 0 is undefined since version 1.1 of the base specification."""

CATALOGUE: Mapping[str, AerError] = MappingProxyType({error.name: error for error in CORRECTABLE + UNCORRECTABLE})
"""Every error by its short name."""

_BY_BIT: dict[str, dict[int, str]] = {
    "correctable": {error.bit: error.name for error in CORRECTABLE},
    "uncorrectable": {error.bit: error.name for error in UNCORRECTABLE},
}

# Long names: Linux include/ras/ras_event.h, and aer.c before the short ones came, with its old misspelling.
# Older ones lack the word "Error" at the end, which is why `canonical_name` leaves it away. Short names that
# differ from ours: Linux aer.c ("TLP") and pciutils ls-ecaps.c ("AdvNonFatalErr").
_LABELS: dict[str, str] = {
    "receiver": "RxErr",
    "bad tlp": "BadTLP",
    "bad dllp": "BadDLLP",
    "relay_num rollover": "Rollover",
    "replay_num rollover": "Rollover",
    "replay timer timeout": "Timeout",
    "advisory non-fatal": "NonFatalErr",
    "advnonfatalerr": "NonFatalErr",
    "corrected internal": "CorrIntErr",
    "header log overflow": "HeaderOF",
    "data link protocol": "DLP",
    "surprise down": "SDES",
    "tlp": "PoisonedTLP",
    "poisoned tlp": "PoisonedTLP",
    "flow control protocol": "FCP",
    "completion timeout": "CmpltTO",
    "completer abort": "CmpltAbrt",
    "unexpected completion": "UnxCmplt",
    "receiver overflow": "RxOF",
    "malformed tlp": "MalfTLP",
    "ecrc": "ECRC",
    "unsupported request": "UnsupReq",
    "acs violation": "ACSViol",
    "uncorrectable internal": "UncorrIntErr",
    "mc blocked tlp": "BlockedTLP",
    "atomicop egress blocked": "AtomicOpBlocked",
    "tlp prefix blocked": "TLPBlockedErr",
}

# What Linux prints for a bit that its own table does not name (aer.c, `aer_stats_dev_attr`).
_UNNAMED_ROW = re.compile(r"dev_(cor|fatal|nonfatal)_errs_bit\[([0-9]{1,2})\]")


def names_of(status: int, group: Group) -> tuple[str, ...]:
    """Short names of the bits set in a group's 32-bit register, by rising bit; "bit 9" where there is none.

    Raises BadInput for a value that does not fit in 32 bits or an unknown group.
    """
    if not 0 <= status <= 0xFFFFFFFF:
        raise BadInput(f"{status} is no value of an error register; give 32 bits, not negative")
    names = _BY_BIT.get(group)
    if names is None:
        raise BadInput(f'"{group}" is no group of errors; use correctable or uncorrectable')
    return tuple(names.get(bit, f"bit {bit}") for bit in range(32) if status >> bit & 1)


def canonical_name(label: str) -> str:
    """The short name behind a row label of either dialect of Linux's aer_dev_* files; others stay unchanged.

    A row for an unnamed bit ("dev_fatal_errs_bit[26]") becomes the bit's name, or "bit 9" where it has none.
    """
    unnamed = _UNNAMED_ROW.fullmatch(label)
    if unnamed and int(unnamed[2]) < 32:
        group = "correctable" if unnamed[1] == "cor" else "uncorrectable"
        return names_of(1 << int(unnamed[2]), group)[0]
    return _LABELS.get(label.strip().lower().removesuffix(" error"), label)
