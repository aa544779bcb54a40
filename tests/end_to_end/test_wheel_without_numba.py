"""The integrity engine of the wheel as a user gets it who installs no extra: numpy does all the work."""

from __future__ import annotations

import os
import re
import subprocess
from pathlib import Path

ROOT = Path(__file__).parents[2]
# All but what works with the compiled kernels themselves or compares them with numpy, or needs galois, a reference that
# brings numba; and origins, records of damage and what never reaches a kernel, whose seconds show nothing new here.
FILES = [
    path.relative_to(ROOT)
    for path in sorted((ROOT / "tests/sdk/integrity").glob("test_*.py"))
    if not path.name.startswith(("test_kernels_", "test_origin", "test_damage", "test_pcie_crc", "test_allocation"))
]
CHOSEN = (
    "not galois and not (test_overwriting and numba)"
    " and not (test_kernels and not (numpy or small_buffers or asking_for_numba))"
)


def run(installed, *command: object, **environment: str) -> subprocess.CompletedProcess[str]:
    environ = {name: value for name, value in os.environ.items() if name not in ("CI", "LANEPROOF_KERNELS")}
    return subprocess.run(
        [installed.python, *map(str, command)], cwd=ROOT, env=environ | environment, capture_output=True, text=True,
        check=False,
    )  # fmt: skip


def test_there_is_no_numba(without_numba) -> None:
    for module in ("numba", "llvmlite", "galois"):
        done = run(without_numba, "-c", f"import {module}")
        assert done.returncode == 1
        assert done.stderr.endswith(f"ModuleNotFoundError: No module named '{module}'\n")


def test_the_integrity_tests_pass_on_the_wheel_by_numpy_alone(without_numba, tmp_path: Path) -> None:
    report = tmp_path / "packages.py"
    report.write_text(
        "import sys, laneproof\n"
        "def pytest_sessionfinish():\n"
        "    print('from', laneproof.__file__, 'numba' in sys.modules)\n"
    )  # fmt: skip
    done = run(
        without_numba, "-P", "-m", "pytest", "-q", "-s", "-p", "no:cacheprovider", "-p", "packages",
        "-k", CHOSEN, *FILES, PYTHONPATH=str(tmp_path), HYPOTHESIS_STORAGE_DIRECTORY=str(tmp_path),
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr
    summary = re.search(r"^(\d+) passed, \d+ deselected in ", done.stdout, re.MULTILINE)
    assert summary, "a test skipped, or none ran: " + done.stdout[-500:]
    assert int(summary[1]) > 200
    (place,) = re.findall(r"^.*from (\S+) (True|False)$", done.stdout, re.MULTILINE)
    assert Path(place[0]).is_relative_to(without_numba.python.parents[1])
    assert place[1] == "False"


def test_numpy_is_named_as_what_does_the_work(without_numba, tmp_path: Path) -> None:
    code = (
        "from laneproof.integrity import kernels, pattern\n"
        "data = bytearray(kernels.LARGE_BYTES)\n"
        "pattern('prbs31').fill(data)\n"
        "found = pattern('prbs31').verify(data)\n"
        "print(kernels.name(), kernels.ready(), found.kernels, found.ok)\n"
    )
    done = run(without_numba, "-c", code)
    assert (done.stdout, done.stderr) == ("numpy numpy numpy True\n", "")


def test_asking_for_numba_is_told_how_to_get_it(without_numba) -> None:
    done = run(without_numba, without_numba.laneproof, "run", "--endpoint", "sim:demo#south", LANEPROOF_KERNELS="numba")
    assert done.returncode != 0
    assert "LANEPROOF_KERNELS asks for numba, which is not installed; pip install laneproof[fast]" in " ".join(
        (done.stdout + done.stderr).split()
    )
    assert "Traceback" not in done.stdout + done.stderr
