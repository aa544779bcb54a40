"""What the wheel holds, and that a run from it needs nothing of the tree."""

from __future__ import annotations

import re
import subprocess
import time
import zipfile
from importlib.metadata import version
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGES = {"laneproof": "sdk", "laneproof_sim": "sim", "laneproof_drivers": "drivers_shim"}


@pytest.fixture(scope="module")
def held(installed) -> set[str]:
    with zipfile.ZipFile(installed.wheel) as wheel:
        return set(wheel.namelist())


def test_the_wheel_is_pure_and_named_as_its_version(installed) -> None:
    assert installed.wheel.name == f"laneproof-{version('laneproof')}-py3-none-any.whl"


def test_every_file_of_the_three_packages_is_in_the_wheel_and_nothing_else(held: set[str]) -> None:
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard", *PACKAGES.values()],
        cwd=ROOT, capture_output=True, text=True, check=True,
    ).stdout.splitlines()  # fmt: skip
    expected = {path.split("/", 1)[1] for path in listed if (ROOT / path).exists()}
    information = f"laneproof-{version('laneproof')}.dist-info"
    assert {name for name in held if not name.startswith(information)} == expected


@pytest.mark.parametrize(
    "pattern",
    [
        r"laneproof/py\.typed",
        r"laneproof_sim/py\.typed",
        r"laneproof_sim/benches/demo\.toml",
        r"laneproof_sim/benches/dead-lane\.toml",
        r"laneproof/insight/report\.html\.j2",
        r"laneproof/campaign/plans/builtin\.toml",
        r"laneproof/guide/plans\.md",
        r"laneproof/guide/cautions\.md",
        r"laneproof-.*\.dist-info/entry_points\.txt",
    ],
)
def test_the_wheel_holds(held: set[str], pattern: str) -> None:
    assert [name for name in held if re.fullmatch(pattern, name)]


def test_the_wheel_holds_no_tests(held: set[str]) -> None:
    assert [name for name in held if re.search(r"(^|/)(tests?|conftest|test_\w+)(/|\.py)", name)] == []
    assert {name.split("/")[0] for name in held} == {*PACKAGES, f"laneproof-{version('laneproof')}.dist-info"}


def test_the_packages_come_from_the_wheel_and_not_from_the_tree(installed) -> None:
    code = "import " + ", ".join(PACKAGES) + "; print(*(m.__file__ for m in (" + ", ".join(PACKAGES) + ")), sep='\\n')"
    done = subprocess.run([installed.python, "-P", "-c", code], capture_output=True, text=True, check=True)
    environment = installed.python.parents[1]
    assert all(Path(line).is_relative_to(environment) for line in done.stdout.splitlines())
    assert len(done.stdout.splitlines()) == len(PACKAGES)


def test_a_run_from_the_wheel_passes_within_twenty_seconds(installed, tmp_path: Path) -> None:
    started_s = time.monotonic()
    done = subprocess.run([installed.laneproof, "run"], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert time.monotonic() - started_s < 20
    assert (done.returncode, done.stderr) == (0, "")
    assert "simulated" in done.stdout
    assert re.search(r"verdict: pass  \(3 endpoints, [1-9]\d{8,} bits came back\)", done.stdout)
    assert re.search(r"\d\d\.\d% of the\s+link's ceiling of", done.stdout)
    places = dict(re.findall(r"^(ledger|report)  (\S+)$", done.stdout, re.MULTILINE))
    assert (tmp_path / places["ledger"]).read_bytes().startswith(b"SQLite format 3\0")
    assert (tmp_path / places["report"]).read_text().startswith("<!DOCTYPE html>")


@pytest.mark.parametrize(
    "arguments", [["endpoints"], ["survey"], ["guide", "plans"], ["run", "--check"], ["--version"]]
)
def test_each_verb_runs_from_the_wheel(installed, tmp_path: Path, arguments: list[str]) -> None:
    done = subprocess.run([installed.laneproof, *arguments], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout


def test_a_physical_slots_own_process_runs_from_the_wheel(installed, tmp_path: Path) -> None:
    done = subprocess.run(
        [installed.laneproof, "run", "--endpoint", "chardev:/dev/none", "--acknowledge-cautions"],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 4
    said = [line for line in done.stderr.splitlines() if "for kernels to be compiled, once" not in line]
    assert len(said) == 1
    assert said[0].startswith("laneproof: chardev:/dev/none open: /dev/none does not exist; ")
