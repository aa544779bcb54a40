"""`laneproof confidence`: what `laneproof.campaign.statistics` says, in sentences and as JSON; and the guide's page."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

import laneproof as package
from laneproof.campaign import statistics

Run = Callable[..., object]
PAGE = (Path(package.__file__).parent / "guide" / "confidence.md").read_text("utf-8")


def said(done: object) -> str:
    """What a reader was told, on one line; in 80 columns and without complaint."""
    assert (done.status, done.err) == (0, "")
    assert max(map(len, done.out.splitlines())) <= 80
    return " ".join(done.out.split())


def test_an_exposure_shows_a_bound_and_what_it_supposes(laneproof: Run) -> None:
    text = said(laneproof("confidence", "--errors", 0, "--bits", "1e13"))
    assert text.startswith(
        "0 errors in 1e13 bits: at 95% confidence the error rate is below 3.0e-13 per bit. Supposed: "
    )
    assert "errors come independently of each other at a steady rate" in text
    assert said(laneproof("confidence", "--bits", "10000000000000")) == text


def test_errors_that_were_seen_bound_the_rate_from_below_too(laneproof: Run) -> None:
    text = said(laneproof("confidence", "--errors", 3, "--bits", "1e12", "--level", "90 %"))
    # Gehrels 1986, table 1: 6.681 at 90 % for 3; the two ends at 95 % are 0.818 and 7.754.
    assert "3 errors in 1e12 bits: at 90% confidence the error rate is below 6.7e-12 per bit" in text
    assert "(two-sided: 8.17e-13 to 7.76e-12)" in text


def test_bytes_count_as_eight_bits_each_and_it_says_so(laneproof: Run) -> None:
    text = said(laneproof("confidence", "--bytes", "1 TiB", "--errors", 1))
    assert text.startswith("1 error in 1 TiB, which is 8.796e12 bits: ")
    assert json.loads(laneproof("confidence", "--bytes", "1 TiB", "--json").out)["bits"] == 8 * 2**40


def test_a_rate_over_a_time_is_an_exposure(laneproof: Run) -> None:
    text = said(laneproof("confidence", "--rate", "7 GB/s", "--time", "8 h"))
    assert text.startswith("0 errors in 8 h 0 min at 7 GB/s, which is 1.613e15 bits: ")
    found = json.loads(laneproof("confidence", "--rate", "7 GB/s", "--time", "8 h", "--json").out)
    assert found["bits"] == 8 * 7 * 10**9 * 8 * 3600


def test_a_bound_says_how_long_to_run(laneproof: Run) -> None:
    text = said(laneproof("confidence", "--bound", "1e-12", "--rate", "7 GB/s"))
    assert "takes 2.996e12 bits (348.8 GiB, 53.5 s at 7 GB/s), not one of them wrong." in text
    without = said(laneproof("confidence", "--bound", "1e-12", "--errors", 2))
    assert "takes 6.296e12 bits (733.0 GiB), no more than 2 of them wrong." in without
    assert "14859 h 47 min" in said(laneproof("confidence", "--bound", "1e-18", "--rate", "7 GB/s"))


def test_what_is_needed_is_never_rounded_down(laneproof: Run) -> None:
    """-ln(0.05) / 1e-12 is 2.99573e12: 2.995e12 would not do."""
    text = said(laneproof("confidence", "--bound", "1e-12", "--rate", "7 MB/s"))
    assert "2.996e12 bits" in text
    assert "14 h 52 min at 7 MB/s" in text  # 14.860 h


def test_trials_bound_a_chance_and_a_chance_says_how_many(laneproof: Run) -> None:
    text = said(laneproof("confidence", "--trials", 300, "--bad", 0))
    assert text.startswith("0 bad of 300 trials: at 95% confidence the chance of a bad one is below 0.994%. Supposed: ")
    assert "trials are independent of each other" in text
    # Wilks 1941, from memory: 59 trials for none, 93 for one, at 95 % and 5 %.
    assert "takes 59 trials, not one of them bad." in said(laneproof("confidence", "--chance", "5 %"))
    assert "takes 93 trials, no more than 1 of them bad." in said(laneproof("confidence", "--chance", 0.05, "--bad", 1))
    # NIST/SEMATECH e-Handbook 7.2.4.1, from memory: 0.071354 and 0.401029.
    both = said(laneproof("confidence", "--trials", 20, "--bad", 4, "--level", "90%"))
    assert "(two-sided: 7.13% to 40.2%)" in both


def test_where_everything_was_bad_it_does_not_bound(laneproof: Run) -> None:
    assert "the chance of a bad one is not bounded" in said(laneproof("confidence", "--trials", 3, "--bad", 3))
    assert "the error rate is not bounded" in said(laneproof("confidence", "--bits", 1))


def test_what_would_go_unseen_is_told(laneproof: Run) -> None:
    text = said(laneproof("confidence", "--bits", "1e12", "--unseen", "1e-12"))
    assert "A true error rate of 1e-12 per bit shows no error in such a run with a chance of 36.8%." in text  # 1/e
    text = said(laneproof("confidence", "--trials", 300, "--bad", 2, "--unseen", "2 %"))
    assert "A true chance of 2% shows no more than 2 bad ones in such a run with a chance of 6.02%." in text


@pytest.mark.parametrize("errors", [0, 4])
def test_json_carries_every_number_in_full(laneproof: Run, errors: int) -> None:
    options = ["--errors", errors, "--bits", "1e12", "--bound", "1e-13", "--rate", "2 GB/s", "--unseen", "1e-11"]
    done = laneproof("confidence", *options, "--level", "99 %", "--json")
    assert (done.status, done.err) == (0, "")
    found = json.loads(done.out)
    assert found.pop("supposed").startswith("every one of these bits is verified")
    interval = statistics.error_rate_interval(errors, 10**12, 0.99)
    assert found == {
        "level": 0.99,
        "errors": errors,
        "bits": 10**12,
        "shown": {
            "upper_bound_per_bit": statistics.error_rate_bound(errors, 10**12, 0.99),
            "interval_per_bit": [interval.lower, interval.upper],
        },
        "needed": {
            "bound_per_bit": 1e-13,
            "bits": statistics.exposure_needed(1e-13, errors, 0.99),
            "seconds": statistics.seconds_needed(1e-13, 2e9, errors, 0.99),
        },
        "unseen": {"rate_per_bit": 1e-11, "chance": statistics.chance_unseen(1e-11, 10**12, errors)},
    }


def test_json_of_trials_carries_every_number_in_full(laneproof: Run) -> None:
    options = ["--trials", 40, "--bad", 1, "--chance", "2 %", "--unseen", "10 %", "--json"]
    found = json.loads(laneproof("confidence", *options).out)
    assert found.pop("supposed").startswith("trials are independent")
    interval = statistics.chance_interval(1, 40)
    assert found == {
        "level": 0.95,
        "bad": 1,
        "trials": 40,
        "shown": {"upper_bound": statistics.chance_bound(1, 40), "interval": [interval.lower, interval.upper]},
        "needed": {"chance": 0.02, "trials": statistics.trials_needed(0.02, 1)},
        "unseen": {"true_chance": 0.1, "chance": statistics.chance_unseen_in_trials(0.1, 40, 1)},
    }


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        ([], "nothing to compute: give --bits, --bytes, or --rate with --time; or --bound; or --trials"),
        (["--errors", "3"], "nothing to compute"),
        (["--rate", "7 GB/s"], "nothing to compute"),
        (["--unseen", "1e-12"], "nothing to compute"),
        (["--bits", "1e13", "--trials", "300"], "--bits is of bits and --trials of trials; ask for one at a time"),
        (["--bits", "1e13", "--bytes", "1 TiB"], "--bits and --bytes each say how much; give one of them"),
        (["--bits", "", "--time", "1 h"], "--bits and --time each say how much; give one of them"),
        (["--time", "8 h"], "--time alone is no exposure: give --rate as well"),
        (["--bound", "1e-12", "--unseen", "1e-12"], "--unseen asks what an exposure misses: give --bits"),
        (["--chance", "1 %", "--unseen", "1 %"], "--unseen asks what a run misses: give --trials"),
        (["--bad", "0"], "--bad says how many of how many: give --trials, or --chance to stay below"),
        (["--bits", "many"], '--bits: "many" is no whole number from 0 up; write for example 300 or 1e13'),
        (["--bits", "1.5"], '--bits: "1.5" is no whole number'),
        (["--bits", "1e-3"], '--bits: "1e-3" is no whole number'),
        (["--bits", "9" * 5000], "is no whole number"),
        (["--bits", "0"], "bits: give a number above 0"),
        (["--bits", "8", "--errors", "9"], "there cannot be more wrong bits than bits"),
        (["--bits", "1e13", "--errors", "1e16"], "errors: give a whole number from 0 to 1e+15"),
        (["--bits", "1e13", "--errors", "-1"], '--errors: "-1" is no whole number'),
        (["--bytes", "1e13"], '"1e13" is not a quantity in B, '),
        (["--bytes", "0 B"], "bits: give a number above 0"),
        (["--rate", "7", "--time", "8 h"], '"7" is not a quantity in B/s, '),
        (["--rate", "0 GB/s", "--bound", "1e-12"], "bytes per second: give a number above 0"),
        (["--rate", "1 B/s", "--time", "0 s"], "bits: give a number above 0"),
        (["--rate", "7 GB/s", "--time", "8 days"], '"8 days" is not a quantity in '),
        (["--rate", "1e290 GB/s", "--time", "1e200 h"], "bits: give a number above 0 and up to"),
        (["--bytes", "1e308 B"], "bits: give a number above 0 and up to"),
        (["--bound", "1e-90", "--rate", "1e-290 B/s"], "seconds needed at this rate: give a number above 0 and up to"),
        (["--bound", "1"], '--bound: "1" is no share between 0 and 1; write for example 1e-12 or "1 %"'),
        (["--bound", "1e-400"], '--bound: "1e-400" is no share between 0 and 1'),
        (["--bound", "nan"], '--bound: "nan" is no share between 0 and 1'),
        (["--bound", "1e-300"], "bits needed for this bound: give a number above 0 and up to 1e+100"),
        (["--trials", "0"], "trials: give a whole number from 1"),
        (["--trials", "3", "--bad", "4"], "4 bad of 3 trials: there cannot be more bad ones than there were"),
        (["--chance", "1e-16"], "needs more than 1e+15 trials"),
        (["--bits", "1e13", "--level", "95"], '--level: "95" is no share between 0 and 1'),
        (["--bits", "1e13", "--level", "100 %"], '--level: "100 %" is no share between 0 and 1'),
    ],
)
def test_what_cannot_be_asked_is_one_line_and_status_2(laneproof: Run, arguments: list[str], complaint: str) -> None:
    for form in ([], ["--json"]):
        done = laneproof("confidence", *arguments, *form)
        assert (done.status, done.out) == (2, "")
        assert done.err.startswith("laneproof: ")
        assert complaint in done.err
        assert done.err.count("\n") == 1


def test_the_page_shows_what_is_printed(laneproof: Run) -> None:
    examples = re.findall(r"^\$ laneproof (.*)\n((?:(?!\$ |```).*\n)*)", PAGE, re.MULTILINE)
    assert len(examples) >= 6
    for command, printed in examples:
        done = laneproof(*(part.strip("'\"") for part in re.findall(r"'[^']*'|\"[^\"]*\"|\S+", command)))
        assert (done.status, done.out) == (0, printed), command


def test_the_code_on_the_page_runs_and_prints_what_it_says(capsys: pytest.CaptureFixture[str]) -> None:
    names: dict[str, object] = {}
    for block in re.findall(r"^```python\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL):
        exec(block, names)
        said_beside = re.findall(r"# prints (.*)$", block, re.MULTILINE)
        assert said_beside
        assert capsys.readouterr().out.splitlines() == said_beside


def test_the_page_fits_a_terminal() -> None:
    assert [line for line in PAGE.splitlines() if len(line) > 80] == []
