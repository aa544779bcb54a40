"""What holds for every test: none leaves a thread or a file descriptor behind, and in CI none skips. How tests share
what is dear to make, and which begin first. And how a test installs a driver of its own."""

from __future__ import annotations

import gc
import itertools
import os
import sys
import threading
import time
import types
from collections.abc import Callable, Generator, Iterator
from pathlib import Path

import pytest
from time_budget import TimeBudget

# Tests start hundreds of interpreters, each of which would compile all that it imports.
if os.environ.pop("PYTHONDONTWRITEBYTECODE", None):
    sys.dont_write_bytecode = False


def pytest_configure(config: pytest.Config) -> None:
    config.pluginmanager.register(TimeBudget())


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """In CI nothing may be missing, so a test that skips has failed."""
    report = yield
    if report.skipped and os.environ.get("CI") == "true":
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} skipped, which CI does not allow: {report.longrepr}"
    return report


_MADE_ONCE = ("kernel", "end_to_end")
"""Folders whose tests share a guest or an installed wheel: run on several cores, each stays in one process."""
_FIRST = ("test_house.py::test_types",)
"""What takes tens of seconds by itself: begun last, it would keep one core busy while the others have nothing to do.
Groups need no place here, since xdist begins with the largest."""


def pytest_itemcollected(item: pytest.Item) -> None:
    folder = item.path.relative_to(Path(__file__).parent).parts[0]
    if folder in _MADE_ONCE:
        item.add_marker(pytest.mark.xdist_group(folder))


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Long tests run only where the command line speaks of them, as with `-m long`."""
    if "long" not in config.getoption("markexpr"):
        left_out = [item for item in items if item.get_closest_marker("long")]
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]
    items.sort(key=lambda item: not item.nodeid.endswith(_FIRST))


_GRACE_S = 1.0
"""How long a thread that has been told to end may take."""


@pytest.fixture(autouse=True)
def nothing_is_left_behind() -> Iterator[None]:
    """Compares threads and descriptors before and after; fixtures of a wider scope are counted on both sides."""
    threads, descriptors = set(threading.enumerate()), _descriptors()
    yield
    until_s = time.monotonic() + _GRACE_S
    while _new_threads(threads) and time.monotonic() < until_s:
        time.sleep(0.01)
    assert _new_threads(threads) == set(), "the test left threads running"
    if _descriptors() - descriptors:
        gc.collect()  # what an exception's traceback still held
    assert _descriptors() - descriptors == set(), "the test left descriptors open"


def _new_threads(before: set[threading.Thread]) -> set[threading.Thread]:
    return {thread for thread in threading.enumerate() if thread not in before}


def _descriptors() -> set[tuple[int, str]]:
    """Number and target of each open descriptor, less what lives as long as the process."""
    found: set[tuple[int, str]] = set()
    for name in os.listdir("/proc/self/fd"):
        try:
            target = os.readlink(f"/proc/self/fd/{name}")
        except FileNotFoundError:  # the listing's own
            continue
        found.add((int(name), target))
    return found


Install = Callable[..., None]


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Install:
    """Installs an object as a distribution's entry point, for the test: `install(driver, "fake")` opens as fake:…"""
    numbers = itertools.count()

    def added(
        thing: object,
        name: str,
        group: str = "laneproof.endpoints",
        distribution: str = "fake-card",
        source: str | None = None,
    ) -> None:
        module = f"installed_for_a_test_{next(numbers)}"
        site = tmp_path / module
        metadata = site / f"{distribution.replace('-', '_')}-1.dist-info"
        metadata.mkdir(parents=True)
        (metadata / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {distribution}\nVersion: 1\n")
        (metadata / "entry_points.txt").write_text(f"[{group}]\n{name} = {module}:thing\n")
        if source is not None:
            (site / f"{module}.py").write_text(source)
        else:
            made = types.ModuleType(module)
            made.__dict__["thing"] = thing
            monkeypatch.setitem(sys.modules, module, made)
        monkeypatch.syspath_prepend(str(site))

    return added
