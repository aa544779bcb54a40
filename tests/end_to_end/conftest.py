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
PIP = (sys.executable, "-m", "pip", "--disable-pip-version-check", "--quiet")


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
    _run(*PIP, "wheel", ROOT, "--no-deps", "--no-build-isolation", "--no-index", "--wheel-dir", folder)
    (wheel,) = folder.glob("*.whl")
    return _install(wheel, folder / "environment", Path(sysconfig.get_path("purelib")))


@pytest.fixture(scope="session")
def without_numba(installed: Installed, tmp_path_factory: pytest.TempPathFactory) -> Installed:
    """The same wheel where numba is not to be found, nor galois, which needs it; the other dependencies are links."""
    folder = tmp_path_factory.mktemp("without-numba")
    links = folder / "dependencies"
    links.mkdir()
    for path in Path(sysconfig.get_path("purelib")).iterdir():
        if not path.name.lower().startswith(("numba", "llvmlite", "galois", "laneproof")) and path.suffix != ".pth":
            (links / path.name).symlink_to(path)
    return _install(installed.wheel, folder / "environment", links)


def _install(wheel: Path, environment: Path, dependencies: Path) -> Installed:
    venv.create(environment)
    python = environment / "bin" / "python"
    _run(*PIP, "--python", python, "install", "--no-deps", "--no-index", wheel)
    (site,) = environment.glob("lib/python*/site-packages")
    (site / "dependencies.pth").write_text(f"{dependencies}\n")
    return Installed(wheel, python, environment / "bin" / "laneproof")
