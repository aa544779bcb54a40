"""laneproof in pytest on physical cards: for how long one stays open, whose turn it is, and when cautions are shown."""

from __future__ import annotations

import itertools
import re

import pytest

import laneproof_sim.driver  # noqa: F401 - what a session within the session imports first, it takes along again
from laneproof.campaign.runner import read_ledger
from laneproof.campaign.statistics import error_rate_bound
from laneproof.safety import CAUTIONS

pytest_plugins = ("pytester",)
pytestmark = pytest.mark.usefixtures("invented_cards")

error_rate_bound(0, 1)
OPTIONS = ("-p", "no:cacheprovider", "-p", "no:hypothesispytest", "-W", "error")


def test_a_physical_card_stays_open_while_tests_pass(pytester) -> None:
    pytester.makepyfile("""
        import pytest

        seen = []

        @pytest.mark.parametrize("turn", range(3))
        def test_slot(laneproof_endpoint, turn):
            seen.append(laneproof_endpoint)
            assert laneproof_endpoint.check("prbs31", 4096).ok
            if turn == 1:
                laneproof_endpoint.close()

        def test_seen():
            assert seen[0] is seen[1]
            assert seen[1] is not seen[2], "the test before had closed it"
            assert repr(seen[2]).endswith("closed>") is False
    """)
    result = pytester.runpytest_inprocess(*OPTIONS, "--laneproof-endpoint=physical:echo")
    result.assert_outcomes(passed=4)


@pytest.mark.parametrize(
    ("behaviour", "outcome", "said"),
    [
        ("loses", {"failed": 1, "passed": 2}, "inconclusive: physical:loses,65536 check: the device node is gone"),
        ("fails", {"errors": 1, "passed": 2}, "at fault: physical:fails,65536 check: the read failed"),
    ],
)
def test_one_tests_fault_is_not_the_next_ones_failure(pytester, behaviour, outcome, said) -> None:
    """The card fails for good after 64 KiB, until it is opened anew."""
    pytester.makepyfile("""
        def test_before(laneproof_endpoint):
            assert laneproof_endpoint.check("prbs31", 32 << 10).ok

        def test_fault(laneproof_endpoint):
            laneproof_endpoint.check("prbs31", 256 << 10)

        def test_after(laneproof_endpoint):
            assert laneproof_endpoint.check("prbs31", 32 << 10).ok
    """)
    result = pytester.runpytest_inprocess(*OPTIONS, f"--laneproof-endpoint=physical:{behaviour},65536")
    result.assert_outcomes(**outcome)
    assert f"{said} (line 5)" in str(result.stdout)


def test_a_run_may_follow_a_test_that_held_the_card(pytester) -> None:
    pytester.makepyfile("""
        from laneproof.campaign.steps import LinkStep

        held = []

        def test_card(laneproof_endpoint):
            held.append(laneproof_endpoint)

        def test_run(laneproof_run):
            assert repr(held[0]).endswith("closed>")
            laneproof_run(LinkStep(load=1 << 16))
    """)
    result = pytester.runpytest_inprocess(
        *OPTIONS,
        "--laneproof-endpoint=physical:echo",
        "--laneproof-acknowledge-cautions",
        "--laneproof-ledgers=kept",
    )
    result.assert_outcomes(passed=2)
    (ledger,) = (pytester.path / "kept").iterdir()
    assert read_ledger(ledger).environment["cautions_acknowledged"] is True
    assert CAUTIONS[0].text not in str(result.stdout)


@pytest.mark.parametrize("quiet", [[], ["-q"]])
def test_cautions_are_shown_once_and_fail_no_suite_that_turns_warnings_into_errors(pytester, quiet) -> None:
    pytester.makepyfile("def test_slot(laneproof_endpoint):\n    assert laneproof_endpoint.physical")
    endpoints = ["--laneproof-endpoint=physical:one", "--laneproof-endpoint=physical:two"]
    result = pytester.runpytest_inprocess(*OPTIONS, *quiet, *endpoints)
    result.assert_outcomes(passed=2)
    assert [str(result.stdout).count(caution.text) for caution in CAUTIONS] == [1] * len(CAUTIONS)
    simulated = pytester.runpytest_inprocess(*OPTIONS, "--laneproof-endpoint=imitated:one", "--collect-only")
    assert CAUTIONS[0].text not in str(simulated.stdout)


def test_a_test_may_not_name_a_physical_card_by_itself(pytester) -> None:
    pytester.makepyfile("""
        import pytest

        @pytest.mark.parametrize("laneproof_uri", ["physical:echo"])
        def test_slot(laneproof_endpoint):
            pass
    """)
    result = pytester.runpytest_inprocess(*OPTIONS)
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines(["physical:echo is a physical card; name it with --laneproof-endpoint *"])


def test_two_workers_never_have_one_physical_card_at_once(pytester) -> None:
    pytester.makepyfile("""
        import time

        import pytest

        @pytest.mark.parametrize("turn", range(6))
        def test_slot(laneproof_endpoint, turn, worker_id):
            begun_s = time.monotonic()  # of the computer, the same to all of its processes
            time.sleep(0.1)
            with open(f"turn-{turn}.txt", "w") as file:
                file.write(f"{begun_s} {time.monotonic()} {worker_id}")
            assert turn < 5
    """)
    # In a process of its own: workers get the paths that their parent began with.
    result = pytester.runpytest_subprocess(*OPTIONS, "-n2", "--dist=load", "--laneproof-endpoint=physical:echo")
    result.assert_outcomes(passed=5, failed=1)
    turns = sorted(path.read_text().split() for path in pytester.path.glob("turn-*.txt"))
    assert {worker for *_, worker in turns} == {"gw0", "gw1"}
    assert [one for one, then in itertools.pairwise(turns) if float(one[1]) > float(then[0])] == []
    seeds = re.findall(r"--laneproof-seed (\d+)", str(result.stdout))
    assert len(seeds) == 2, "the header and the failure say it"
    assert len(set(seeds)) == 1, "workers go by the seed of the run"


def test_the_tests_on_one_physical_card_are_one_group_for_xdist(pytester) -> None:
    pytester.makeconftest("""
        def pytest_collection_modifyitems(items):
            for item in items:
                print(item.name, [mark.args for mark in item.iter_markers("xdist_group")])
    """)
    pytester.makepyfile("def test_slot(laneproof_uri):\n    pass\ndef test_other(laneproof_endpoint):\n    pass")
    uris = ("physical:echo?#one", "sim:demo#north")
    result = pytester.runpytest_inprocess(*OPTIONS, "--collect-only", *(f"--laneproof-endpoint={uri}" for uri in uris))
    grouped = [line for line in result.outlines if re.match(r"test_\w+\[.*\] \[", line)]
    assert sorted(grouped) == [
        "test_other[physical:echo?#one] [('physical:echo',)]",
        "test_other[sim:demo#north] []",
        "test_slot[physical:echo?#one] [('physical:echo',)]",
        "test_slot[sim:demo#north] []",
    ]
