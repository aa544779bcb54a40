"""The developer's example, run as a user runs it: a script, a pytest file and a plan, on sound and faulty benches."""

from __future__ import annotations

import importlib.util
import json
import os
import re
import shutil
import subprocess
import sys
from functools import cache
from pathlib import Path
from types import ModuleType

import pytest

from laneproof.readings import AtLeast, ErrorReading, Exact, PartnerErrors, Unavailable

EXAMPLE = Path(__file__).parents[2] / "examples" / "own_sequence"
LANEPROOF = Path(sys.executable).with_name("laneproof")
SLOT = """\
schema = 1
name = "own"
invented = "invented"
description = "One slot."
[[slot]]
name = "north"
wiring = 1
near = { max_speed = "8 GT/s", max_width = 1 }
card = { max_speed = "8 GT/s", max_width = 1, model = "echo card, one lane", serial = "invented-0004" }
"""


def python(*arguments: object, cwd: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-B", *map(str, arguments)]
    env = {**os.environ, **environment}
    return subprocess.run(command, cwd=cwd, env=env, capture_output=True, text=True, check=False, timeout=60)


def sequence(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return python(EXAMPLE / "sequence.py", *arguments, cwd=folder)


@cache
def sequence_on(uri: str) -> subprocess.CompletedProcess[str]:
    """On a shipped bench; run once, since it always comes out the same."""
    return sequence(EXAMPLE, uri)


def findings(output: str, verdict: str) -> list[str]:
    return [line.removeprefix(verdict).strip() for line in output.splitlines() if line.startswith(f"{verdict} ")]


def without_numbers(text: str) -> str:
    """A finer model of the bench may count a little differently; the words stay."""
    return re.sub(r"\d+", "0", text)


def bench(tmp_path: Path, *keys: str) -> str:
    (tmp_path / "own.toml").write_text(SLOT + "\n".join(keys), "utf-8")
    return "sim:./own.toml#north"


# --- the script -----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def on_the_healthy_bench(tmp_path_factory) -> subprocess.CompletedProcess[str]:
    return sequence(tmp_path_factory.mktemp("healthy"))


def test_the_script_passes_on_the_healthy_bench(on_the_healthy_bench):
    done = on_the_healthy_bench
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.endswith("verdict: pass\n")
    assert len(findings(done.stdout, "pass")) == 14


def test_the_readme_shows_what_the_script_prints(on_the_healthy_bench):
    shown = without_numbers((EXAMPLE / "README.md").read_text("utf-8"))
    printed = without_numbers(on_the_healthy_bench.stdout).splitlines()
    assert [line for line in printed if f"    {line}\n" not in shown] == []


def test_what_the_card_does_not_offer_is_said_and_is_no_pass(on_the_healthy_bench):
    unseen = findings(on_the_healthy_bench.stdout, "none")
    assert [line for line in unseen if "not tested" in line and "PatternEngine" in line]


@pytest.mark.parametrize(
    ("name", "status", "verdict", "words"),
    [
        ("dead-lane", 1, "fail", r"^link, .*trained to 8 GT/s x4 instead of 8 GT/s x8$"),
        ("link-errors", 1, "fail", r"^link errors, far end: .*at least [1-9]\d* BadTLP"),
        ("flipping-card", 1, "fail", r"^loopback of \d+ B .*: [1-9]\d* wrong bytes, the first at byte \d+$"),
        ("stalling-card", 1, "fail", r"^loopback: stalled: returned \d+ of \d+ bytes before the deadline$"),
        ("drops-off", 1, "fail", r"^the card was lost: .*data link layer not active$"),
        ("lost-unseen", 3, "inconc", r"^the card was lost: nothing shows that its link went down$"),
        ("empty-slot", 4, "error", r"no receiver is detected on any lane"),
    ],
)
def test_the_script_names_what_is_wrong_with_a_bench(name, status, verdict, words):
    done = sequence_on(f"sim:{name}#north")
    assert (done.returncode, done.stderr) == (status, "")
    assert done.stdout.endswith(f"verdict: {verdict}\n")
    assert [line for line in findings(done.stdout, verdict) if re.search(words, line)]


def test_link_errors_accuse_no_data():
    done = sequence_on("sim:link-errors#north")
    assert not [line for line in findings(done.stdout, "fail") if "wrong bytes" in line]


def test_counters_that_cannot_be_read_are_no_pass(tmp_path):
    done = sequence(tmp_path, bench(tmp_path, 'errors_owned_by = "firmware"'))
    assert done.returncode == 3
    unread = [line for line in findings(done.stdout, "inconc") if "not known, which is not none" in line]
    assert [line.split(":")[0] for line in unread] == ["link errors, near end", "link errors, far end"]


def test_a_link_that_cannot_be_seen_is_no_pass(tmp_path):
    done = sequence(tmp_path, bench(tmp_path, "observable = false"))
    assert done.returncode == 3
    assert len([line for line in findings(done.stdout, "inconc") if line.startswith("link, ")]) == 2


def test_the_sequence_goes_on_after_a_stall_among_short_transfers(tmp_path):
    done = sequence(tmp_path, bench(tmp_path, 'fault = [{ kind = "stall", after = "10 kB" }]'))
    assert (done.returncode, done.stderr) == (1, "")
    assert findings(done.stdout, "fail")[0].startswith("64 transfers of 65 B: ")
    assert [line for line in findings(done.stdout, "pass") if line.startswith("link errors")]


@pytest.mark.parametrize("uri", ["nonsense", "sim:demo#attic"])
def test_wrong_use_is_one_line_and_status_2(tmp_path, uri):
    done = sequence(tmp_path, uri)
    assert (done.returncode, done.stdout, len(done.stderr.splitlines())) == (2, "", 1)
    assert done.stderr.startswith("wrong use: ")


@pytest.fixture(scope="module")
def script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("own_sequence", EXAMPLE / "sequence.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "dont_write_bytecode", True)
        spec.loader.exec_module(module)
    return module


def test_a_sequence_that_judges_nothing_does_not_pass(script, monkeypatch, capsys):
    monkeypatch.setattr(script, "sequence", lambda card: iter(()))
    assert script.main("sim:demo#north") == 3
    assert capsys.readouterr().out.endswith("verdict: none\n")


@pytest.mark.parametrize(
    ("counts", "verdict"),
    [
        ({"BadTLP": Exact(0), "Timeout": AtLeast(0, "sticky")}, "pass"),
        ({"BadTLP": Exact(0), "Timeout": AtLeast(1, "sticky")}, "fail"),
        ({"BadTLP": Exact(0), "Timeout": Unavailable("masked")}, "inconc"),
        ({"BadTLP": Exact(2), "Timeout": Unavailable("masked")}, "fail"),
        ({}, "inconc"),
    ],
)
def test_the_counters_of_one_end_pass_only_if_all_were_read(script, counts, verdict):
    far = PartnerErrors(name="card", epoch="one", correctable=counts)
    findings = list(script.link_errors(ErrorReading(near=Unavailable("no permission"), far=far)))
    assert [found for found, _ in findings] == ["inconc", verdict]


# --- the pytest file ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("uri", "failing"),
    [
        (None, set()),
        ("sim:link-errors#north", {"test_a_load_causes_no_link_errors"}),
        (
            "sim:lost-unseen#north",
            {
                "test_a_long_transfer_comes_back_unchanged",
                "test_the_link_trains_to_all_its_lanes",
                "test_a_load_causes_no_link_errors",
            },
        ),
    ],
)
def test_the_pytest_file_fails_where_the_slot_does(tmp_path, uri, failing):
    shutil.copy(EXAMPLE / "test_slot.py", tmp_path)
    environment = {} if uri is None else {"SLOT_UNDER_TEST": uri}
    done = python("-m", "pytest", "-q", "-p", "no:cacheprovider", "test_slot.py", cwd=tmp_path, **environment)
    assert done.returncode == (1 if failing else 0), done.stdout
    assert set(re.findall(r"^(?:FAILED|ERROR) test_slot\.py::(\w+)", done.stdout, re.MULTILINE)) == failing
    assert f"{6 - len(failing)} passed" in done.stdout
    assert "skipped" not in done.stdout


# --- the plan -------------------------------------------------------------------------------------------------


def laneproof(*arguments: object, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [LANEPROOF, *map(str, arguments)], cwd=cwd, capture_output=True, text=True, check=False, timeout=60
    )


def test_the_plan_is_valid(tmp_path):
    done = laneproof("run", "--check", EXAMPLE / "acceptance.toml", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert "valid" in done.stdout
    assert list(tmp_path.iterdir()) == []


def test_the_plan_passes_on_all_three_slots(tmp_path):
    done = laneproof("run", EXAMPLE / "acceptance.toml", "--json", "result.json", cwd=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    result = json.loads((tmp_path / "result.json").read_text("utf-8"))
    steps = [[step["verdict"] for step in endpoint["steps"]] for endpoint in result["endpoints"]]
    assert steps == [["pass"] * 4] * 3


def test_the_plan_fails_a_slot_that_has_lost_lanes(tmp_path):
    plan = tmp_path / "acceptance.toml"
    plan.write_text((EXAMPLE / "acceptance.toml").read_text("utf-8").replace("sim:demo#", "sim:dead-lane#"), "utf-8")
    done = laneproof("run", plan, "--json", "result.json", cwd=tmp_path)
    assert done.returncode == 1
    result = json.loads((tmp_path / "result.json").read_text("utf-8"))
    assert [endpoint["verdict"] for endpoint in result["endpoints"]] == ["fail", "pass", "pass"]
