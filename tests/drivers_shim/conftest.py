"""What the tests of drivers share: echo processes, killed after the test, and a recorded tree of PCI functions."""

from __future__ import annotations

import builtins
import os
import pty
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from attrs import frozen
from echo_card import connect
from recorded_sysfs import PLACES, READ, RECORDED, Tree, sections

from laneproof.contract import Card, StreamPath

ECHO_PROCESS = Path(__file__).with_name("echo_process.py")


@frozen
class Echo:
    """A running echo process: what to open, and how to end it at once."""

    address: str
    process: subprocess.Popen[str]

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()


@pytest.fixture
def start_echo() -> Iterator[Callable[..., Echo]]:
    """Starts `echo_process.py` with the given arguments; returns once its device is there."""
    running: list[subprocess.Popen[str]] = []

    def start(*arguments: object) -> Echo:
        command = [sys.executable, "-I", str(ECHO_PROCESS), *map(str, arguments)]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        running.append(process)
        assert process.stdout is not None
        return Echo(process.stdout.readline().rstrip("\n"), process)

    yield start
    for process in running:
        process.kill()
        process.communicate()


@pytest.fixture
def open_card() -> Iterator[Callable[..., StreamPath]]:
    cards: list[Card] = []

    def open_path(address: str, **options: object) -> StreamPath:
        cards.append(connect(address, **options))
        path = cards[-1].channels[0].path
        assert isinstance(path, StreamPath)
        return path

    yield open_path
    for card in cards:
        card.close()


@frozen
class HeldFifos:
    """A pair of FIFOs whose far ends this test holds itself: `out` is read, `into` written."""

    address: str
    out: int
    into: int


@pytest.fixture
def held_fifos(tmp_path) -> Iterator[HeldFifos]:
    for name in ("out", "in"):
        os.mkfifo(tmp_path / name)
    out = os.open(tmp_path / "out", os.O_RDONLY | os.O_NONBLOCK)
    into = os.open(tmp_path / "in", os.O_RDWR | os.O_NONBLOCK)
    yield HeldFifos(f"{tmp_path}/out,{tmp_path}/in", out, into)
    os.close(out)
    os.close(into)


@pytest.fixture
def held_terminal() -> Iterator[tuple[int, str]]:
    """A pseudo-terminal whose far end this test holds."""
    far, near = pty.openpty()
    name = os.ttyname(near)
    os.close(near)
    yield far, name
    os.close(far)


@pytest.fixture(scope="session")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The recorded guest's /sys, not to be changed."""
    root = tmp_path_factory.mktemp("recorded")
    links = root / "bus/pci/devices"
    links.mkdir(parents=True)
    for place, name in PLACES.items():
        folder = root / "devices/pci0000:00" / place
        folder.mkdir(parents=True)
        (folder / "config").write_bytes((RECORDED / f"{name}.bin").read_bytes())
        for file, text in sections(name).items():
            if file == "driver":
                (folder / file).symlink_to(f"/bus/pci/drivers/{text.strip()}")
            elif file.startswith(READ):  # the rest would only make each test slower
                (folder / file).write_text(text)
        (links / folder.name).symlink_to(os.path.relpath(folder, links))
    return root


@pytest.fixture
def tree(recorded: Path, tmp_path: Path) -> Tree:
    """A copy of the recorded guest's /sys. Its files are hard links, far quicker to make than copies."""
    shutil.copytree(recorded, tmp_path / "sys", symlinks=True, copy_function=os.link)
    return Tree(tmp_path / "sys")


@pytest.fixture
def failing_open(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Makes opening any file of the given names fail with an error number."""
    really_open = open

    def fail(number: int, *names: str) -> None:
        def opened(file: object, *arguments: object, **more: object) -> object:
            if os.path.basename(str(file)) in names:
                raise OSError(number, os.strerror(number), str(file))
            return really_open(file, *arguments, **more)

        monkeypatch.setattr(builtins, "open", opened)

    return fail
