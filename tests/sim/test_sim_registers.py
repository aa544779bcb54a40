"""Register images of both partners: what the decoder reads from them, what clears them, what a loss does to them."""

from __future__ import annotations

import re
import shutil
import subprocess

import pytest
from one_partner import READ, WRITE, partner

from laneproof import pcie
from laneproof.pcie import registers as regs
from laneproof.readings import Unavailable
from laneproof_sim.faults import DropOff

# linux/pci_regs.h and QEMU hw/pci/pcie_aer.c: default severity, and the correctable errors masked by default.
DEFAULT_SEVERITY = 0x00462030
DEFAULT_CORRECTABLE_MASK = 0xE000
AER = 0x100
LSPCI = shutil.which("lspci") or shutil.which("lspci", path="/usr/sbin:/sbin")


def test_the_reading_is_what_the_decoder_finds_in_the_images(bench):
    opened = bench(speed=16.0, width=4, card={"max_speed": 8.0}).opened
    reading = opened.read_link()
    for image, end in zip(opened.images(), (reading.near, reading.far), strict=True):
        decoded = pcie.decode(image).to_dict()
        link, payload = decoded["link"], decoded["payload"]
        assert (end.speed_gtps, end.width) == (link["speed_gtps"], link["width"]) == (8.0, 4)
        assert (end.max_speed_gtps, end.max_width) == (link["max_speed_gtps"], link["max_width"])
        assert (end.max_payload, end.read_request) == (payload["set"], payload["read_request"])


def test_payload_is_set_to_the_smaller_of_both(bench):
    opened = bench(near={"max_payload": 512}, card={"max_payload": 128}).opened
    near, far = (pcie.decode(image).to_dict()["payload"] for image in opened.images())
    assert (near["supported"], near["set"]) == (512, 128)
    assert (far["supported"], far["set"]) == (128, 128)


def test_error_masks_and_severities_are_the_defaults(bench):
    for image in bench().opened.images():
        severity = int.from_bytes(image[AER + regs.PCI_ERR_UNCOR_SEVER :][:4], "little")
        mask = int.from_bytes(image[AER + regs.PCI_ERR_COR_MASK :][:4], "little")
        assert (severity, mask) == (DEFAULT_SEVERITY, DEFAULT_CORRECTABLE_MASK)


def test_a_written_one_clears_a_status_bit_and_a_zero_leaves_it(bench):
    # Write-one-to-clear registers: base specification, from memory.
    near = bench().opened.near
    near.raise_error("BadTLP")
    near.raise_error("RxErr")
    status = AER + regs.PCI_ERR_COR_STATUS
    near.write(status, regs.PCI_ERR_COR_BAD_TLP)
    assert near.read(status) == regs.PCI_ERR_COR_RCVR


def test_software_cannot_set_a_status_bit(bench):
    near = bench().opened.near
    near.write(AER + regs.PCI_ERR_COR_STATUS, 0xFFFFFFFF)
    assert near.correctable == 0


def test_no_slot_claims_hot_plug_and_no_card_several_functions(bench):
    opened = bench().opened
    near, far = opened.images()
    express = next(one.offset for one in pcie.decode(near).capabilities if one.name == "PCI Express")
    slot = int.from_bytes(near[express + regs.PCI_EXP_SLTCAP :][:4], "little")
    assert slot & (regs.PCI_EXP_SLTCAP_HPC | regs.PCI_EXP_SLTCAP_HPS) == 0
    assert far[regs.PCI_HEADER_TYPE] & 0x80 == 0


def test_a_masked_error_sets_its_status_and_is_not_reported(bench):
    # Base specification, masked errors, from memory: status set, no message, first error pointer unmoved.
    near = bench().opened.near
    assert near.raise_error("CorrIntErr") is None
    assert near.correctable == regs.PCI_ERR_COR_INTERNAL


def test_the_first_error_pointer_names_the_first_uncorrectable_error(bench):
    opened = bench().opened
    opened.near.raise_error("SDES")
    opened.near.raise_error("DLP")
    assert pcie.decode(opened.near.image()).to_dict()["aer"]["first_error"] == "SDES"


@pytest.mark.skipif(LSPCI is None, reason="lspci of pciutils is not installed")
def test_lspci_reads_the_same_link_from_the_images(bench, tmp_path):
    # pciutils, run on the images: an outside reader of the same registers.
    for address, image in zip(("00:01.0", "01:00.0"), bench(speed=16.0, width=4).opened.images(), strict=True):
        rows = [f"{at:02x}: {image[at : at + 16].hex(' ')}" for at in range(0, len(image), 16)]
        dump = tmp_path / f"{address}.txt"
        dump.write_text("\n".join([f"{address} device", *rows, ""]))
        shown = subprocess.run([LSPCI, "-vvv", "-F", dump], capture_output=True, text=True, check=True).stdout
        assert re.search(r"LnkCap:.*Speed 16GT/s, Width x4", shown)
        assert re.search(r"LnkSta:\s*Speed 16GT/s.*, Width x4", shown)
        assert re.search(r"MaxPayload 256 bytes, MaxReadReq 512 bytes", shown)
        assert "Supported Link Speeds: 2.5-16GT/s" in shown
        assert "CEMsk:\tRxErr- BadTLP- BadDLLP- Rollover- Timeout- AdvNonFatalErr+" in shown
        assert ("Root Port (Slot+)" in shown, "DLActive+" in shown) == ((address == "00:01.0"),) * 2


@pytest.mark.skipif(LSPCI is None, reason="lspci of pciutils is not installed")
@pytest.mark.parametrize(
    ("kind", "shown"),
    [
        ("root port", ["Root Port (Slot-)", "RootCmd: CERptEn+ NFERptEn+ FERptEn+", "<SERR+ <PERR+", "Surprise+"]),
        ("upstream port", ["Upstream Port", "BridgeCtl: Parity- SERR+", "<SERR+ <PERR-", "Surprise-"]),
        ("downstream port", ["Downstream Port (Slot-)", "BridgeCtl: Parity- SERR+", "<SERR+ <PERR+", "Surprise+"]),
        ("endpoint", ["Endpoint", "Region 0: Memory at fe800000", ">SERR+ <PERR+", "Surprise-"]),
    ],
)
def test_lspci_reads_the_same_errors_from_each_kind_of_function(kind, shown, tmp_path):
    # pciutils, run on the images: an outside reader of the same registers.
    one = partner(kind, ecrc=True)
    one.raise_error("PoisonedTLP", header=WRITE)
    one.raise_error("UnxCmplt", header=READ, advisory=True)
    one.mark_lane(1, parity=False)
    if one.function.is_bridge:
        one.forward("fatal")
    dump = tmp_path / "dump.txt"
    image = one.image()
    rows = [f"{at:02x}: {image[at : at + 16].hex(' ')}" for at in range(0, len(image), 16)]
    dump.write_text("\n".join(["01:00.0 device", *rows, ""]))
    said = subprocess.run([LSPCI, "-vvv", "-F", dump], capture_output=True, text=True, check=True).stdout
    for text in (
        *shown,
        "DevSta:\tCorrErr+ NonFatalErr+ FatalErr- UnsupReq-",
        "UESta:\tDLP- SDES- TLP+ FCP- CmpltTO- CmpltAbrt- UnxCmplt-",
        "Timeout- AdvNonFatalErr+",
        "First Error Pointer: 0c, ECRCGenCap+ ECRCGenEn+ ECRCChkCap+ ECRCChkEn+",
        "MultHdrRecCap- MultHdrRecEn- TLPPfxPres- HdrLogCap+",
        "HeaderLog: 40000001 0100000f fe000000 deadbeef",
        "LaneErrStat: LaneErr at lane: 1",
    ):
        assert text in said


@pytest.fixture
def after_loss(bench, data):
    one = bench(faults=(DropOff(after=1 << 20),))
    with pytest.raises(Exception, match="all ones"):
        one.echo(data(2 << 20), 256 * 1024)
    return one


def test_a_lost_card_reads_all_ones(after_loss):
    near, far = after_loss.opened.images()
    assert far == b"\xff" * 4096
    assert near[:2] != b"\xff\xff"


def test_the_near_port_of_a_lost_card_shows_its_link_down(after_loss):
    reading = after_loss.opened.read_link()
    assert reading.near.active is False
    assert isinstance(reading.far, Unavailable)


def test_a_lost_card_is_a_surprise_down_at_the_near_port(after_loss):
    # linux/pci_regs.h: PCI_ERR_UNC_SURPDN, fatal by default (QEMU pcie_aer.c).
    after_loss.opened.clock.sleep(1e-3)
    assert after_loss.opened.read_errors().near.fatal["SDES"].n == 1
