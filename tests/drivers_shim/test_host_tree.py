"""Recorded trees in folders and tar files, friendly and hostile: nothing outside them is ever read."""

from __future__ import annotations

import io
import os
import re
import tarfile
from pathlib import Path, PurePosixPath

import pytest

from laneproof.clock import Deadline
from laneproof.errors import BadInput
from laneproof.readings import HostSurvey, Unavailable
from laneproof_drivers.host_tree import LARGEST_FILE, OUTSIDE, FolderTree, HostTree
from laneproof_drivers.linux_host import LinuxHost
from laneproof_drivers.recorded_tree import tree_at

SPOT = PurePosixPath("/sys/spot")
NAMES = re.compile(".*")


def survey(root: Path) -> HostSurvey:
    with Deadline(20) as deadline:
        return LinuxHost(root).survey(deadline)


def member(name: str, content: bytes = b"", **fields: object) -> tuple[tarfile.TarInfo, bytes]:
    info = tarfile.TarInfo(name)
    info.size = len(content)
    for field, value in fields.items():
        setattr(info, field, value)
    return info, content


def tar(path: Path, *members: tuple[tarfile.TarInfo, bytes]) -> Path:
    with tarfile.open(path, "w") as archive:
        for info, content in members:
            archive.addfile(info, io.BytesIO(content))
    return path


def link(name: str, target: str) -> tuple[tarfile.TarInfo, bytes]:
    return member(name, type=tarfile.SYMTYPE, linkname=target)


@pytest.fixture(params=["folder", "tar"])
def made(request: pytest.FixtureRequest, tmp_path: Path):
    """Makes a tree of files and links, as a folder or as a tar file."""

    def make(files: dict[str, bytes], links: dict[str, str]) -> HostTree:
        if request.param == "tar":
            parts = [
                *(member(name, content) for name, content in files.items()),
                *(link(*one) for one in links.items()),
            ]
            return tree_at(tar(tmp_path / "tree.tar", *parts))
        for name in (*files, *links):
            (tmp_path / "tree" / name).parent.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            (tmp_path / "tree" / name).write_bytes(content)
        for name, target in links.items():
            (tmp_path / "tree" / name).symlink_to(target)
        return tree_at(tmp_path / "tree")

    return make


@pytest.mark.parametrize("target", ["/etc/passwd", "../../../../../../../../../../../../../../etc/passwd"])
def test_a_link_out_of_the_tree_is_not_followed(made, target: str) -> None:
    tree = made({"sys/other": b"x"}, {"sys/spot": target})
    with pytest.raises(OSError, match=OUTSIDE):
        tree.read(SPOT)
    assert tree.text(SPOT) == Unavailable(f"/sys/spot cannot be read: {OUTSIDE}")


def test_a_folder_that_is_a_link_out_of_the_tree_is_not_followed(made) -> None:
    tree = made({"sys/other": b"x"}, {"sys/spot": "/etc"})
    with pytest.raises(OSError, match=OUTSIDE):
        tree.names(SPOT, NAMES)
    with pytest.raises(OSError, match=OUTSIDE):
        tree.read(SPOT / "passwd")


def test_a_link_within_the_tree_is_followed(made) -> None:
    tree = made({"sys/devices/a/value": b"7\n"}, {"sys/spot": "devices/a", "sys/devices/up": "../devices/a/value"})
    assert tree.text(SPOT / "value") == "7"
    assert tree.text(PurePosixPath("/sys/devices/up")) == "7"
    assert tree.resolved(SPOT) == PurePosixPath("/sys/devices/a")
    assert tree.names(SPOT, NAMES) == ("value",)


def test_links_that_go_in_circles_end(made) -> None:
    tree = made({"sys/other": b"x"}, {"sys/spot": "back", "sys/back": "spot"})
    with pytest.raises(OSError, match="Too many levels"):
        tree.read(SPOT)


def test_a_folder_in_the_place_of_a_file_is_one_remark(made) -> None:
    tree = made({"sys/spot/below": b"x"}, {})
    assert "cannot be read" in tree.text(SPOT).why


def test_no_more_than_asked_for_is_read(made) -> None:
    assert made({"sys/spot": b"x" * 5000}, {}).read(SPOT, 10) == b"x" * 10


def test_a_tree_that_begins_below_sys_is_taken_as_well(made) -> None:
    tree = made({"bus/pci/devices/x": b"", "spot": b"7"}, {})
    assert tree.text(SPOT) == "7"
    assert isinstance(tree.text(PurePosixPath("/proc/cmdline")), Unavailable)


def test_a_fifo_in_the_place_of_a_file_holds_nothing_up(tmp_path: Path) -> None:
    (tmp_path / "sys").mkdir()
    os.mkfifo(tmp_path / "sys/spot")
    assert "is not a regular file" in FolderTree.at(tmp_path).text(SPOT).why


def test_a_file_recorded_as_unreadable_is_not_read_as_empty(tmp_path: Path) -> None:
    tree = tree_at(tar(tmp_path / "tree.tar", member("sys/spot", mode=0)))
    assert tree.text(SPOT) == Unavailable("/sys/spot cannot be read: not readable when this was recorded")


@pytest.mark.parametrize(
    ("hostile", "why"),
    [
        (member("../evil", b"x"), "leads out"),
        (member("/etc/evil", b"x"), "leads out"),
        (member("../ev\nil", b"x"), "leads out"),
        (member("sys/a/../../../evil", b"x"), "leads out"),
        (member("sys/spot", type=tarfile.CHRTYPE, devmajor=1, devminor=5), "device"),
        (member("sys/spot", type=tarfile.BLKTYPE), "device"),
        (member("sys/spot", type=tarfile.FIFOTYPE), "device"),
        (member("sys/spot", type=tarfile.LNKTYPE, linkname="/etc/passwd"), "hard link"),
        (member("sys/spot", b"x" * (LARGEST_FILE + 1)), "too large"),
        (member("sys/" + "a/" * 3000 + "spot"), "too deep"),
        (member("sys/spot", type=tarfile.SYMTYPE, linkname="a/" * 3000), "too long"),
    ],
    ids=lambda value: value[0].name[:20] if isinstance(value, tuple) else value,
)
def test_a_hostile_member_is_one_line_and_nothing_of_the_file_is_used(tmp_path: Path, hostile, why: str) -> None:
    path = tar(tmp_path / "tree.tar", member("sys/other", b"x"), hostile)
    with pytest.raises(BadInput, match=why) as caught:
        LinuxHost(path)
    assert "\n" not in str(caught.value)
    assert sorted(os.listdir(tmp_path)) == ["tree.tar"]


def test_a_size_that_is_a_lie_is_one_line(tmp_path: Path) -> None:
    path = tar(tmp_path / "tree.tar", member("sys/spot", b"x" * 2000))
    path.write_bytes(path.read_bytes()[:1500])
    with pytest.raises(BadInput):
        LinuxHost(path)


@pytest.mark.parametrize(
    "content", [b"", b"no tar", b"\x00" * 20000, os.urandom(4096)], ids=["empty", "text", "zeros", "noise"]
)
def test_what_is_no_recording_is_one_line(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "tree.tar").write_bytes(content)
    with pytest.raises(BadInput) as caught:
        LinuxHost(tmp_path / "tree.tar")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("name", ["nothing", "empty", "fifo"])
def test_what_holds_no_tree_is_bad_input(tmp_path: Path, name: str) -> None:
    (tmp_path / "empty").mkdir()
    os.mkfifo(tmp_path / "fifo")
    with pytest.raises(BadInput, match=name):
        LinuxHost(tmp_path / name)


def test_too_large_a_recording_is_refused_by_its_size(tmp_path: Path) -> None:
    with open(tmp_path / "tree.tar", "wb") as file:
        file.truncate(1 << 40)
    with pytest.raises(BadInput, match="1099511627776 bytes"):
        LinuxHost(tmp_path / "tree.tar")


def test_a_function_whose_link_leads_out_of_the_tree_is_remarked(tree, tmp_path: Path) -> None:
    (tree.root / "bus/pci/devices/0000:0b:00.0").symlink_to("/etc")
    seen = survey(tree.root)
    assert f"0000:0b:00.0 is listed and cannot be looked at: {OUTSIDE}" in seen.remarks
    assert len(seen.links) == 7


def test_a_file_of_a_function_that_leads_out_of_the_tree_is_remarked(tree) -> None:
    secret = tree.root.parent / "secret"
    secret.write_text("16.0 GT/s PCIe\n")
    place = tree.folder("0000:02:00.0") / "max_link_speed"
    place.unlink()
    place.symlink_to(secret)
    (seen,) = [one for one in survey(tree.root).links if one.far_address == "0000:02:00.0"]
    assert seen.link.far.max_speed_gtps is None
    assert f"0000:02:00.0/max_link_speed cannot be read: {OUTSIDE}" in seen.remarks
