"""A recording holds what a survey reads, gives the same survey on another computer, and names no single card."""

from __future__ import annotations

import io
import tarfile
from pathlib import Path

import attrs
import pytest

from laneproof.clock import Deadline
from laneproof.insight.host_survey import plain_survey
from laneproof.pcie import decode
from laneproof_drivers.linux_host import LinuxHost
from laneproof_drivers.recording import without_serials

NIC = "0000:03:00.0"


def record(root: Path | None, **options: bool) -> bytes:
    with Deadline(20) as deadline:
        return LinuxHost(root).record(deadline, **options)


def held(recording: bytes) -> dict[str, bytes]:
    with tarfile.open(fileobj=io.BytesIO(recording)) as archive:
        return {one.name: archive.extractfile(one).read() for one in archive if one.isreg()}


def config(recording: bytes, address: str) -> bytes:
    (found,) = [content for name, content in held(recording).items() if name.endswith(f"{address}/config")]
    return found


def test_a_survey_of_a_recording_is_the_survey_that_was_recorded(tree, tmp_path: Path) -> None:
    tree.proc(cmdline="quiet pci=noaer pcie_aspm=off", cpuinfo="processor : 0\nflags : fpu hypervisor lm")
    tree.write(NIC, aer_dev_correctable="RxErr 3")
    tree.write(NIC, aer_dev_fatal="DLP 0")
    (tree.folder(NIC) / "aer_dev_fatal").chmod(0)
    tree.unplug("0000:07:00.0")
    (tmp_path / "made.tar").write_bytes(record(tree.root.parent))
    with Deadline(20) as deadline:
        first = LinuxHost(tree.root.parent).survey(deadline)
        second = LinuxHost(tmp_path / "made.tar").survey(deadline)
    assert plain_survey(attrs.evolve(second, host=first.host)) == plain_survey(first)
    assert first.kernel_arguments == ("pci=noaer", "pcie_aspm=off")


def test_a_recording_of_a_recording_is_the_same_bytes(tree, tmp_path: Path) -> None:
    first = record(tree.root)
    (tmp_path / "made.tar").write_bytes(first)
    assert record(tmp_path / "made.tar") == first


def test_only_what_a_survey_reads_is_recorded(tree) -> None:
    tree.write(NIC, unique_secret="s", serial_number="s", vpd="s", subsystem_vendor="0x1af4")
    names = {name.rpartition("/")[2] for name in held(record(tree.root))}
    assert {"config", "class", "vendor", "current_link_speed"} < names
    assert names & {"unique_secret", "serial_number", "vpd", "subsystem_vendor", "resource"} == set()


def test_of_the_command_line_and_the_processor_only_what_bears_on_links_is_recorded(tree) -> None:
    tree.proc(
        cmdline="root=UUID=1b4e28ba pci=noaer password=secret", cpuinfo="serial : 17\nflags : fpu hypervisor lm\n"
    )
    files = held(record(tree.root.parent))
    assert (files["proc/cmdline"], files["proc/cpuinfo"]) == (b"pci=noaer\n", b"flags : hypervisor\n")


def serial_at(image: bytes) -> int:
    """Device Serial Number, walked here by linux/pci_regs.h: list from 0x100, id 3, next in bits 31:20, value at 4."""
    at = 0x100
    while int.from_bytes(image[at : at + 2], "little") != 0x0003:
        at = int.from_bytes(image[at : at + 4], "little") >> 20
        assert at
    return at + 4


def test_a_serial_number_is_zeros_unless_it_is_asked_for(tree) -> None:
    """The emulated e1000e has one, as lspci 3.9.0 recorded: Device Serial Number 52-54-00-ff-ff-12-34-56."""
    image = tree.config(NIC)
    at = serial_at(image)
    assert any(image[at : at + 8])
    without, whole = config(record(tree.root), NIC), config(record(tree.root, with_serials=True), NIC)
    assert whole == image
    assert without == image[:at] + bytes(8) + image[at + 8 :]
    assert decode(without).serial_number != decode(whole).serial_number


def test_an_image_whose_capabilities_cannot_be_told_keeps_its_header_alone(tree) -> None:
    """The list of capabilities loops: a serial number could stand anywhere behind it."""
    image = bytearray(tree.config(NIC))
    image[0x34], image[0x40:0x42] = 0x40, b"\x01\x40"
    assert without_serials(bytes(image)) == bytes(image[:64])


@pytest.mark.parametrize("nbytes", [64, 256, 4096])
def test_the_length_of_an_image_stays(tree, nbytes: int) -> None:
    assert len(without_serials(tree.config(NIC)[:nbytes])) == nbytes


def test_a_recording_tells_neither_who_made_it_nor_when(tree) -> None:
    with tarfile.open(fileobj=io.BytesIO(record(tree.root))) as archive:
        assert {(one.uid, one.gid, one.uname, one.gname, one.mtime) for one in archive} == {(0, 0, "", "", 0)}


def test_this_computer_can_be_recorded_and_its_recording_surveyed(tmp_path: Path) -> None:
    (tmp_path / "made.tar").write_bytes(record(None))
    with Deadline(20) as deadline:
        here, there = LinuxHost().survey(deadline), LinuxHost(tmp_path / "made.tar").survey(deadline)
    assert [link.far_address for link in here.links] == [link.far_address for link in there.links]
    assert not any("boot_id" in name or "hostname" in name for name in held(record(None)))
