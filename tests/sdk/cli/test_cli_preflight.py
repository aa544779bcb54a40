"""`laneproof preflight`: exit status, what it says, and that it ends whatever the driver leaves running."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from endpoint_fakes import EchoStream, FakeDriver, card_of

from laneproof import registry
from laneproof.clock import Deadline
from laneproof.conformance import RULES
from laneproof.contract import Address, Card, Host
from laneproof.errors import CannotOpen
from laneproof.readings import Check, HostSurvey, Use

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
        (("plan.toml", "--endpoint", "sim:demo#north"), 2, "PLAN says which cards to look at"),
        (("none.toml",), 2, "none.toml"),
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


# --- the host


class HostOf(Host):
    """A host reader that finds what it is given."""

    def __init__(self, *found: Check) -> None:
        self.found = found

    def survey(self, deadline: Deadline) -> HostSurvey:
        return HostSurvey(host="made", links=())

    def readiness(self, uses: Sequence[Use], deadline: Deadline) -> tuple[Check, ...]:
        return self.found


GOOD = Check(name="clock", outcome="ok", found="synchronised")
SLOW = Check(name="processors", outcome="warning", found="powersave", remedy="performance")
BLIND = Check(name="link errors", outcome="not known", found="nobody counts them", remedy="ask firmware")
GONE = Check(name="card", outcome="missing", found="/dev/x does not exist", remedy="plug it in", uri="real:x")


@pytest.mark.parametrize(
    ("found", "status", "last"),
    [
        ((GOOD,), 0, "host: ready  (2 ok)"),
        ((GOOD, SLOW), 0, "host: ready  (2 ok, 1 warning)"),
        ((SLOW, BLIND), 3, "host: ready for what can be told here  (1 ok, 1 warning, 1 not known)"),
        ((GOOD, BLIND, GONE), 4, "host: not ready  (2 ok, 1 missing, 1 not known)"),
    ],
)
def test_the_exit_status_says_whether_the_host_is_ready(
    laneproof: Run, monkeypatch: pytest.MonkeyPatch, found: tuple[Check, ...], status: int, last: str
) -> None:
    monkeypatch.setattr(registry, "host", lambda: HostOf(*found))
    done = laneproof("preflight")
    assert (done.status, done.err) == (status, "")
    assert last in done.out.splitlines()


def test_what_is_not_right_comes_with_its_remedy_in_the_next_line(
    laneproof: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(registry, "host", lambda: HostOf(GOOD, SLOW, GONE))
    lines = laneproof("preflight").out.splitlines()
    assert lines[lines.index("  warning    processors: powersave") + 1] == "             fix: performance"
    at = lines.index("for real:x")
    assert lines[at + 1 : at + 3] == ["  missing    card: /dev/x does not exist", "             fix: plug it in"]


def test_what_a_file_of_the_host_holds_does_not_act_on_the_terminal(
    laneproof: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    hostile = "\x1b[2J\r\n verdict: pass\x07" * 1000
    monkeypatch.setattr(
        registry, "host", lambda: HostOf(Check(name="x", outcome="warning", found=hostile, remedy=hostile))
    )
    done = laneproof("preflight")
    assert done.out.replace("\n", "").isprintable()
    assert [line for line in done.out.splitlines() if len(line) > 80 or line.startswith("verdict")] == []
    assert len(done.out) < 2500


def test_the_checks_go_to_json(laneproof: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(registry, "host", lambda: HostOf(GOOD, BLIND))
    done = laneproof("preflight", "--json", "-")
    found = json.loads(done.out)
    assert (done.status, found["host"]["verdict"]) == (3, "inconc")
    assert found["host"]["checks"][1] == {
        "name": "link errors",
        "outcome": "not known",
        "found": "nobody counts them",
        "remedy": "ask firmware",
        "uri": "",
    }
    assert "not known" in done.err


@pytest.mark.usefixtures("one_card")
def test_a_plan_is_tried_card_by_card_and_one_that_is_missing_does_not_hide_the_others(
    laneproof: Run, tmp_path: Path
) -> None:
    (tmp_path / "plan.toml").write_text(
        'schema = 1\n[[endpoint]]\nuri = "chardev:/dev/none"\n[[endpoint]]\nuri = "fake:card"\n'
    )
    done = laneproof("preflight", "plan.toml", "--tier", "offline", "--acknowledge-cautions", "--json", "found.json")
    assert done.status == 4
    assert "  missing    card: /dev/none does not exist" in done.out.splitlines()
    assert done.err.count("\n") == 1
    found = json.loads((tmp_path / "found.json").read_text("utf-8"))
    assert found["verdict"] == "error"
    assert [(one["endpoint"], one["verdict"]) for one in found["endpoints"]] == [
        ("chardev:/dev/none", "error"),
        ("fake:card", "pass"),
    ]


def test_a_ledger_that_cannot_be_written_where_it_is_planned_is_missing(
    laneproof: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(registry, "host", lambda: HostOf(GOOD))
    done = laneproof("preflight", "--ledger", "nowhere/x.ledger")
    assert done.status == 4
    assert "  missing    ledger: " in done.out


def as_nobody(*arguments: str) -> subprocess.CompletedProcess[str]:
    """As a user without privilege, where this one has any. What that user may not import is imported before."""
    code = (
        "import contextlib, io, os, sys\n"
        "from laneproof.cli import main\n"
        "with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):\n"
        "    main(['preflight', '--endpoint', 'chardev:/dev/none'])\n"
        "if os.geteuid() == 0: os.setgid(65534), os.setuid(65534)\n"
        f"sys.exit(main({list(arguments)!r}))\n"
    )
    return subprocess.run([sys.executable, "-c", code], cwd="/", capture_output=True, text=True, check=False)


def test_a_user_without_privilege_is_told_of_this_computer() -> None:
    done = as_nobody("preflight", "--ledger", "/tmp/x.ledger")
    assert (done.returncode, done.stderr) == (0, "")
    assert [line for line in done.stdout.splitlines() if len(line) > 80] == []
    assert "nothing on it was changed" in done.stdout


@pytest.mark.skipif(os.geteuid() != 0, reason="needs a user to whom a device can be forbidden")
def test_a_device_that_is_another_users_is_missing_and_its_owner_named(roots_terminal: str) -> None:
    done = as_nobody("preflight", "--endpoint", f"chardev:{roots_terminal}", "--acknowledge-cautions")
    assert done.returncode == 4
    assert f"{roots_terminal} is not permitted to this user (root:" in " ".join(done.stdout.split())
    assert done.stderr.count("\n") == 1


@pytest.fixture
def roots_terminal() -> Iterator[str]:
    far, near = pty.openpty()
    name = os.ttyname(near)
    os.chmod(name, 0o600)
    yield name
    os.close(near)
    os.close(far)


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
