"""laneproof in pytest, as suites meet it: pytest's own `pytester` runs small suites on simulated benches."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

import laneproof_sim.driver
from laneproof.campaign import plan
from laneproof.campaign.runner import read_ledger
from laneproof.campaign.statistics import error_rate_bound
from laneproof.campaign.verdict import Verdict

pytest_plugins = ("pytester",)

# What a session within the session imports first, it takes along when it ends: cattrs and scipy, again and again.
plan.builtin()
error_rate_bound(0, 1)
INNER = ("-p", "no:cacheprovider", "-p", "no:hypothesispytest")

RUNS = """
from laneproof.campaign.steps import IntegrityStep, LinkStep

def test_slot(laneproof_run):
    laneproof_run(LinkStep(load=1 << 16), IntegrityStep(bytes=1 << 16))
"""
HOLDS = """
def test_slot(laneproof_endpoint):
    assert laneproof_endpoint.check("prbs31", 1 << 16, timeout=0.5).ok
"""
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


@pytest.fixture
def run(pytester: pytest.Pytester):
    """Runs pytest on the suite, over the endpoints given; options begin with a dash and hold their value."""

    def go(*words: str) -> pytest.RunResult:
        options = [word for word in words if word.startswith("-")]
        endpoints = [f"--laneproof-endpoint={word}" for word in words if not word.startswith("-")]
        return pytester.runpytest_inprocess(*INNER, *endpoints, *options)

    return go


def outcomes(result: pytest.RunResult) -> dict[str, int]:
    return {name: count for name, count in result.parseoutcomes().items() if name not in ("warning", "warnings")}


def rows(result: pytest.RunResult) -> dict[str, str]:
    """What stands in the section below the (last) failure, by its first words."""
    below = str(result.stdout).rpartition(" laneproof ---")[2].splitlines()
    return {line[:13].strip(): line[15:] for line in below if line[13:15] == "  " and line[15:]}


def message(result: pytest.RunResult) -> str:
    """What a test that does not pass says, between its name and the section."""
    return re.search(r"^_+ .* _+\n(.*?)\n-+ laneproof -", str(result.stdout), re.MULTILINE | re.DOTALL)[1]


def bench(pytester: pytest.Pytester, *keys: str) -> str:
    (pytester.path / "own.toml").write_text(SLOT + "\n".join(keys), "utf-8")
    return "sim:./own.toml#north"


# --- a suite that uses none of it


def test_loading_the_plugin_imports_nothing_of_weight() -> None:
    code = (
        "import sys, laneproof.pytest_plugin; "
        "sys.exit([name for name in ('numpy', 'laneproof.endpoint', 'laneproof.campaign') if name in sys.modules] or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_a_suite_that_uses_none_of_it_sees_none_of_it(pytester, run) -> None:
    pytester.makepyfile("def test_sum():\n    assert 1 + 1 == 2")
    result = run("-W error")
    assert outcomes(result) == {"passed": 1}
    assert [line for line in result.outlines if "laneproof" in line and not line.startswith("plugins:")] == []


def test_without_an_endpoint_tests_are_skipped_and_say_what_to_give(pytester, run) -> None:
    pytester.makepyfile(RUNS)
    result = run("-rs")
    assert outcomes(result) == {"skipped": 1}
    result.stdout.fnmatch_lines(["SKIPPED*no endpoint is under test; give --laneproof-endpoint URI*"])


# --- endpoints


def test_each_endpoint_is_a_parameter_that_shows_its_uri(pytester, run) -> None:
    pytester.makepyfile(RUNS)
    result = run("sim:demo#north", "sim:demo#south", "--collect-only", "-q")
    shown = [line for line in result.outlines if "::" in line]
    assert [line.partition("::")[2] for line in shown] == ["test_slot[sim:demo#north]", "test_slot[sim:demo#south]"]


def test_endpoints_of_the_configuration_give_way_to_those_of_the_command_line(pytester, run) -> None:
    pytester.makepyfile(HOLDS)
    pytester.makeini("[pytest]\nlaneproof_endpoints =\n    sim:demo#middle\n    sim:demo#south")
    assert outcomes(run()) == {"passed": 2}
    assert outcomes(run("sim:demo#north")) == {"passed": 1}


def test_a_suites_plan_says_what_is_expected_of_its_endpoints(pytester, run) -> None:
    pytester.makepyfile(RUNS)
    pytester.makeini("[pytest]\nlaneproof_plan = own.toml")
    pytester.makefile(
        ".toml",
        own='schema = 1\n[[endpoint]]\nuri = "sim:demo#north"\nexpect = { width = 4 }\n'
        '[[endpoint]]\nuri = "sim:demo#south"\n[[step]]\nkind = "link"',
    )
    result = run()
    assert outcomes(result) == {"failed": 1, "passed": 1}
    assert message(result).startswith("link: expected 8 GT/s x4 (from the plan's width")


def test_a_test_may_name_benches_of_its_own(pytester, run) -> None:
    pytester.makepyfile("""
        import pytest

        @pytest.mark.parametrize("laneproof_uri", ["sim:demo#south"])
        def test_slot(laneproof_endpoint):
            assert laneproof_endpoint.uri == "sim:demo#south"
    """)
    assert outcomes(run("sim:demo#north")) == {"passed": 1}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["nonsense"], '"nonsense" is not an endpoint'),
        (["nobody:brings#it"], 'no package brings the endpoint scheme "nobody"'),
        (["sim:demo#north", "--laneproof-seed=-1"], "a seed is a whole number"),
        (["sim:demo#north", "--laneproof-ledgers=/dev/null/x"], "name a folder for ledgers"),
        (["sim:demo#north", "-olaneproof_inconclusive=pass"], 'laneproof_inconclusive: "pass" is not one of'),
        (["-olaneproof_plan=none.toml"], "none.toml: No such file or directory"),
    ],
)
def test_wrong_use_is_one_line(pytester, run, words, said) -> None:
    pytester.makepyfile(RUNS)
    result = run(*words)
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    lines = [line for line in [*result.outlines, *result.errlines] if line]
    assert len(lines) == 1
    assert lines[0].startswith("ERROR: laneproof: ")
    assert said in lines[0]


# --- verdicts


@pytest.mark.parametrize(
    ("uri", "expected", "status", "said"),
    [
        ("sim:demo#north", {"passed": 1}, 0, None),
        ("sim:dead-lane#north", {"failed": 1}, 1, "link: expected 8 GT/s x8 "),
        ("sim:lost-unseen#north", {"failed": 1}, 1, "inconclusive: link: the link cannot be judged"),
        ("sim:empty-slot#north", {"errors": 1}, 1, "the test system is at fault: slot: "),
    ],
)
def test_a_runs_verdict_is_the_tests_outcome(pytester, run, uri, expected, status, said) -> None:
    pytester.makepyfile(RUNS)
    result = run(uri)
    assert (outcomes(result), result.ret) == (expected, status)
    if said is not None:
        assert message(result).startswith(said)
        assert "Traceback" not in str(result.stdout)
        assert ".py:" not in message(result)


@pytest.mark.parametrize(
    ("marker", "option", "expected"),
    [
        ("pytestmark = pytest.mark.laneproof(inconclusive='xfail')", "-q", {"xfailed": 1}),
        ("", "-olaneproof_inconclusive=skip", {"skipped": 1}),
    ],
)
def test_only_a_suite_that_asks_for_it_has_inconclusive_tests_that_do_not_fail(
    pytester, run, marker, option, expected
) -> None:
    pytester.makepyfile("import pytest\n" + marker + RUNS)
    assert outcomes(run("sim:lost-unseen#north", option)) == expected
    assert outcomes(run("sim:dead-lane#north", option)) == {"failed": 1}


def test_a_test_that_runs_nothing_does_not_pass(pytester, run) -> None:
    pytester.makepyfile("def test_slot(laneproof_run):\n    pass")
    result = run("sim:demo#north")
    assert outcomes(result) == {"failed": 1}
    assert message(result) == "inconclusive: the test took laneproof_run and ran nothing"
    assert rows(result)["verdict"] == "none"


def test_a_step_that_moves_nothing_does_not_pass(pytester, run) -> None:
    pytester.makepyfile("""
        from laneproof.campaign.steps import LinkStep

        def test_slot(laneproof_run):
            laneproof_run(LinkStep(load=0))
    """)
    result = run("sim:demo#north")
    assert outcomes(result) == {"failed": 1}
    assert message(result).startswith("inconclusive: ")


@pytest.mark.parametrize(
    ("keys", "expected", "said"),
    [
        (
            'fault = [{ kind = "drop-off", after = "10 kB" }]',
            {"failed": 1},
            r"data link layer not active.* \(line 2\)$",
        ),
        ('observable = false\nfault = [{ kind = "drop-off", after = "10 kB" }]', {"failed": 1}, r"^inconclusive: sim:"),
        ('fault = [{ kind = "absent" }]', {"errors": 1}, "^the test system is at fault: sim:.*no receiver is detected"),
    ],
)
def test_an_error_met_with_the_card_in_hand_is_mapped_as_in_a_run(pytester, run, keys, expected, said) -> None:
    pytester.makepyfile(HOLDS)
    result = run(bench(pytester, keys))
    assert outcomes(result) == expected
    assert re.search(said, message(result))
    assert len(message(result).splitlines()) == 1


def test_a_part_that_the_card_has_not_is_no_failure_of_the_slot(pytester, run) -> None:
    pytester.makepyfile("""
        def test_slot(laneproof_endpoint):
            laneproof_endpoint.check("prbs31", 1 << 16, direction="to_card")
    """)
    result = run("sim:demo#north")
    assert outcomes(result) == {"errors": 1}
    assert "PatternEngine" in message(result)


@pytest.mark.parametrize(("mistake", "verdict"), [("assert not laneproof_endpoint.uri", "fail"), ("1 / 0", "error")])
def test_a_tests_own_mistake_accuses_no_slot(pytester, run, mistake, verdict) -> None:
    pytester.makepyfile(f"def test_slot(laneproof_endpoint):\n    {mistake}")
    result = run("sim:demo#north")
    assert outcomes(result) == {"failed": 1}
    assert rows(result)["verdict"] == verdict


def test_a_test_takes_a_run_or_the_card_and_not_both(pytester, run) -> None:
    pytester.makepyfile("def test_slot(laneproof_endpoint, laneproof_run):\n    laneproof_run()")
    result = run("sim:demo#north")
    assert outcomes(result) == {"errors": 1}
    result.stdout.fnmatch_lines(["take laneproof_endpoint or laneproof_run, not both: *"])


# --- the marker


@pytest.mark.parametrize(
    ("keywords", "expected", "said"),
    [
        ('speed="8 GT/s", width=8', {"passed": 1}, None),
        ("width=4", {"failed": 1}, "link: expected 8 GT/s x4 (from the plan's width"),
        ('min_rate="7 GB/s"', {"failed": 1}, "throughput: "),
        ('min_share="99.9"', {"errors": 1}, "@pytest.mark.laneproof of test_slot[sim:demo#north]: min_share: "),
        ("widht=8", {"errors": 1}, '@pytest.mark.laneproof of test_slot[sim:demo#north]: unknown key "widht"; known'),
        ("8", {"errors": 1}, "@pytest.mark.laneproof of test_slot[sim:demo#north]: takes keywords only"),
    ],
)
def test_a_marker_says_what_is_expected(pytester, run, keywords, expected, said) -> None:
    pytester.makepyfile(f"""
        import pytest
        from laneproof.campaign.steps import LinkStep, ThroughputStep

        @pytest.mark.laneproof({keywords})
        def test_slot(laneproof_run):
            laneproof_run(LinkStep(load=1 << 16), ThroughputStep(bytes=4 << 20, repeats=1, min_share=0.1))
    """)
    result = run("sim:demo#north")
    assert outcomes(result) == expected
    if said is not None:
        assert any(line.startswith(said) for line in result.outlines)


def test_the_nearest_marker_goes_first(pytester, run) -> None:
    pytester.makepyfile("""
        import pytest
        from laneproof.campaign.steps import LinkStep

        pytestmark = pytest.mark.laneproof(speed="8 GT/s", width=4)

        @pytest.mark.laneproof(width=8)
        def test_slot(laneproof_run):
            laneproof_run(LinkStep(load=1 << 16))
    """)
    assert outcomes(run("sim:demo#north", "--strict-markers")) == {"passed": 1}


def test_a_limit_that_could_never_fail_is_said(pytester, run) -> None:
    pytester.makepyfile("import pytest\npytestmark = pytest.mark.laneproof(min_share='50 %')\n" + RUNS)
    result = run("sim:demo#north")
    assert outcomes(result) == {"errors": 1}
    assert "min_share limits none of these steps, and could never fail" in message(result)


def test_a_plan_file_lies_beside_the_test(pytester, run) -> None:
    folder = pytester.mkdir("deeper")
    (folder / "soak.toml").write_text('schema = 1\nseed = 5\n[[step]]\nkind = "soak"\nbytes = "64 KiB"')
    (folder / "test_soak.py").write_text(
        "def test_slot(laneproof_run):\n"
        "    result = laneproof_run(plan='soak.toml')\n"
        "    assert (result.plan['seed'], [step.kind for step in result.endpoints[0].steps]) == (5, ['soak'])\n"
    )
    assert outcomes(run("sim:demo#north")) == {"passed": 1}


# --- ledger, record, replay


def test_ledgers_are_kept_where_a_test_does_not_pass(pytester, run) -> None:
    pytester.makepyfile(RUNS)
    result = run("sim:demo#north", "sim:dead-lane#north", f"--basetemp={pytester.path / 'temporary'}")
    kept = list((pytester.path / "temporary").rglob("*.ledger"))
    assert [pytester.path / rows(result)["ledger"]] == kept
    assert read_ledger(kept[0]).verdict is Verdict.FAIL


def test_a_folder_for_ledgers_keeps_all_and_overwrites_none(pytester, run) -> None:
    pytester.makepyfile(RUNS)
    for _ in range(2):
        run("sim:demo#south", "--laneproof-ledgers=kept")
    ledgers = sorted((pytester.path / "kept").iterdir())
    assert len(ledgers) == 2
    assert [read_ledger(path).verdict for path in ledgers] == [Verdict.PASS] * 2
    seeds = {read_ledger(path).plan["seed"] for path in ledgers}
    assert len(seeds) == 2, "each run draws its seed"


def test_junit_xml_carries_verdict_exposure_seed_and_identity(pytester, run) -> None:
    pytester.makepyfile(RUNS)
    benches = ["sim:demo#north", "sim:dead-lane#north", "sim:lost-unseen#north", "sim:empty-slot#north"]
    run(*benches, "--junit-xml=junit.xml", "--laneproof-seed=7", "--laneproof-ledgers=kept", "-W error")
    cases = list(ElementTree.parse(pytester.path / "junit.xml").iter("testcase"))
    found = [{one.get("name"): one.get("value") for one in case.iter("property")} for case in cases]
    assert [properties["laneproof_endpoint"] for properties in found] == benches
    assert [properties["laneproof_verdict"] for properties in found] == ["pass", "fail", "inconc", "error"]
    assert [child.tag for case in cases for child in case if child.tag != "properties"] == [
        "failure",
        "failure",
        "error",
    ]
    passed = found[0]
    assert passed["laneproof_exposure_bits"] == str(8 << 16)
    assert passed["laneproof_identity"] == "echo card, eight lanes, serial invented-0001, firmware 1.0"
    ledger = read_ledger(pytester.path / passed["laneproof_ledger"])
    assert passed["laneproof_seed"] == str(ledger.plan["seed"])
    assert passed["laneproof_caveat"].startswith("This bench is simulated")


STUCK = 'fault = [{ kind = "stuck-bit", word = 4, byte = 1, bit = 3, level = 1 }]'
"""Which bytes come back wrong depends on what was sent."""


def test_the_command_line_below_a_failure_repeats_it(pytester, run) -> None:
    pytester.makepyfile(RUNS + "\ndef test_other(laneproof_run):\n    pass")
    uri = bench(pytester, STUCK)
    first = run(uri, "-k slot")
    assert re.search(r"\d+ of 65536 bytes came back wrong", message(first))
    command = shlex.split(rows(first)["replay"])
    assert command[0] == "pytest"
    again = pytester.runpytest_inprocess(*INNER, *command[1:])
    assert outcomes(again) == {"failed": 1}
    assert (message(again), rows(again)["seed"]) == (message(first), rows(first)["seed"])
    seed = int(command[command.index("--laneproof-seed") + 1])
    other = run(uri, "-k slot", f"--laneproof-seed={seed + 1}")
    assert message(other) != message(first)


def test_each_test_and_each_run_of_it_sends_bytes_of_its_own(pytester, run) -> None:
    pytester.makepyfile("""
        import pytest
        from laneproof.campaign.steps import IntegrityStep

        @pytest.mark.parametrize("turn", [1, 2])
        def test_slot(laneproof_run, laneproof_seed, turn):
            results = [laneproof_run(IntegrityStep(bytes=4096)) for _ in range(2)]
            seeds = [result.plan["seed"] for result in results]
            assert seeds[0] == laneproof_seed != seeds[1]
    """)
    result = run("sim:demo#south", "--laneproof-ledgers=kept", "--laneproof-seed=1")
    assert outcomes(result) == {"passed": 2}
    assert len({read_ledger(path).plan["seed"] for path in (pytester.path / "kept").iterdir()}) == 4


def test_the_page_shows_what_pytest_prints(pytester, run) -> None:
    page = (Path(laneproof_sim.driver.__file__).parents[2] / "sdk/laneproof/guide/pytest.md").read_text("utf-8")
    pytester.makepyfile(test_slot=re.search(r"```python\n(.*?)```", page, re.DOTALL)[1])
    command, *shown = re.search(r"```console\n\$ pytest (.*?)```", page, re.DOTALL)[1].splitlines()
    printed = pytester.runpytest_inprocess(*INNER, *shlex.split(command)).outlines
    assert len(shown) > 10
    missing = [
        line
        for line in shown
        if not any(one.startswith(line[:-1]) if line.endswith("…") else one == line for one in printed)
    ]
    assert missing == []
