"""`laneproof preflight`: exit status, what it says, and that it ends whatever the driver leaves running."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from endpoint_fakes import EchoStream, FakeDriver, card_of

from laneproof.clock import Deadline
from laneproof.conformance import RULES
from laneproof.contract import Address, Card
from laneproof.errors import CannotOpen

Run = Callable[..., object]
BENCH = ("preflight", "--endpoint", "sim:demo#north")
CARD = ("preflight", "--endpoint", "fake:card")


class OneCard(FakeDriver):
    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        if address.text != "card":
            raise CannotOpen("there is no such card; the only one is fake:card")
        return super().connect(address, options, deadline)


@pytest.fixture
def one_card(install: Callable[..., None]) -> None:
    install(OneCard(lambda _: card_of(EchoStream())), "fake")


def test_the_bench_passes_and_every_rule_is_accounted_for(laneproof: Run) -> None:
    done = laneproof(*BENCH)
    assert (done.status, done.err) == (0, "")
    assert done.out.startswith("sim:demo#north, a simulated card, tier card\n")
    assert [rule.name for rule in RULES if rule.tier != "soak" and rule.name not in done.out] == []
    assert [line for line in done.out.splitlines() if len(line) > 80] == []
    assert done.out.splitlines()[-1].startswith("verdict: pass  (")


@pytest.mark.usefixtures("one_card")
def test_findings_go_to_a_file_as_json(laneproof: Run, tmp_path: Path) -> None:
    assert laneproof(*CARD, "--tier", "offline", "--json", "found.json").status == 0
    found = json.loads((tmp_path / "found.json").read_text("utf-8"))
    assert (found["schema"], found["verdict"], found["tier"]) == (1, "pass", "offline")
    assert [finding["rule"] for finding in found["findings"]] == [rule.name for rule in RULES if rule.tier == "offline"]


@pytest.mark.usefixtures("one_card")
def test_json_on_standard_output_stands_alone_there(laneproof: Run) -> None:
    done = laneproof(*CARD, "--tier", "offline", "--json", "-")
    assert json.loads(done.out)["verdict"] == "pass"
    assert "verdict: pass" in done.err


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (("--endpoint", "chardev:/dev/none", "--acknowledge-cautions"), 4, "/dev/none does not exist; check the path"),
        (("--endpoint", "sim"), 2, "write SCHEME:ADDRESS"),
        (("--endpoint", "nobody:here"), 2, 'no package brings the endpoint scheme "nobody"'),
        (("--endpoint", "sim:demo#attic"), 2, 'has no slot "attic"'),
        (("--endpoint", "sim:demo#north", "--budget", "long"), 2, "long"),
        ((), 2, "--endpoint"),
        (("--endpoint", "sim:demo#north", "--tier", "all"), 2, "--tier"),
    ],
)
def test_what_cannot_be_tried_is_one_line_and_a_status(
    laneproof: Run, arguments: tuple[str, ...], status: int, said: str
) -> None:
    done = laneproof("preflight", *arguments)
    assert done.status == status
    assert said in done.err
    assert "Traceback" not in done.err


def test_a_physical_card_comes_with_its_cautions_unless_they_are_acknowledged(
    laneproof: Run, echo: Callable[..., str]
) -> None:
    endpoint = ("preflight", "--tier", "offline", "--endpoint", echo())
    assert "Before hands go near the computer" in laneproof(*endpoint).out
    assert "Before hands" not in laneproof(*endpoint, "--acknowledge-cautions").out


# --- a rig


RIGS = """
import atexit
from laneproof.conformance import Rig
from laneproof.contract import ResetLevel

class North(Rig):
    uri = "sim:demo#north"
    second_uri = "sim:demo#middle"
    wait_s = 0.1

class Nameless(Rig):
    pass

class Broken(Rig):
    def __init__(self, uri=""):
        raise OSError(5, "the relay board does not answer")

class NoCard(Rig):
    uri = "sim:demo#attic"

def rig():
    return North()
"""


@pytest.fixture
def rigs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "bench").mkdir()
    (tmp_path / "bench" / "__init__.py").touch()
    (tmp_path / "bench" / "rigs.py").write_text(RIGS)
    (tmp_path / "bench" / "torn.py").write_text("import laneproof.nothing_of_the_kind\n")
    (tmp_path / "bench" / "loud.py").write_text("raise RuntimeError('two\\nlines')\n")
    for name in ("bench", "bench.rigs", "bench.torn", "bench.loud"):
        monkeypatch.delitem(sys.modules, name, raising=False)


@pytest.mark.usefixtures("rigs")
def test_a_rig_of_ones_own_shows_more_than_a_uri(laneproof: Run) -> None:
    arguments = ("preflight", "--tier", "offline", "--json", "found.json")
    assert laneproof(*arguments, "--rig", "bench.rigs:North").status == 0
    found = json.loads(Path("found.json").read_text("utf-8"))
    assert (found["rig"], found["endpoint"]) == ("bench.rigs:North", "sim:demo#north")
    assert {one["rule"]: one["outcome"] for one in found["findings"]}["two-cards-are-told-apart"] == "kept"
    assert laneproof(*arguments, "--endpoint", "sim:demo#north").status == 0
    found = json.loads(Path("found.json").read_text("utf-8"))
    assert found["rig"] is None
    assert {one["rule"]: one["outcome"] for one in found["findings"]}["two-cards-are-told-apart"] == "not demonstrated"


@pytest.mark.usefixtures("rigs")
def test_a_rig_may_be_tried_on_another_card(laneproof: Run) -> None:
    done = laneproof("preflight", "--rig", "bench.rigs:Nameless", "--endpoint", "sim:demo#middle", "--tier", "offline")
    assert (done.status, done.out.partition(",")[0]) == (0, "sim:demo#middle")


@pytest.mark.usefixtures("rigs")
@pytest.mark.parametrize(
    ("rig", "said"),
    [
        ("bench.rigs", 'laneproof: --rig "bench.rigs" is not written MODULE:CLASS, for example --rig my_rig:MyRig'),
        ("bench.rigs:", "is not written MODULE:CLASS"),
        (":North", "is not written MODULE:CLASS"),
        ("bench/rigs.py:North", "is not written MODULE:CLASS"),
        ("nowhere:North", "there is no module nowhere, here or installed"),
        ("bench.nowhere:North", "there is no module bench.nowhere, here or installed"),
        ("bench.torn:North", "importing bench.torn failed with ModuleNotFoundError: No module named"),
        ("bench.loud:North", "importing bench.loud failed with RuntimeError: two lines"),
        (
            "bench.rigs:South",
            "South is no class of laneproof.conformance.Rig in bench.rigs; it has Broken, Nameless",
        ),
        ("bench.rigs:rig", "rig is no class of laneproof.conformance.Rig"),
        ("json:JSONDecoder", "JSONDecoder is no class of laneproof.conformance.Rig in json; it has none"),
        ("bench.rigs:Nameless", "Nameless names no card; set uri"),
        ("bench.rigs:Broken", "Broken() failed with OSError: [Errno 5] the relay board does not answer"),
        ("bench.rigs:NoCard", 'has no slot "attic"'),
    ],
)
def test_a_rig_that_cannot_be_had_is_one_line(laneproof: Run, rig: str, said: str) -> None:
    done = laneproof("preflight", "--rig", rig)
    assert (done.status, done.out) == (2, "")
    assert said in done.err
    assert done.err.count("\n") == 1


@pytest.mark.usefixtures("rigs")
def test_the_installed_script_finds_a_rig_in_the_working_directory(process: Run) -> None:
    assert process("preflight", "--rig", "bench.rigs:Nameless").status == 2
    assert "Nameless names no card" in process("preflight", "--rig", "bench.rigs:Nameless").err


WRONG = """
import threading, time
from attrs import frozen

from laneproof.contract import Address, Card, Channel, Driver, Limits, StreamPath

@frozen
class Options:
    pass

class Path(StreamPath):
    def send(self, view, deadline): raise AssertionError("nothing is to be sent")
    def receive_into(self, view, deadline):
        while not deadline.expired: deadline.pause(0.01)
        return 0

class Wrong(Driver):
    options = Options
    physical = False
    def discover(self, deadline): return []
    def connect(self, address, options, deadline):
        threading.Thread(target=time.sleep, args=(3600,)).start()
        limits = Limits(max_transfer=4096)
        return Card(channels=(Channel(name="x", path=Path(), limits=limits),), close=lambda: None)

driver = Wrong()
"""


def test_what_is_broken_is_named_with_what_to_do_and_a_driver_cannot_keep_it_from_ending(
    process: Run, tmp_path: Path
) -> None:
    """The driver leaves threads that Python would wait for, for an hour, at its end."""
    site = tmp_path / "site"
    metadata = site / "wrong_card-1.dist-info"
    metadata.mkdir(parents=True)
    (metadata / "METADATA").write_text("Metadata-Version: 2.1\nName: wrong-card\nVersion: 1\n")
    (metadata / "entry_points.txt").write_text("[laneproof.endpoints]\nwrong = wrong_card:driver\n")
    (site / "wrong_card.py").write_text(WRONG)
    environment = {**os.environ, "PYTHONPATH": str(site)}
    done = process("preflight", "--endpoint", "wrong:x", "--tier", "offline", env=environment, timeout=60)
    assert done.status == 1
    words = " ".join(done.out.split())
    assert "broken close-leaves-nothing-open: 4 times opened and closed: 4 of its threads still run" in words
    assert "fix: give back in close all that connect took: descriptors, threads (joined), children (waited" in words
    assert "verdict: fail" in words
