"""Scenario files: what ships, and how each thing that is wrong is refused, in one line that names file and key."""

from __future__ import annotations

import os

import pytest

from laneproof.documents import parse_toml
from laneproof.errors import BadInput
from laneproof_sim.scenario_file import load, read_scenario, shipped

GOOD = """
schema = 1
name = "mine"
invented = "invented"
description = "One slot."
[[slot]]
name = "north"
wiring = 4
near = { max_speed = "8 GT/s", max_width = 4 }
[slot.card]
max_speed = "5 GT/s"
max_width = 4
model = "echo card"
serial = "invented"
fifo = "64 KiB"
"""


def refusal(text: str | bytes) -> str:
    with pytest.raises(BadInput) as caught:
        read_scenario(parse_toml(text.encode() if isinstance(text, str) else text, "mine.toml"), "mine.toml")
    return str(caught.value)


def test_a_scenario_is_read_with_its_units():
    (slot,) = read_scenario(parse_toml(GOOD.encode(), "mine.toml"), "mine.toml").slots
    assert (slot.near.max_speed, slot.card.max_speed, slot.card.fifo, slot.wiring) == (8.0, 5.0, 65536, 4)


@pytest.mark.parametrize(
    ("good", "bad", "expected"),
    [
        ("max_width = 4 }", "max_width = 3 }", "slot[0].near.max_width: 3 is no link width; use one of 1, 2, 4, 8, 16"),
        (
            "max_width = 4 }",
            "max_width = 12 }",
            "slot[0].near.max_width: 12 is a legacy link width that newer links lack, and not modelled; use 1, 2, 4, 8",
        ),
        ("wiring = 4", "wiring = 32", "slot[0].wiring: 32 is a legacy link width"),
        ("max_width = 4 }", "max_width = true }", "slot[0].near.max_width: True is not a whole number"),
        ("wiring = 4", "wireing = 4", 'slot[0]: unknown key "wireing"; known here: name, wiring'),
        ("wiring = 4", "", "slot[0].wiring: is missing; add it"),
        ("fifo =", "depth =", 'slot[0].card: unknown key "depth"'),
        ('"64 KiB"', '"64 kbit"', 'slot[0].card.fifo: "64 kbit" is not a quantity'),
        ('"64 KiB"', "65536", "slot[0].card.fifo: 65536 has no unit"),
        ('"64 KiB"', '"0 B"', "slot[0].card.fifo: "),
        ('"8 GT/s"', '"12 GT/s"', 'slot[0].near.max_speed: "12 GT/s" is no link speed; use one of 2.5, 5, 8, 16, 32'),
        ('"8 GT/s"', '"64 GT/s"', "slot[0].near.max_speed: 64 GT/s and FLIT mode are not modelled yet"),
        ('"5 GT/s"', '"64 GT/s"', "slot[0].card.max_speed: 64 GT/s and FLIT mode are not modelled yet; use at most"),
        (
            "wiring = 4",
            'wiring = 4\ntemperature = [{ at = "1 s", card = "30 °C" }, { at = "1 s", card = "40 °C" }]',
            "slot[0].temperature[1].at: is not after the point before it",
        ),
        (
            "wiring = 4",
            'wiring = 4\ntemperature = [{ at = "1 s", card = "300 °C" }]',
            'slot[0].temperature[0].card: "300 °C" is out of range; use -55 to 150 °C',
        ),
        ('"8 GT/s"', '"8\\nGT/s"', "slot[0].near.max_speed: this text is too long or holds control characters"),
        ('"north"', '"No rth"', 'slot[0].name: "No rth" cannot name a slot'),
        ("schema = 1", "schema = 2", "schema: 2 is not known; begin with schema = 1"),
        ("[[slot]]", "[slot]", "slot: {"),
        ("wiring = 4", "wiring = 4\ndead_lanes = [4]", "slot[0].dead_lanes: lane 4 is not wired; use 0 to 3"),
        ("wiring = 4", "wiring = 4\ndead_lanes = 3", "slot[0].dead_lanes: 3 is not a list"),
        ("wiring = 4", "wiring = 4\nno_receiver = [4]", "slot[0].no_receiver: lane 4 is not wired; use 0 to 3"),
        (
            "wiring = 4",
            "wiring = 4\ndead_lanes = [1]\nno_receiver = [1]",
            "slot[0].no_receiver: lane 1 stands in dead_lanes too",
        ),
        ("wiring = 4", 'wiring = 4\nmarginal_lanes = { 4 = "5 GT/s" }', "slot[0].marginal_lanes: lane 4 is not wired"),
        ("wiring = 4", 'wiring = 4\nmarginal_lanes = { x = "5 GT/s" }', 'slot[0].marginal_lanes: "x" is no lane'),
        ("wiring = 4", "wiring = 4\nmarginal_lanes = [3]", "slot[0].marginal_lanes: [3] is not a table"),
        ("max_width = 4 }", "max_width = 4, widths = [8] }", "slot[0].near.widths: x8 is wider than max_width"),
        ("max_width = 4 }", "max_width = 4, widths = [3] }", "slot[0].near.widths[0]: 3 is no link width"),
        ("wiring = 4", 'wiring = 4\nidle_speed = "8 GT/s"', "slot[0].idle_speed: is above what both partners can do"),
        ("wiring = 4", 'wiring = 4\nidle_after = "1 us"', "slot[0].idle_after: a link counts as idle from 1 ms on"),
        ("wiring = 4", "wiring = 4\nobservable = 0", "slot[0].observable: 0 is neither true nor false"),
        ("wiring = 4", 'wiring = 4\nerrors_owned_by = "me"', 'slot[0].errors_owned_by: "me" is not one of'),
    ],
)
def test_a_wrong_value_is_refused_by_file_and_key(good, bad, expected):
    assert GOOD.count(good) == 1
    message = refusal(GOOD.replace(good, bad))
    assert message.startswith(f"mine.toml: {expected}")
    assert message.isprintable()


@pytest.mark.parametrize(
    ("extra", "expected"),
    [
        ("[slot.bit_error_rate]\nto_card = { 17 = 1e-6 }", 'slot[0].bit_error_rate.to_card: "17" is no lane'),
        ("[slot.bit_error_rate]\nto_card = { 5 = 1e-6 }", "slot[0].bit_error_rate.to_card: lane 5 is not wired"),
        ("[slot.bit_error_rate]\nfrom_card = nan", "slot[0].bit_error_rate.from_card: nan is no bit error rate"),
        ("[slot.bit_error_rate]\nfrom_card = -1e-9", "slot[0].bit_error_rate.from_card: -1e-09 is no bit error rate"),
        ("[slot.bit_error_rate]\nfrom_card = 1" + 400 * "0", "slot[0].bit_error_rate.from_card: 1000"),
        ('[[slot.fault]]\nkind = "gremlin"', 'slot[0].fault[0]: kind is "gremlin"; use one of bit-flips'),
        ('[[slot.fault]]\nkind = "stall"', "slot[0].fault[0].after: is missing"),
        (
            '[[slot.fault]]\nkind = "stall"\nafter = "1 MiB"\nx = 1',
            'slot[0].fault[0]: unknown key "x"; known here: kind, when, after, until',
        ),
        ('[[slot.fault]]\nkind = "bit-flips"\nprobability = 2', "slot[0].fault[0].probability: 2 is no probability"),
        (
            '[[slot.fault]]\nkind = "stuck-bit"\nword = 8\nbyte = 8\nbit = 0\nlevel = 1',
            "slot[0].fault[0].byte: 8 is not in a word of 8 bytes; use 0 to 7",
        ),
        (
            '[[slot.fault]]\nkind = "shifted"\nby = "65 B"',
            'slot[0].fault[0].by: "65 B" is too far; use 1 to 64 B',
        ),
        (
            '[[slot.fault]]\nkind = "byte-lane"\nwidth = 8\nlane = 8',
            "slot[0].fault[0]: lane 8 is not on a bus of 8 B; use 0 to 7",
        ),
        (
            '[[slot.fault]]\nkind = "never-written"\nwhen = {}',
            "slot[0].fault[0].when: holds no condition; give one, or leave when out",
        ),
        (
            '[[slot.fault]]\nkind = "never-written"\nwhen = { size_from = "64 B", size_below = "8 B" }',
            "slot[0].fault[0].when: no size is from size_from on and below size_below",
        ),
        (
            '[[slot.fault]]\nkind = "never-written"\nwhen = { temperature_above = "70 °C" }',
            "slot[0].fault[0].when.temperature_above: the slot says nothing of its temperature",
        ),
        (
            '[[slot.fault]]\nkind = "failing-lane"\nlane = 4\nwhen = { at = "1 s" }',
            "slot[0].fault[0].lane: lane 4 is not wired; use 0 to 3",
        ),
        (
            '[[slot.fault]]\nkind = "failing-lane"\nlane = 3',
            "slot[0].fault[0]: when says from when on the lane fails, and nothing else: give after, at",
        ),
        (
            '[[slot.fault]]\nkind = "failing-speed"\nlane = 3\nholds = "64 GT/s"\nwhen = { at = "1 s" }',
            "slot[0].fault[0].holds: 64 GT/s and FLIT mode are not modelled yet",
        ),
        (
            '[[slot.fault]]\nkind = "drop-off"\nafter = "1 MiB"\nuntil = "data reset"',
            'slot[0].fault[0].until: "data reset" is not one of never, link reset',
        ),
        (
            '[[slot.fault]]\nkind = "absent"\nwhen = { every = 2 }',
            'slot[0].fault[0]: unknown key "when"; known here: kind',
        ),
    ],
)
def test_a_wrong_table_is_refused_by_file_and_key(extra, expected):
    assert refusal(GOOD + extra).startswith(f"mine.toml: {expected}")


def test_two_slots_of_one_name_are_refused():
    _, _, slot = GOOD.partition("[[slot]]")
    assert "slot[1].name" in refusal(f"{GOOD}\n[[slot]]{slot}")


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"schema = = 1", "line 1, column 10"),
        (b"schema = 1\nname\nx = 1", "line 2, column 5"),
        (b"\x7fELF\x02\x01\xff\xfe", "not text in UTF-8"),
        (b"a = " + b"[" * 5000, "not valid TOML"),
        (b"a = " + b"9" * 5000, "not valid TOML"),
        (b"", "schema: None is not known; begin with schema = 1"),
    ],
)
def test_what_is_no_scenario_is_refused_in_one_short_line(data, expected):
    message = refusal(data)
    assert message.startswith("mine.toml: ")
    assert expected in message
    assert message.isprintable()
    assert len(message) < 420


def test_a_path_that_is_no_ordinary_file_is_refused(tmp_path):
    os.mkfifo(tmp_path / "pipe.toml")
    for name, expected in (("", "is a folder"), ("none.toml", "No such file"), ("pipe.toml", "no ordinary file")):
        with pytest.raises(BadInput, match=expected):
            load(f"{tmp_path}/{name}")


def test_a_file_too_large_is_refused_without_being_read_whole(tmp_path):
    with (tmp_path / "huge.toml").open("wb") as file:
        file.truncate(1 << 40)
    with pytest.raises(BadInput, match="larger than 1 MiB"):
        load(str(tmp_path / "huge.toml"))


def test_an_unknown_bench_lists_those_that_ship():
    with pytest.raises(BadInput, match=f"bench nope: is not known; shipped: {', '.join(shipped())}; for a file"):
        load("nope")


@pytest.mark.parametrize("name", shipped())
def test_every_shipped_bench_is_the_station_and_says_that_it_is_invented(name):
    bench = load(name)
    assert [slot.name for slot in bench.slots] == ["north", "middle", "south"]
    assert [slot.wiring for slot in bench.slots] == [8, 4, 1]
    assert bench.name == name
    assert bench.invented.startswith("invented")
