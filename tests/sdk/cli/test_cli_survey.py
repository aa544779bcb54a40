"""`laneproof survey`: on recorded guests and on this computer, in 80 columns and as JSON, recorded and read again."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
import tarfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from laneproof import registry
from laneproof.clock import Deadline
from laneproof.contract import Host
from laneproof.readings import HostSurvey

Run = Callable[..., Any]
TREES = Path(__file__).parents[2] / "fixtures" / "sysfs_trees"
NAMES = ("bottleneck_above", "counters_unreadable", "firmware_owned", "half_width", "switch_downstream_errors")


def tree(name: str) -> Path:
    return TREES / f"{name}.tar"


def unpack(path: Path, folder: Path) -> None:
    folder.mkdir()
    subprocess.run(["tar", "xf", path, "-C", folder], check=True)


@pytest.mark.parametrize("name", NAMES)
def test_a_recorded_guest_is_shown_in_80_columns(laneproof: Run, name: str) -> None:
    done = laneproof("survey", "--root", tree(name))
    assert (done.status, done.err) == (0, "")
    lines = done.out.splitlines()
    assert [line for line in lines if len(line) > 80] == []
    assert "7 PCI Express links shown; nothing was written" in " ".join(done.out.split())
    assert "0000:00:04.0 (slot 5) to 0000:06:00.0  function of class 00ff 1af4:1044" in lines


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("half_width", "trained below what both ends can: x8 of x16"),
        ("bottleneck_above", "limited further up, by 0000:00:03.0 to 0000:02:00.0: 2.5 GT/s x1, 250 MB/s"),
        ("switch_downstream_errors", "near: at least 3 BadTLP (correctable)"),
        ("firmware_owned", "errors not known: the kernel does not handle the errors reported to 0000:00:02.0"),
        ("half_width", "to nothing bridge 1b36:000c near link down, can do 16 GT/s x16 far nothing is plugged in"),
        ("counters_unreadable", "aer_dev_correctable cannot be read: not readable when this was recorded"),
    ],
)
def test_the_fault_of_each_recorded_guest_stands_out(laneproof: Run, name: str, says: str) -> None:
    assert says in " ".join(laneproof("survey", "--root", tree(name)).out.split())


@pytest.mark.parametrize("name", NAMES)
def test_a_recorded_guest_as_json_holds_the_same_links(laneproof: Run, name: str) -> None:
    done = laneproof("survey", "--root", tree(name), "--json")
    assert (done.status, done.err) == (0, "")
    seen = json.loads(done.out)
    assert seen["schema"] == 1
    links = {link["near_address"]: link for link in seen["links"]}
    assert len(links) == 7
    wide = links["0000:00:04.0"]
    assert wide["path"] == ["0000:00:04.0"]
    assert wide["link"]["near"]["max_width"] == 16
    assert wide["functions"][0]["runtime_status"] == "active"
    if name == "switch_downstream_errors":
        counted = links["0000:03:00.0"]
        assert counted["errors"]["near"]["correctable"] == {"BadTLP": {"n": 3, "bound": "at least"}}
        assert counted["root_messages"]["correctable"] == {"n": 3, "bound": "at least"}
    if name in ("firmware_owned", "counters_unreadable"):
        assert wide["errors"]["near"].keys() == {"unavailable"}
        assert wide["root_messages"].keys() == {"unavailable"}


def test_json_to_a_file_leaves_the_text_to_be_read(laneproof: Run, tmp_path: Path) -> None:
    done = laneproof("survey", "--root", tree("half_width"), "--json", "seen.json")
    assert "7 PCI Express links" in " ".join(done.out.split())
    assert len(json.loads((tmp_path / "seen.json").read_text())["links"]) == 7


def test_json_to_standard_output_may_be_spelt_with_a_dash(laneproof: Run) -> None:
    assert json.loads(laneproof("survey", "--root", tree("half_width"), "--json", "-").out)["schema"] == 1


def test_a_recording_is_surveyed_with_the_same_result(laneproof: Run, tmp_path: Path) -> None:
    done = laneproof("survey", "--root", tree("half_width"), "--record", "made.tar")
    assert (done.status, done.err) == (0, "")
    assert "no serial numbers are in it" in " ".join(done.out.split())
    first = json.loads(laneproof("survey", "--root", tree("half_width"), "--json").out)
    second = json.loads(laneproof("survey", "--root", tmp_path / "made.tar", "--json").out)
    assert {**first, "host": ""} == {**second, "host": ""}


def test_an_unpacked_recording_is_surveyed_like_the_file(laneproof: Run, tmp_path: Path) -> None:
    unpack(tree("bottleneck_above"), tmp_path / "unpacked")
    first = json.loads(laneproof("survey", "--root", tree("bottleneck_above"), "--json").out)
    second = json.loads(laneproof("survey", "--root", tmp_path / "unpacked", "--json").out)
    assert {**first, "host": ""} == {**second, "host": ""}


def test_a_recording_may_go_to_standard_output(process: Run, script: Path, tmp_path: Path) -> None:
    done = subprocess.run(
        [script, "survey", "--root", tree("half_width"), "--record", "-"], capture_output=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, b"")
    with tarfile.open(fileobj=io.BytesIO(done.stdout)) as archive:
        assert any(name.endswith("/config") for name in archive.getnames())


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--root", "nowhere"], "nowhere: No such file or directory"),
        (["--root", "plain.txt"], "plain.txt is no tar file"),
        (["--root", "."], "holds neither sys nor proc"),
        (["--with-serials"], "--with-serials goes with --record"),
        (["--record", "made.tar", "--json"], "two outputs"),
        (["--root", "evil.tar"], "the member '../evil' leads out of the recording"),
    ],
)
def test_what_cannot_be_surveyed_is_one_line(laneproof: Run, tmp_path: Path, arguments: list[str], says: str) -> None:
    (tmp_path / "plain.txt").write_text("no tar")
    with tarfile.open(tmp_path / "evil.tar", "w") as archive:
        archive.addfile(tarfile.TarInfo("../evil"))
    done = laneproof("survey", *arguments)
    assert (done.status, done.out) == (2, "")
    assert says in done.err
    assert done.err.count("\n") == 1


def test_what_a_device_says_of_itself_does_not_act_on_the_terminal(laneproof: Run, tmp_path: Path) -> None:
    unpack(tree("half_width"), tmp_path / "unpacked")
    folder = tmp_path / "unpacked/devices/pci0000:00/0000:00:04.0/0000:06:00.0"
    for name in ("current_link_speed", "power/runtime_status"):
        (folder / name).chmod(0o644)
        (folder / name).write_text("\x1b[2J\x07 8 GT/s\n")
    done = laneproof("survey", "--root", tmp_path / "unpacked")
    assert done.status == 0
    assert done.out.replace("\n", "").isprintable()


def test_a_host_reader_that_reads_no_recordings_says_so(laneproof: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    class Plain(Host):
        def survey(self, deadline: Deadline) -> HostSurvey:
            return HostSurvey(host="plain", links=())

    monkeypatch.setattr(registry, "host", Plain)
    assert laneproof("survey").out == "plain: 0 PCI Express links shown; nothing was written\n"
    for arguments in (["--root", "."], ["--record", "made.tar"]):
        done = laneproof("survey", *arguments)
        assert done.status == 4
        assert arguments[0] in done.err


@pytest.mark.parametrize("user", ["self", "nobody"])
def test_this_computer_is_surveyed_and_recorded_with_and_without_privilege(user: str) -> None:
    drop = user == "nobody" and os.geteuid() == 0
    code = (
        "import os, sys, tempfile\n"
        "from laneproof.cli import main\n"
        "import laneproof.cli.survey, laneproof_drivers.linux_host, locale, rich.console, rich.text\n"
        f"{'os.setgid(65534); os.setuid(65534)' if drop else ''}\n"
        "with tempfile.TemporaryDirectory() as folder:\n"
        "    made = folder + '/made.tar'\n"
        "    statuses = [main(['survey']), main(['survey', '--record', made]), main(['survey', '--root', made])]\n"
        "hidden = main(['survey', '--root', '/proc/1/cwd/tree']) if os.geteuid() else 2\n"
        "sys.exit(any(statuses) or hidden != 2)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd="/", capture_output=True, text=True, check=False)
    assert done.returncode == 0
    refused = "laneproof: /proc/1/cwd/tree: Permission denied; give a recorded tree\n"
    assert done.stderr == (refused if drop or os.geteuid() else "")
    assert " ".join(done.stdout.split()).count("nothing was written") == 2


def test_the_guide_names_every_key_of_the_json_and_every_argument_that_has_an_effect(laneproof: Run) -> None:
    from laneproof_drivers.kernel_settings import EFFECTS

    page = laneproof("guide", "survey").out
    seen = json.loads(laneproof("survey", "--root", tree("half_width"), "--json").out)
    names = {*seen, *seen["links"][0], *EFFECTS} - {"schema", "links"}
    assert [name for name in sorted(names) if f"`{name}`" not in page] == []
