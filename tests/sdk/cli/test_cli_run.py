"""`laneproof run` from outside: exit status, both outputs, the files it leaves."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from laneproof.campaign.ledger import read_ledger
from laneproof.integrity import crc_backend, kernels

Run = Callable[..., object]
QUICK = 'schema = 1\n[[step]]\nkind = "link"\nload = "64 KiB"\n[[step]]\nkind = "integrity"\nbytes = "{}"\n'


@pytest.fixture
def quick(tmp_path: Path) -> Path:
    path = tmp_path / "quick.toml"
    path.write_text(QUICK.format("64 KiB"))
    return path


def test_without_arguments_the_demonstration_passes_and_says_where_all_lies(process: Run, tmp_path: Path) -> None:
    done = process("run")
    assert (done.status, done.err) == (0, "")
    ledger, report = (
        next(line.split()[1] for line in done.out.splitlines() if line.startswith(f"{what}  "))
        for what in ("ledger", "report")
    )
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([ledger, report])
    assert "simulated" in done.out
    assert "of the link's ceiling" in " ".join(done.out.split())
    assert "verdict: pass  (3 endpoints, " in done.out
    bits = sum(8 * step.bytes_moved for end in read_ledger(tmp_path / ledger).endpoints for step in end.steps)
    assert f"{bits} bits came back" in done.out


STATUS = {"dead-lane": 1, "link-errors": 1, "flipping-card": 1, "drops-off": 1, "stalling-card": 1}


@pytest.mark.parametrize(("bench", "status"), [*STATUS.items(), ("lost-unseen", 3), ("empty-slot", 4)])
def test_each_faulty_bench_ends_with_its_status(laneproof: Run, bench: str, status: int) -> None:
    done = laneproof("run", "--endpoint", f"sim:{bench}#north", "--ledger", "run.ledger")
    assert done.status == status
    assert done.err == "" or bench == "empty-slot"


def test_an_error_is_also_one_line_on_standard_error(process: Run) -> None:
    done = process("run", "--endpoint", "sim:empty-slot#north")
    assert done.err.count("\n") == 1
    assert done.err.startswith("laneproof: north: sim:empty-slot#north open: slot north: no receiver is detected")


WRONG_USE = {
    "unknown slot": ["run", "--endpoint", "sim:demo#nowhere"],
    "unknown bench": ["run", "--endpoint", "sim:nobench#north"],
    "unknown scheme": ["run", "--endpoint", "nobody:x"],
    "no URI": ["run", "--endpoint", "north"],
    "missing plan": ["run", "none.toml"],
    "directory for a plan": ["run", "."],
    "ledger without a name": ["run", "--ledger", ""],
    "ledger where the report goes": ["run", "--ledger", "run.html"],
    "JSON where the ledger goes": ["run", "--ledger", "a.ledger", "--json", "a.ledger"],
    "JSON where the report goes": ["run", "--ledger", "a.ledger", "--json", "a.html"],
    "not UTF-8": ["run", "--endpoint", b"chardev:/tmp/\xff".decode(errors="surrogateescape")],
}


@pytest.mark.parametrize("arguments", WRONG_USE.values(), ids=WRONG_USE)
def test_wrong_use_is_one_line_and_status_2_and_leaves_nothing(
    laneproof: Run, tmp_path: Path, arguments: list[str]
) -> None:
    done = laneproof(*arguments)
    assert (done.status, done.out) == (2, "")
    assert done.err.startswith("laneproof: ")
    assert done.err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("device", ["/dev/no_such_device", "/tmp", "/etc/passwd", "/tmp/%00"])
def test_a_path_that_is_no_device_is_one_line_and_status_4(laneproof: Run, device: str) -> None:
    done = laneproof("run", "--endpoint", f"chardev:{device}", "--ledger", "run.ledger")
    assert done.status == 4
    assert done.err.count("\n") == 1
    assert done.err.startswith(f"laneproof: chardev:{device} open: ")


def test_an_existing_ledger_is_left_alone(laneproof: Run, quick: Path, tmp_path: Path) -> None:
    (tmp_path / "run.ledger").write_text("mine")
    done = laneproof("run", quick, "--endpoint", "sim:demo#south", "--ledger", "run.ledger")
    assert (done.status, done.out) == (4, "")
    assert done.err == "laneproof: ledger run.ledger exists; a ledger is never overwritten, name another file\n"
    assert (tmp_path / "run.ledger").read_text() == "mine"


def test_the_json_document_has_its_frozen_keys(laneproof: Run, quick: Path, tmp_path: Path) -> None:
    uri = "sim:link-errors#north"
    done = laneproof("run", quick, "--endpoint", uri, "--json", "run.json", "--ledger", "run.ledger")
    document = json.loads((tmp_path / "run.json").read_text())
    assert (document["schema"], document["verdict"], done.status) == (1, "fail", 1)
    (endpoint,) = document["endpoints"]
    assert (endpoint["uri"], endpoint["verdict"]) == (uri, "fail")
    assert [(step["kind"], step["verdict"]) for step in endpoint["steps"]] == [("link", "fail"), ("integrity", "pass")]
    assert all(reason["text"] and reason["verdict"] for step in endpoint["steps"] for reason in step["reasons"])
    assert endpoint["steps"][1]["bits_checked"] == 8 * 65536


def test_json_to_standard_output_stands_there_alone(laneproof: Run, quick: Path) -> None:
    done = laneproof("run", quick, "--endpoint", "sim:demo#south", "--json", "-")
    assert json.loads(done.out)["verdict"] == "pass"
    assert "verdict: pass" in done.err


@pytest.mark.usefixtures("invented_cards")
def test_a_driver_that_prints_does_not_spoil_the_json(laneproof: Run, quick: Path) -> None:
    done = laneproof("run", quick, "--endpoint", "physical:talkative", "--json", "-")
    assert json.loads(done.out)["endpoints"][0]["steps"][1]["verdict"] == "pass"
    assert "a driver that prints" in done.err


def test_check_says_what_would_run_and_runs_nothing(laneproof: Run, quick: Path, tmp_path: Path) -> None:
    done = laneproof("run", quick, "--endpoint", "sim:demo#south", "--check")
    assert done.status == 0
    assert "south: sim:demo#south" in done.out
    assert "integrity: at most 64 KiB each way" in done.out
    # No error in N bits at 95 %: 2.996 / N (Gehrels 1986), N = 8 × 65536: 5.714e-6, which a bound may not round down.
    assert "fewer than 5.8e-6 wrong" in done.out
    assert list(tmp_path.iterdir()) == [quick]


def test_check_finds_a_wrong_plan(laneproof: Run, tmp_path: Path) -> None:
    (tmp_path / "wrong.toml").write_text('schema = 1\n[[endpoint]]\nuri = "sim:demo#nowhere"\n')
    done = laneproof("run", "wrong.toml", "--check")
    assert (done.status, done.out) == (2, "")
    assert 'endpoint[0] sim:demo#nowhere: demo has no slot "nowhere"; use one of sim:demo#north' in done.err


def test_a_plan_that_plans_nothing_ends_with_status_3(laneproof: Run, tmp_path: Path) -> None:
    (tmp_path / "empty.toml").write_text("schema = 1\n")
    done = laneproof("run", "empty.toml")
    assert done.status == 3
    assert "verdict: none  (0 endpoints, 0 bits came back)" in done.out


def test_cautions_are_shown_for_a_physical_card_and_their_reading_put_on_record(
    laneproof: Run, quick: Path, tmp_path: Path, echo: Callable[..., str]
) -> None:
    uri = echo()
    done = laneproof("run", quick, "--endpoint", uri, "--ledger", "unread.ledger")
    assert "Never plug or unplug auxiliary power live." in " ".join(done.out.split())
    done = laneproof("run", quick, "--endpoint", uri, "--ledger", "read.ledger", "--acknowledge-cautions")
    assert "auxiliary power" not in done.out
    read = [
        read_ledger(tmp_path / name).environment["cautions_acknowledged"] for name in ("unread.ledger", "read.ledger")
    ]
    assert read == [False, True]
    assert "Before hands go near" not in laneproof("run", quick, "--endpoint", "sim:demo#south").out


def test_a_run_through_a_real_device_moves_and_verifies_64_mib(
    process: Run, tmp_path: Path, echo: Callable[..., str]
) -> None:
    """A pseudo-terminal of Linux with an echo in another process; nothing there shows a link."""
    (tmp_path / "plan.toml").write_text(QUICK.format("64 MiB"))
    done = process("run", "plan.toml", "--endpoint", echo(), "--json", "run.json")
    assert done.status == 3
    (endpoint,) = json.loads((tmp_path / "run.json").read_text())["endpoints"]
    link, integrity = endpoint["steps"]
    assert (link["verdict"], integrity["verdict"], endpoint["simulated"]) == ("inconc", "pass", False)
    assert integrity["bytes_moved"] == integrity["bytes_checked"] == integrity["bytes_expected"] == 64 << 20
    assert (integrity["mismatched_bytes"], integrity["surplus_bytes"], integrity["method"]) == (0, 0, "exact")


INTEGRITY = 'schema = 1\n[[step]]\nkind = "integrity"\nbytes = "4 MiB"\ntimeout = "{}"\n'


def test_a_corrupted_byte_is_found_at_exactly_its_position(
    laneproof: Run, tmp_path: Path, echo: Callable[..., str]
) -> None:
    (tmp_path / "plan.toml").write_text(INTEGRITY.format("60 s"))
    at = 3_141_592
    done = laneproof("run", "plan.toml", "--endpoint", echo("--mode", "corrupt", "--at", at), "--json", "run.json")
    assert done.status == 1
    (step,) = json.loads((tmp_path / "run.json").read_text())["endpoints"][0]["steps"]
    assert (step["first"], step["regions"], step["mismatched_bits"]) == (at, [[at, at + 1]], 1)
    assert f"the first at byte {at}; wrong: byte {at}" in " ".join(done.out.split())


CHECKS = (
    'schema = 1\n[[step]]\nkind = "integrity"\nbytes = "2 MiB"\ncheck = "{}"\n'
    '[[step]]\nkind = "soak"\nbytes = "1 MiB"\n[[step]]\nkind = "throughput"\nbytes = "1 MiB"\n'
    '[[step]]\nkind = "link"\n'
)


@pytest.mark.parametrize(
    ("check", "escapes", "worked", "shown"),
    [
        ("exact", 0.0, "numpy", "Checked byte by byte, by numpy."),
        (
            "digest",
            2**-32,
            crc_backend(),
            f"Checked by digest, which a wrong chunk passes with a probability of 2.3e-10, by {crc_backend()}.",
        ),
    ],
)
def test_the_result_names_the_check_that_ran_what_ran_it_and_what_may_escape(
    laneproof: Run,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    check: str,
    escapes: float,
    worked: str,
    shown: str,
) -> None:
    kernels.choose("numpy")
    try:
        (tmp_path / "plan.toml").write_text(CHECKS.format(check))
        done = laneproof(
            "run", "plan.toml", "--endpoint", "sim:demo#south", "--ledger", "run.ledger", "--json", "run.json"
        )
    finally:
        kernels.choose(None)
    assert done.status == 0
    assert f"({check} check)" in " ".join(done.out.split())
    assert ("about 2^-32" in done.out) is (check == "digest")
    document = json.loads((tmp_path / "run.json").read_text())
    assert document["plan"]["step"][0]["check"] == check
    ran = [(step["method"], step["escape_probability"], step["kernels"]) for step in document["endpoints"][0]["steps"]]
    assert ran == [(check, escapes, worked)] + 3 * [("exact", 0.0, "numpy")]
    report = " ".join((tmp_path / "run.html").read_text().split())
    assert report.count(shown) == (1 if check == "digest" else 4)


@pytest.mark.parametrize(("mode", "bytes_moved"), [("stall", 1_000_000), ("deaf", 1_000_000), ("drop", 4194304 - 9)])
def test_what_stalls_ends_within_its_deadline_with_what_had_come_back(
    laneproof: Run, tmp_path: Path, echo: Callable[..., str], mode: str, bytes_moved: int
) -> None:
    """`stall` takes everything and brings nothing back; `deaf` takes nothing either, so that the writer blocks."""
    (tmp_path / "plan.toml").write_text(INTEGRITY.format("2 s"))
    uri = echo("--mode", mode, "--at", 1_000_000, "--count", 9)
    done = laneproof("run", "plan.toml", "--endpoint", uri, "--ledger", "run.ledger")
    assert done.status == 1
    (step,) = read_ledger(tmp_path / "run.ledger").endpoints[0].steps
    assert (str(step.verdict), step.bytes_moved) == ("fail", bytes_moved)


def test_the_ledger_opens_in_plain_sql(laneproof: Run, quick: Path, tmp_path: Path) -> None:
    laneproof("run", quick, "--endpoint", "sim:demo#south", "--ledger", "run.ledger")
    database = sqlite3.connect(tmp_path / "run.ledger")
    assert database.execute("SELECT name, uri FROM endpoint").fetchall() == [("south", "sim:demo#south")]
    database.close()
