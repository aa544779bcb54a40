"""The truth file: what it holds, that it is true, that nobody but the URI can ask for it, and what goes wrong."""

from __future__ import annotations

import json
import os

import numpy as np
import pytest

import laneproof
from laneproof.documents import parse_toml
from laneproof.errors import BadInput, CannotOpen, DeviceLost, StorageFault
from laneproof_sim import truth
from laneproof_sim.scenario_file import read_scenario

SIZE = 64 * 1024
SCENARIO = """\
schema = 1
name = "mine"
invented = "invented for a test"
description = "One slot."
[[slot]]
name = "north"
wiring = 8
near = { max_speed = "8 GT/s", max_width = 8 }
card = { max_speed = "8 GT/s", max_width = 8, model = "echo card", serial = "invented" }
"""


@pytest.fixture
def uri(tmp_path):
    def one(fault: str, where: object = tmp_path / "truth", seed: int = 3) -> str:
        (tmp_path / "mine.toml").write_text(f"{SCENARIO}[[slot.fault]]\n{fault}\n", "utf-8")
        return f"sim:{tmp_path}/mine.toml?seed={seed}&truth={where}#north"

    return one


def echoed(card) -> np.ndarray:
    """The places at which a message came back wrong."""
    right, back = np.random.default_rng(5).integers(0, 256, SIZE, np.uint8), np.zeros(SIZE, np.uint8)
    card.loopback(right, back)
    return np.flatnonzero(right != back)


def read(path) -> list[dict]:
    return [json.loads(line) for line in (path / "truth").read_text("utf-8").splitlines()]


@pytest.mark.parametrize("fault", ['kind = "lost-pages"\ncount = 3', 'kind = "bit-flips"\nprobability = 1e-4'])
def test_what_the_truth_says_is_what_the_data_show(uri, tmp_path, fault):
    with laneproof.open(uri(fault)) as card:
        wrong = [echoed(card) for _ in range(3)]
    first, *events = read(tmp_path)
    assert first == {"bench": "mine", "slot": "north", "seed": 3}
    assert [event["message"] for event in events] == [1, 2, 3]
    assert {event["kind"] for event in events} == {fault.split('"')[1]}
    assert [event["time_s"] for event in events] == sorted(event["time_s"] for event in events)
    for event, places in zip(events, wrong, strict=True):
        assert event["changed"] == len(places)
        told = [place for start, stop in event["places"] for place in range(start, stop)]
        assert told == places[: len(told)].tolist()
        assert len(event["places"]) == truth.MAX_PLACES or len(told) == len(places)


def test_a_fault_that_changes_nothing_is_no_event(uri, tmp_path):
    with laneproof.open(uri('kind = "lost-pages"\nwhen = { every = 3 }')) as card:
        for _ in range(4):
            echoed(card)
    assert [event["message"] for event in read(tmp_path)[1:]] == [3]


def test_a_shorter_length_is_told(uri, tmp_path):
    with laneproof.open(uri('kind = "second-short"')) as card:
        card.check("prbs31", 3 * SIZE, block=SIZE, depth=1)
    (event,) = read(tmp_path)[1:]
    assert (event["message"], event["received"], event["changed"]) == (2, SIZE - 64, 0)


@pytest.mark.parametrize(
    ("fault", "error"),
    [
        ('kind = "drop-off"\nafter = "32 KiB"', DeviceLost),
        ('kind = "stall"\nafter = "32 KiB"', laneproof.TransferTimeout),
    ],
)
def test_a_card_that_stops_is_told(uri, tmp_path, fault, error):
    with laneproof.open(uri(fault)) as card, pytest.raises(error):
        echoed(card)
    (event,) = read(tmp_path)[1:]
    assert (event["message"], event["after"]) == (1, 32 * 1024)


def test_a_card_that_is_not_there_is_told(uri, tmp_path):
    with pytest.raises(CannotOpen):
        laneproof.open(uri('kind = "absent"'))
    assert [event["kind"] for event in read(tmp_path)[1:]] == ["absent"]


def test_opening_again_adds_to_the_file(uri, tmp_path):
    for _ in range(2):
        with laneproof.open(uri('kind = "never-written"')) as card:
            echoed(card)
    assert [("bench" in line, line.get("message")) for line in read(tmp_path)] == [(True, None), (False, 1)] * 2


def test_the_truth_changes_nothing_that_a_tester_sees(uri, tmp_path):
    fault = 'kind = "stale-lines"\nprobability = 0.1\n[[slot.fault]]\nkind = "bit-flips"\nprobability = 1e-4'
    seen = []
    for where in ("", tmp_path / "truth"):
        with laneproof.open(uri(fault, where)) as card:
            seen.append(
                ([echoed(card).tolist() for _ in range(3)], card.clock.now_s(), card.identity, card.read_link())
            )
    assert seen[0] == seen[1]


def test_the_file_is_bounded_and_says_that_it_was_cut(uri, tmp_path, monkeypatch):
    monkeypatch.setattr(truth, "MAX_LINES", 5)
    with laneproof.open(uri('kind = "never-written"')) as card:
        for _ in range(10):
            echoed(card)
    lines = read(tmp_path)
    assert len(lines) == 6
    assert lines[-1] == {"cut": "more than 5 lines"}


@pytest.mark.parametrize("fault", ["bit-flips", "drop-off", "never-written"])
@pytest.mark.parametrize("key", ["truth", "path", "file"])
def test_a_scenario_cannot_ask_for_it(fault, key, tmp_path):
    for text in (
        f'{key} = "{tmp_path}/x"\n{SCENARIO}',
        f'{SCENARIO}{key} = "{tmp_path}/x"\n',
        f'{SCENARIO}[[slot.fault]]\nkind = "{fault}"\n{key} = "{tmp_path}/x"\n',
        f'{SCENARIO}[[slot.fault]]\nkind = "{fault}"\nwhen = {{ {key} = "{tmp_path}/x" }}\n',
    ):
        with pytest.raises(BadInput, match=f'unknown key "{key}"'):
            read_scenario(parse_toml(text.encode(), "mine.toml"), "mine.toml")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("where", "problem"),
    [("", "Is a directory"), ("none/truth", "No such file"), ("pipe", "No such device"), ("null", "no ordinary file")],
)
def test_a_file_that_cannot_be_written_is_refused_in_one_line(uri, tmp_path, where, problem):
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "null").symlink_to("/dev/null")
    with pytest.raises(BadInput, match=problem) as caught:
        laneproof.open(uri('kind = "never-written"', tmp_path / where))
    assert f"truth {tmp_path / where}" in str(caught.value)
    assert str(caught.value).isprintable()


def test_a_disk_that_fills_up_is_one_clear_line(uri, monkeypatch):
    card = laneproof.open(uri('kind = "never-written"'))

    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "write", full)
        with pytest.raises(StorageFault, match="No space left on device; what the faults did is not all on record"):
            echoed(card)
    card.close()
