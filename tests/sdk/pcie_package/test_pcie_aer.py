"""The catalogue of errors, against the kernel's header, its sysfs rows and its documentation."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from laneproof.errors import BadInput
from laneproof.pcie import CATALOGUE, CORRECTABLE, UNCORRECTABLE, canonical_name, names_of

HEADER = Path("/usr/include/linux/pci_regs.h")
CONFIG = Path(__file__).parents[2] / "fixtures" / "config"

MACROS = {
    "RxErr": "COR_RCVR",
    "BadTLP": "COR_BAD_TLP",
    "BadDLLP": "COR_BAD_DLLP",
    "Rollover": "COR_REP_ROLL",
    "Timeout": "COR_REP_TIMER",
    "NonFatalErr": "COR_ADV_NFAT",
    "CorrIntErr": "COR_INTERNAL",
    "HeaderOF": "COR_LOG_OVER",
    "DLP": "UNC_DLP",
    "SDES": "UNC_SURPDN",
    "PoisonedTLP": "UNC_POISON_TLP",
    "FCP": "UNC_FCP",
    "CmpltTO": "UNC_COMP_TIME",
    "CmpltAbrt": "UNC_COMP_ABORT",
    "UnxCmplt": "UNC_UNX_COMP",
    "RxOF": "UNC_RX_OVER",
    "MalfTLP": "UNC_MALF_TLP",
    "ECRC": "UNC_ECRC",
    "UnsupReq": "UNC_UNSUP",
    "ACSViol": "UNC_ACSV",
    "UncorrIntErr": "UNC_INTN",
    "BlockedTLP": "UNC_MCBTLP",
    "AtomicOpBlocked": "UNC_ATOMEG",
    "TLPBlockedErr": "UNC_TLPPRE",
}


def recorded_rows(attribute: str) -> list[str]:
    """Row labels of an attribute as Linux 6.1 showed it in sysfs, totals left out."""
    text = (CONFIG / "e1000e_aer.sysfs.txt").read_text()
    section = text.split(f"== {attribute}\n")[1].split("==")[0]
    return [row.rsplit(" ", 1)[0] for row in section.splitlines() if not row.startswith("TOTAL")]


@pytest.mark.parametrize("name", MACROS)
def test_a_bit_is_where_the_kernels_header_has_it(name: str) -> None:
    if not HEADER.exists():
        pytest.skip(f"{HEADER} is missing; install the kernel's headers for user space (linux-libc-dev)")
    match = re.search(rf"PCI_ERR_{MACROS[name]}\s+(0x[0-9a-fA-F]+)", HEADER.read_text())
    assert match
    assert 1 << CATALOGUE[name].bit == int(match[1], 16)


def test_the_correctable_names_are_the_rows_that_linux_shows_in_its_order() -> None:
    assert [error.name for error in CORRECTABLE] == recorded_rows("aer_dev_correctable")


def test_the_uncorrectable_names_are_the_rows_that_linux_shows_in_its_order() -> None:
    # Linux calls bit 12 "TLP"; its first row is the undefined bit 0.
    rows = ["PoisonedTLP" if row == "TLP" else row for row in recorded_rows("aer_dev_nonfatal")]
    assert ["Undefined", *(error.name for error in UNCORRECTABLE)] == rows


def test_bits_26_to_31_follow_one_another() -> None:
    assert [error.bit for error in UNCORRECTABLE if error.bit >= 26] == [26, 27, 28, 29, 30, 31]


def test_the_default_severity_is_the_register_value_after_reset() -> None:
    # QEMU hw/pci/pcie_aer.c; the recorded image's severity register agrees.
    fatal = sum(1 << error.bit for error in UNCORRECTABLE if error.default_severity == "fatal")
    assert fatal == 0x00462030
    image = (CONFIG / "e1000e_aer.bin").read_bytes()
    assert int.from_bytes(image[0x10C:0x110], "little") == fatal
    assert {error.default_severity for error in UNCORRECTABLE} == {"fatal", "nonfatal"}
    assert {error.default_severity for error in CORRECTABLE} == {"correctable"}


def test_the_default_correctable_mask_is_the_register_value_after_reset() -> None:
    # QEMU hw/pci/pcie_aer.c; the recorded image's mask register agrees.
    masked = sum(1 << error.bit for error in CORRECTABLE if error.masked_by_default)
    assert masked == 0xE000
    image = (CONFIG / "e1000e_aer.bin").read_bytes()
    assert int.from_bytes(image[0x114:0x118], "little") == masked


def test_two_uncorrectable_errors_are_masked_by_default() -> None:
    # Internal errors: QEMU hw/pci/pcie_aer.c; blocked poisoned packets: from memory of the base specification.
    assert {error.name for error in UNCORRECTABLE if error.masked_by_default} == {"UncorrIntErr", "PoisonTLPBlocked"}


def test_the_layers_are_those_that_linux_prints() -> None:
    # Linux drivers/pci/pcie/aer.c, AER_PHYSICAL_LAYER_ERROR_MASK and AER_DATA_LINK_LAYER_ERROR_MASK; SDES besides,
    # which Linux leaves to its default, from memory of the base specification.
    assert [error.name for error in CATALOGUE.values() if error.layer == "physical"] == ["RxErr"]
    link = {error.name for error in CATALOGUE.values() if error.layer == "data link"}
    assert link == {"BadTLP", "BadDLLP", "Rollover", "Timeout", "DLP", "SDES"}


@pytest.mark.parametrize("error", CATALOGUE.values(), ids=lambda error: error.name)
def test_each_error_says_in_one_sentence_what_it_means_and_whom_it_accuses(error) -> None:
    for sentence in (error.meaning, error.suspects):
        assert re.fullmatch(r"[A-Z][^.\n]{20,}\.", sentence)
        assert "  " not in sentence


@pytest.mark.parametrize("name", ["RxErr", "BadTLP", "BadDLLP"])
def test_an_error_in_receiving_accuses_the_path_into_the_end_that_counts_it(name: str) -> None:
    assert CATALOGUE[name].suspects.startswith("The path into this end")


def test_a_logged_status_is_named() -> None:
    # Linux Documentation/PCI/pcieaer-howto.rst logs this status as an unsupported request.
    assert names_of(0x00100000, "uncorrectable") == ("UnsupReq",)


def test_bits_are_named_in_rising_order_and_unnamed_ones_by_number() -> None:
    assert names_of(0x00002240 | 1, "correctable") == ("RxErr", "BadTLP", "bit 9", "NonFatalErr")
    assert names_of(0x80000001, "uncorrectable") == ("bit 0", "TLPXlatBlocked")
    assert names_of(0, "uncorrectable") == ()


@pytest.mark.parametrize("status", [-1, 1 << 32])
def test_a_status_beyond_32_bits_is_refused(status: int) -> None:
    with pytest.raises(BadInput, match="no value of an error register"):
        names_of(status, "correctable")


def test_an_unknown_group_is_refused() -> None:
    with pytest.raises(BadInput, match="correctable or uncorrectable"):
        names_of(1, "fatal")  # type: ignore[arg-type]


# Long labels: Linux include/ras/ras_event.h; older spellings without "Error": include/trace/events/ras.h before it.
# That aer.c used the same in its sysfs files before the short ones is from memory.
LONG = {
    "Receiver Error": "RxErr",
    "Bad TLP": "BadTLP",
    "Bad DLLP": "BadDLLP",
    "RELAY_NUM Rollover": "Rollover",
    "Replay Timer Timeout": "Timeout",
    "Advisory Non-Fatal": "NonFatalErr",
    "Advisory Non-Fatal Error": "NonFatalErr",
    "Corrected Internal Error": "CorrIntErr",
    "Header Log Overflow": "HeaderOF",
    "Data Link Protocol": "DLP",
    "Data Link Protocol Error": "DLP",
    "Surprise Down Error": "SDES",
    "Poisoned TLP": "PoisonedTLP",
    "Flow Control Protocol": "FCP",
    "Flow Control Protocol Error": "FCP",
    "Completion Timeout": "CmpltTO",
    "Completer Abort": "CmpltAbrt",
    "Unexpected Completion": "UnxCmplt",
    "Receiver Overflow": "RxOF",
    "Malformed TLP": "MalfTLP",
    "ECRC": "ECRC",
    "ECRC Error": "ECRC",
    "Unsupported Request": "UnsupReq",
    "Unsupported Request Error": "UnsupReq",
    "ACS Violation": "ACSViol",
    "Uncorrectable Internal Error": "UncorrIntErr",
    "MC Blocked TLP": "BlockedTLP",
    "AtomicOp Egress Blocked": "AtomicOpBlocked",
    "TLP Prefix Blocked Error": "TLPBlockedErr",
}


@pytest.mark.parametrize("label", LONG)
def test_a_long_label_becomes_the_short_name(label: str) -> None:
    assert canonical_name(label) == LONG[label]


@pytest.mark.parametrize("name", CATALOGUE)
def test_a_short_name_stays(name: str) -> None:
    assert canonical_name(name) == name


def test_the_short_dialects_own_spellings_become_ours() -> None:
    assert canonical_name("TLP") == "PoisonedTLP"  # Linux drivers/pci/pcie/aer.c
    assert canonical_name("AdvNonFatalErr") == "NonFatalErr"  # pciutils 3.9.0, as lspci prints it


# Linux drivers/pci/pcie/aer.c prints an unnamed bit's row so.
@pytest.mark.parametrize(
    ("label", "name"),
    [
        ("dev_fatal_errs_bit[26]", "PoisonTLPBlocked"),
        ("dev_nonfatal_errs_bit[3]", "bit 3"),
        ("dev_cor_errs_bit[9]", "bit 9"),
    ],
)
def test_a_row_for_a_bit_that_the_kernel_does_not_name_gets_the_bits_name(label: str, name: str) -> None:
    assert canonical_name(label) == name


@pytest.mark.parametrize("label", ["", "Undefined", "TOTAL_ERR_COR", "<unknown bit 9>", "dev_cor_errs_bit[40]", "Née"])
def test_a_label_never_seen_before_stays_as_it_is(label: str) -> None:
    assert canonical_name(label) == label
