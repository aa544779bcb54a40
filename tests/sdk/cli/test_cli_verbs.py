"""The verbs that only read: `decode`, `endpoints`, `survey`, `guide`, `report`; and what is no verb."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

import pytest

from laneproof.integrity import crc_backend, kernels

Run = Callable[..., object]
IMAGES = Path(__file__).parents[2] / "fixtures" / "config"
RECORDED = sorted(path.name for path in IMAGES.glob("*.bin"))


def looping_list() -> bytes:
    """Two capabilities that point at each other; offsets and bits of linux/pci_regs.h."""
    image = bytearray((IMAGES / "edu.bin").read_bytes()[:256])
    image[0x06] |= 0x10  # PCI_STATUS: PCI_STATUS_CAP_LIST
    image[0x34] = 0x40  # PCI_CAPABILITY_LIST
    image[0x40:0x42], image[0x50:0x52] = bytes([0x01, 0x50]), bytes([0x05, 0x40])
    return bytes(image)


@pytest.mark.parametrize("name", RECORDED)
@pytest.mark.parametrize("size", [64, 256, 4096])
def test_a_recorded_image_is_described(laneproof: Run, tmp_path: Path, name: str, size: int) -> None:
    """Vendor and device as QEMU has them, in the first four bytes of each image."""
    image = (IMAGES / name).read_bytes()[:size]
    if len(image) < size:
        image = image.ljust(size, b"\0")
    (tmp_path / "image").write_bytes(image)
    plain, data = laneproof("decode", "image"), laneproof("decode", "image", "--json")
    assert (plain.status, plain.err, data.status, data.err) == (0, "", 0, "")
    described = json.loads(data.out)
    assert described["vendor_id"] == int.from_bytes(image[:2], "little")
    assert described["device_id"] == int.from_bytes(image[2:4], "little")
    assert f"vendor_id: {image[1]:#04x}{image[0]:02x}\n" in plain.out
    assert "None" not in plain.out


NO_IMAGES = {
    "nothing": b"",
    "63 bytes": bytes(range(63)),
    "100 bytes": bytes(range(100)),
    "4097 bytes": bytes(4097),
    "all ones": b"\xff" * 256,
    "all ones, 4096 bytes": b"\xff" * 4096,
    "all zeros": bytes(64),
    "all zeros, 4096 bytes": bytes(4096),
}


@pytest.mark.parametrize("image", NO_IMAGES.values(), ids=NO_IMAGES)
@pytest.mark.parametrize("form", [[], ["--json"]])
def test_what_is_no_image_is_one_line_and_status_2(
    laneproof: Run, tmp_path: Path, image: bytes, form: list[str]
) -> None:
    (tmp_path / "image").write_bytes(image)
    done = laneproof("decode", "image", *form)
    assert (done.status, done.out) == (2, "")
    assert done.err.startswith("laneproof: image image: ")
    assert done.err.count("\n") == 1


def test_a_looping_list_of_capabilities_is_told_or_described_and_never_followed_for_ever(
    laneproof: Run, tmp_path: Path
) -> None:
    (tmp_path / "image").write_bytes(looping_list())
    done = laneproof("decode", "image", "--json")
    assert done.status in (0, 2)
    if done.status == 0:
        assert len(json.loads(done.out)["capabilities"]) == 2
    else:
        assert done.err.count("\n") == 1


def test_a_file_that_cannot_be_read_is_told(laneproof: Run, tmp_path: Path) -> None:
    for path in ("none", tmp_path):
        done = laneproof("decode", path)
        assert (done.status, done.out) == (2, "")
        assert done.err.startswith(f"laneproof: image {path}: ")


def test_endpoints_lists_each_driver_with_its_distribution_and_its_cards(laneproof: Run) -> None:
    done = laneproof("endpoints")
    assert (done.status, done.err) == (0, "")
    lines = done.out.splitlines()
    assert {"sim: from laneproof", "chardev: from laneproof"} < set(lines)
    assert "  sim:demo#north" in lines


@pytest.mark.usefixtures("invented_cards")
def test_endpoints_lists_a_driver_that_cannot_be_used_and_says_why(laneproof: Run) -> None:
    done = laneproof("endpoints")
    assert done.status == 4
    text = " ".join(done.out.split())
    assert "broken: from invented-card cannot be used: its import failed with AttributeError" in text
    assert "sim:demo#north" in text


@pytest.mark.parametrize(
    ("variable", "installed", "status", "says"),
    [
        ("", True, 0, "kernels: numba, loaded when it is worth it"),
        ("", False, 0, "kernels: numpy"),
        ("numpy", True, 0, "kernels: numpy"),
        ("numba", False, 4, "kernels: cannot be used: LANEPROOF_KERNELS asks for numba, which is not installed;"),
        ("fast", True, 4, 'kernels: cannot be used: LANEPROOF_KERNELS is "fast"; give numpy or numba'),
    ],
)
def test_endpoints_says_what_checks_data_and_loads_none_of_it(
    variable: str, installed: bool, status: int, says: str
) -> None:
    code = (
        "import importlib.util, sys\n"
        "from laneproof.cli import main\n"
        "find = importlib.util.find_spec\n"
        f"importlib.util.find_spec = lambda name: {installed} or None if name == 'numba' else find(name)\n"
        "status = main(['endpoints'])\n"
        "assert 'numba' not in sys.modules\n"
        "sys.exit(status)\n"
    )
    environ = os.environ | {kernels.VARIABLE: variable}
    done = subprocess.run([sys.executable, "-c", code], env=environ, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (status, "")
    text = " ".join(done.stdout.split())
    assert "sim:demo#north" in text
    assert f"{says} CRC-32: {crc_backend()}" in text if status == 0 else says in text


def test_survey_runs_as_an_ordinary_user_too() -> None:
    code = (
        "import contextlib, io, os, sys\n"
        "from laneproof.cli import main\n"
        "with contextlib.redirect_stdout(io.StringIO()): main(['survey'])\n"  # so that all is imported
        "if os.geteuid() == 0: os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        "sys.exit(main(['survey']))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert "PCI Express links shown; nothing was written" in done.stdout
    assert f"{os.uname().nodename}, Linux {os.uname().release}" in done.stdout


def test_the_guide_lists_its_pages_and_shows_each(laneproof: Run) -> None:
    pages = [line.split()[0] for line in laneproof("guide").out.splitlines()]
    assert {"plans", "cautions", "verdicts"} <= set(pages)
    for page in pages:
        assert laneproof("guide", page).out.startswith("# ")
    done = laneproof("guide", "../cli/main")
    assert (done.status, done.out) == (2, "")
    assert done.err.startswith('laneproof: there is no page "../cli/main"; there are: ')


def test_the_version_is_the_distributions(laneproof: Run) -> None:
    assert laneproof("--version").out == f"laneproof {version('laneproof')}\n"


@pytest.mark.parametrize("arguments", [[], ["prove"], ["run", "--fast"], ["decode"], ["report"]])
def test_what_is_no_verb_or_no_option_is_wrong_use(laneproof: Run, arguments: list[str]) -> None:
    done = laneproof(*arguments)
    assert (done.status, done.out) == (2, "")
    assert done.err.startswith("usage: laneproof")


@pytest.fixture
def ledger(laneproof: Run, tmp_path: Path) -> Path:
    plan = 'schema = 1\n[[step]]\nkind = "integrity"\nbytes = "4 KiB"\n'
    (tmp_path / "plan.toml").write_text(plan)
    assert laneproof("run", "plan.toml", "--endpoint", "sim:demo#south", "--ledger", "run.ledger").status == 0
    return tmp_path / "run.ledger"


def test_a_report_can_be_made_again_from_the_ledger_alone(laneproof: Run, ledger: Path, tmp_path: Path) -> None:
    first = (tmp_path / "run.html").read_text()
    assert laneproof("report", ledger).out == f"{tmp_path}/run.html\n"
    assert (tmp_path / "run.html").read_text() == first
    assert laneproof("report", "run.ledger", "--output", "other.html").out == "other.html\n"
    assert (tmp_path / "other.html").read_text() == first
    assert laneproof("report", "run.ledger", "--output", "-").out == first


def test_a_report_never_takes_its_ledgers_place(laneproof: Run, ledger: Path, tmp_path: Path) -> None:
    before = ledger.read_bytes()
    (tmp_path / "link").symlink_to(ledger)
    for output in ("run.ledger", tmp_path / "run.ledger", "link"):
        done = laneproof("report", "run.ledger", "--output", output)
        assert (done.status, done.out) == (2, "")
    (tmp_path / "named.html").write_bytes(before)
    assert laneproof("report", "named.html").status == 2
    assert ledger.read_bytes() == before == (tmp_path / "named.html").read_bytes()


@pytest.mark.parametrize("output", ["/dev/full", "none/report.html", "/proc/report.html", "/", "n" * 300])
def test_a_report_that_cannot_be_written_is_one_line_and_status_4(
    laneproof: Run, ledger: Path, tmp_path: Path, output: str
) -> None:
    before = sorted(tmp_path.iterdir())
    done = laneproof("report", "run.ledger", "--output", output)
    assert (done.status, done.out) == (4, "")
    assert done.err.startswith(f"laneproof: cannot write report {output[:20]}")
    assert done.err.count("\n") == 1
    assert sorted(tmp_path.iterdir()) == before


def test_a_report_of_what_is_no_ledger_is_one_line_and_status_4(laneproof: Run, tmp_path: Path) -> None:
    (tmp_path / "text").write_text("x" * 4096)
    for path in ("text", "none", tmp_path, "n" * 300):
        done = laneproof("report", path)
        assert (done.status, done.out, done.err.count("\n")) == (4, "", 1)
