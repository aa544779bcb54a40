"""The wheel as a user gets it: built from the tree, installed into an environment of its own, without a network."""

from __future__ import annotations

import subprocess
import sys
import sysconfig
import venv
from pathlib import Path

import pytest
from attrs import frozen

ROOT = Path(__file__).parents[2]


@frozen
class Installed:
    """An environment with the wheel in it: the wheel, its interpreter, its script."""

    wheel: Path
    python: Path
    laneproof: Path


def _run(*command: object) -> None:
    done = subprocess.run(list(map(str, command)), cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.fixture(scope="session")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Installed:
    """The dependencies come from the environment that runs the tests, by way of a .pth line: it adds the folder to
    sys.path and runs none of the .pth files in it, so the editable installation of the tree stays out."""
    folder = tmp_path_factory.mktemp("wheel")
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "--quiet"]
    _run(*pip, "wheel", ROOT, "--no-deps", "--no-build-isolation", "--no-index", "--wheel-dir", folder)
    (wheel,) = folder.glob("*.whl")
    environment = folder / "environment"
    venv.create(environment)
    python = environment / "bin" / "python"
    _run(*pip, "--python", python, "install", "--no-deps", "--no-index", wheel)
    (site,) = environment.glob("lib/python*/site-packages")
    (site / "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n")
    return Installed(wheel, python, environment / "bin" / "laneproof")
