"""`laneproof ceiling`: what `laneproof.pcie.ceiling` says, as a table and as JSON."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest

from laneproof import pcie

Run = Callable[..., object]


def test_the_ceiling_is_the_one_that_the_package_computes(laneproof: Run) -> None:
    done = laneproof("ceiling", 16, "x8", "--json")
    assert (done.status, done.err) == (0, "")
    said = json.loads(done.out)
    asked = said.pop("asked")
    assert said == pcie.ceiling(16.0, 8, 256, direction="both", read_request=512).to_dict()
    assert (asked["speed_gtps"], asked["width"], asked["max_payload"], asked["flit"]) == (16.0, 8, 256, False)


def test_every_option_reaches_the_computation(laneproof: Run) -> None:
    options = ["--direction", "to-card", "--payload", "512", "--read-request", "1 KiB", "--boundary", "128 B"]
    options += ["--header", "3dw", "--ecrc", "--flit", "--sris", "--tags", "32", "--round-trip", "1.5 us"]
    said = json.loads(laneproof("ceiling", "32 GT/s", "16", *options, "--json").out)
    assert said.pop("asked") == {
        "speed_gtps": 32.0,
        "width": 16,
        "max_payload": 512,
        "direction": "to_card",
        "flit": True,
        "header": "3dw",
        "ecrc": True,
        "read_request": 1024,
        "completion_boundary": 128,
        "sris": True,
        "tags": 32,
        "round_trip_s": 1.5e-6,
    }
    expected = pcie.ceiling(
        32.0, 16, 512, direction="to_card", flit=True, header="3dw", ecrc=True, read_request=1024,
        completion_boundary=128, sris=True, tags=32, round_trip_s=1.5e-6,
    )  # fmt: skip
    assert said == expected.to_dict()


def test_flit_mode_is_told_where_it_follows_from_the_speed(laneproof: Run) -> None:
    assert json.loads(laneproof("ceiling", 64, "x4", "--json").out)["asked"]["flit"] is True
    assert "FLIT mode" in laneproof("ceiling", 64, "x4").out
    assert "FLIT mode" not in laneproof("ceiling", 32, "x4").out


def test_a_reader_sees_each_term_with_what_it_leaves_in_80_columns(laneproof: Run) -> None:
    done = laneproof("ceiling", 8, "x8", "--direction", "to-card")
    assert (done.status, done.err) == (0, "")
    assert max(map(len, done.out.splitlines())) <= 80
    rows = {line.split("  ")[0].removesuffix(" *"): line for line in done.out.splitlines()}
    seen = pcie.ceiling(8.0, 8, 256, direction="to_card")
    assert [term.name for term in seen.terms if term.name not in rows] == []
    # TrueNAS documentation, "Interconnect Maximum Effective Data Rates": 7877 MB/s.
    assert rows["line code"].split()[2:5] == ["98.46%", "7.88", "GB/s"]
    assert rows["header"].split()[1:4] == ["95.52%", "7.22", "GB/s"]
    assert "\nceiling  7.22 GB/s of payload, limited by the link\n" in done.out


def test_assumptions_are_marked(laneproof: Run) -> None:
    out = laneproof("ceiling", 8, "x8").out
    assert "\nacknowledgement *  " in out
    assert "\n* an assumption, or from memory\n" in out
    alone = laneproof("ceiling", 8, "x8", "--direction", "from-card").out
    assert " *" not in alone
    assert "an assumption" not in alone


def test_tags_are_said_to_limit_or_not_to_be_counted(laneproof: Run) -> None:
    assert "too few tags" in " ".join(laneproof("ceiling", 8, "x8").out.split())
    few = laneproof("ceiling", 8, "x8", "--tags", 8, "--round-trip", "1 us").out
    assert "reads    4.1 GB/s: 8 read requests of 512 bytes in each round trip" in few
    assert "ceiling  4.1 GB/s of payload, limited by the tags" in few
    assert "too few tags" not in " ".join(few.split())


def test_completions_cut_at_the_boundary_are_told_where_they_cost(laneproof: Run) -> None:
    out = laneproof("ceiling", 8, "x8", "--direction", "to-card").out
    assert "if the host cuts completions at its boundary of 64 B" in " ".join(out.split())
    assert "cuts completions" not in laneproof("ceiling", 8, "x8", "--direction", "from-card").out


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (["17", "x8"], "17.0 GT/s is no link speed; use one of 2.5, 5, 8, 16, 32, 64"),
        (["fast", "x8"], '"fast" is no link speed; write for example "16" or "16 GT/s"'),
        (["16 GB/s", "x8"], '"16 GB/s" is no link speed'),
        (["nan", "x8"], '"nan" is no link speed'),
        (["16", "x3"], "x3 is no link width; use one of x1, x2, x4, x8, x12, x16, x32"),
        (["16", "wide"], '"wide" is no link width; write for example x8'),
        (["16", "9" * 30], "is no link width"),
        (["16", "x8", "--payload", "300"], "300 bytes is no payload size; use one of 128, 256, 512, 1024, 2048, 4096"),
        (["16", "x8", "--payload", "big"], '--payload: "big" is not a quantity in B, '),
        (["16", "x8", "--read-request", "64 B"], "64 bytes is no read request size"),
        (["16", "x8", "--boundary", "32"], "32 bytes is no read completion boundary; use 64 or 128"),
        (["16", "x8", "--tags", "32"], "give both tags and round trip, or neither"),
        (["16", "x8", "--tags", "many", "--round-trip", "1 us"], '"many" is no number of tags; write for example 32'),
        (["16", "x8", "--tags", "0", "--round-trip", "1 us"], "0 is no number of tags"),
        (["16", "x8", "--tags", "32", "--round-trip", "0 s"], "0 s is no round trip"),
        (["16", "x8", "--tags", "32", "--round-trip", "1"], '"1" is not a quantity in us, '),
        (["64", "x8", "--no-flit"], "64 GT/s runs in FLIT mode only"),
    ],
)
def test_what_no_link_has_is_one_line_and_status_2(laneproof: Run, arguments: list[str], complaint: str) -> None:
    for form in ([], ["--json"]):
        done = laneproof("ceiling", *arguments, *form)
        assert (done.status, done.out) == (2, "")
        assert done.err.startswith("laneproof: ")
        assert complaint in done.err
        assert done.err.count("\n") == 1


@pytest.mark.parametrize("arguments", [["16"], ["16", "x8", "--direction", "up"], ["16", "x8", "--header", "5dw"]])
def test_what_is_no_choice_is_wrong_use(laneproof: Run, arguments: list[str]) -> None:
    done = laneproof("ceiling", *arguments)
    assert (done.status, done.out) == (2, "")
    assert done.err.startswith("usage: laneproof ceiling")
