"""The state of a run as Prometheus reads it, parsed by the reference library of its text format."""

from __future__ import annotations

import re
import socket
import threading
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from laneproof.campaign.events import Progress, StepStarted
from laneproof.campaign.verdict import Verdict
from laneproof.cli.live.metrics import exposition, serving
from laneproof.cli.live.state import EndErrors, SlotState

Run = Callable[..., object]
UNDER_WAY = SlotState(
    name="north",
    steps=3,
    phase="step",
    step=2,
    kind="soak",
    total=400,
    points=((1.0, 100), (2.0, 300)),
    moved={0: 50, 2: 300},
    at_open=(EndErrors(), EndErrors(counts=(3, 2, 1), known=True)),
    verdict=Verdict.PASS,
)
WAITING = SlotState(name="south", steps=3)


def samples(text: str) -> dict[tuple[str, frozenset[tuple[str, str]]], float]:
    return {
        (sample.name, frozenset(sample.labels.items())): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def of(text: str, name: str, **labels: str) -> float | None:
    return samples(text).get((name, frozenset(labels.items())))


def test_the_reference_parser_reads_every_sample_with_its_type_and_meaning() -> None:
    text = exposition((UNDER_WAY, WAITING))
    families = list(text_string_to_metric_families(text))
    assert {family.type for family in families} == {"counter", "gauge"}
    assert all(family.documentation for family in families)
    for family in families:
        counted = family.type == "counter"
        assert all(sample.name == family.name + ("_total" if counted else "") for sample in family.samples)


def test_the_values_are_those_of_the_state() -> None:
    text = exposition((UNDER_WAY, WAITING))
    assert of(text, "laneproof_bits_total", slot="north") == 8 * 350
    assert of(text, "laneproof_rate_bytes_per_second", slot="north") == 200
    assert of(text, "laneproof_step_done_ratio", slot="north") == 0.75
    assert of(text, "laneproof_step_left_seconds", slot="north") == 0.5
    assert of(text, "laneproof_step_info", slot="north", step="3", kind="soak") == 1
    found = {
        severity: of(text, "laneproof_errors_total", slot="north", end="far", severity=severity)
        for severity in ("correctable", "nonfatal", "fatal")
    }
    assert found == {"correctable": 3, "nonfatal": 2, "fatal": 1}
    assert of(text, "laneproof_errors_exact", slot="north", end="far") == 0
    verdicts = {name: of(text, "laneproof_verdict", slot="north", verdict=name) for name in map(str, Verdict)}
    assert verdicts == {"none": 0, "pass": 1, "inconc": 0, "fail": 0, "error": 0}


def test_what_is_not_known_has_no_sample() -> None:
    text = exposition((UNDER_WAY, WAITING))
    assert of(text, "laneproof_errors_total", slot="north", end="near", severity="fatal") is None
    for name in ("laneproof_rate_bytes_per_second", "laneproof_step_left_seconds", "laneproof_step_done_ratio"):
        assert of(text, name, slot="south") is None
    assert of(text, "laneproof_verdict", slot="south", verdict="none") is None
    assert of(text, "laneproof_bits_total", slot="south") == 0


@pytest.mark.parametrize(
    "name", ['quo"te', "back\\slash", "new\nline", 'all"\\\n"', "\\n", "日本", "\x1b[2J", "\r", ""]
)
def test_any_name_comes_back_as_it_is(name: str) -> None:
    text = exposition((SlotState(name=name, steps=1),))
    assert of(text, "laneproof_bits_total", slot=name) == 0


def test_a_name_that_is_no_text_does_no_harm() -> None:
    assert of(exposition((SlotState(name="\udcff", steps=1),)), "laneproof_bits_total", slot="?") == 0


def test_counters_never_fall_within_a_run() -> None:
    state, seen = SlotState(name="a", steps=2), []
    events = [StepStarted("a", 0, "link"), Progress("a", 0, 9, 9, 1.0), StepStarted("a", 1, "soak")]
    for event in [*events, Progress("a", 1, 4, 9, 2.0)]:
        state = state.after(event)
        seen.append(of(exposition((state,)), "laneproof_bits_total", slot="a"))
    assert seen == [0, 72, 72, 104]


@pytest.fixture
def port() -> Iterator[int]:
    with serving(0, lambda: (UNDER_WAY, WAITING)) as port:
        yield port


def test_the_metrics_are_served_as_the_format_asks(port: int) -> None:
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=10) as answer:
        assert answer.headers["Content-Type"] == "text/plain; version=0.0.4; charset=utf-8"
        assert of(answer.read().decode(), "laneproof_bits_total", slot="north") == 2800


def test_other_paths_are_not_found_and_name_the_right_one(port: int) -> None:
    with pytest.raises(urllib.error.HTTPError, match="404: the metrics are at /metrics"):
        urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=10)


def test_no_other_address_of_this_computer_answers(port: int) -> None:
    """127.0.0.2 is as local on Linux, and all addresses but the one that was bound refuse."""
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.2", port), timeout=10)


def test_whoever_says_nothing_or_nonsense_holds_nobody_up(port: int, capfd: pytest.CaptureFixture[str]) -> None:
    with (
        socket.create_connection(("127.0.0.1", port)) as silent,
        socket.create_connection(("127.0.0.1", port)) as other,
    ):
        other.sendall(b"\x00\xff nonsense\r\n\r\n")
        other.close()
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=10) as answer:
            assert answer.status == 200
        silent.close()
    assert capfd.readouterr() == ("", "")


def test_when_the_run_is_over_nothing_listens_and_no_thread_is_left() -> None:
    with serving(0, lambda: ()) as port:
        socket.create_connection(("127.0.0.1", port), timeout=10).close()
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port), timeout=10)
    assert "laneproof-metrics" not in [thread.name for thread in threading.enumerate()]


def test_a_port_that_is_taken_is_one_line_and_nothing_is_run(laneproof: Run, port: int, tmp_path: Path) -> None:
    done = laneproof("run", "--endpoint", "sim:demo#south", "--metrics", port, "--ledger", "run.ledger")
    assert done.status == 2
    assert (
        done.err
        == f"laneproof: --metrics {port}: Address already in use; name another port, or 0 for any that is free\n"
    )
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("number", ["-1", "65536", "99999999999999999999"])
def test_a_number_that_is_no_port_is_one_line(laneproof: Run, tmp_path: Path, number: str) -> None:
    done = laneproof("run", "--endpoint", "sim:demo#south", "--metrics", number)
    assert (done.status, done.err.count("\n")) == (2, 1)
    assert list(tmp_path.iterdir()) == []


def test_the_guide_names_every_metric() -> None:
    import laneproof

    page = (Path(laneproof.__file__).parent / "guide" / "running.md").read_text("utf-8")
    names = {name for name, _ in samples(exposition((UNDER_WAY,)))}
    assert set(re.findall(r"`(laneproof_\w+)", page)) == names
