"""The catalogue: every kind of fault is in it, its list is frozen, and each of its benches is one that can be read."""

from __future__ import annotations

import tomllib
from importlib.resources import files

import attrs
import pytest

from laneproof.catalogue import held_out
from laneproof.errors import BadInput
from laneproof_sim.catalogue import catalogue
from laneproof_sim.faults import CATALOGUE, IN_SWITCHES
from laneproof_sim.scenario import Scenario, Slot
from laneproof_sim.scenario_file import load, read_scenario

FROZEN = "2c519e809649cc49a47f3b4b9b209fe988b90271447a4ad1d3d867359f136f2a"
"""SHA-256 of `catalogue.toml`. What a plan is to find was settled before the built-in plan was tuned by it; whoever
changes the list changes this line too, and says why in the commit."""
EVERY = [(fault, severity) for fault in catalogue.faults for severity in fault.severities]


def bench_of(kind: str, severity: str, slot: str = "north", base: str = catalogue.base) -> Scenario:
    bench = catalogue.bench(base, slot, 1, kind, severity)
    assert bench is not None
    return read_scenario(tomllib.loads(bench.text), "bench")


def slot_of(scenario: Scenario, name: str = "north") -> Slot:
    slot = scenario.slot(name)
    assert slot is not None
    return slot


def test_the_list_is_the_one_that_was_frozen() -> None:
    assert catalogue.digest == FROZEN


def test_every_kind_that_a_scenario_can_name_is_in_it() -> None:
    assert {one.kind for one in (*CATALOGUE, *IN_SWITCHES)} <= {fault.kind for fault in catalogue.faults}


def test_every_entry_says_cause_sight_and_reason_in_sentences() -> None:
    for fault, severity in EVERY:
        assert all(text.endswith(".") for text in (fault.cause, fault.seen, severity.why)), fault.kind


def test_levels_have_a_unit_where_there_are_enough_of_them_for_a_curve() -> None:
    for fault in catalogue.faults:
        assert bool(fault.unit) == (sum(one.level is not None for one in fault.severities) > 1), fault.kind


@pytest.mark.parametrize("slot", ["north", "middle", "south"])
def test_every_bench_can_be_read_and_differs_from_the_base_in_one_slot_alone(slot: str) -> None:
    base = read_scenario(tomllib.loads(catalogue.base), "base")
    # Reading takes a while: each slot gets a third of the list, and all of it between them.
    for fault, severity in EVERY[["north", "middle", "south"].index(slot) :: 3]:
        bench = catalogue.bench(catalogue.base, slot, 7, fault.kind, severity.name)
        if bench is None:
            continue
        made = read_scenario(tomllib.loads(bench.text), f"{fault.kind}, {severity.name}")
        assert [one for one in base.slots if one.name != slot] == [one for one in made.slots if one.name != slot]
        assert (slot_of(made, slot), made.switches) != (slot_of(base, slot), ())
        assert bench.uri == f"sim:{{path}}?seed=7#{slot}"


def shipped_text(name: str) -> str:
    return files("laneproof_sim").joinpath("benches", f"{name}.toml").read_text("utf-8")


@pytest.mark.parametrize("name", ["demo", "shared-link", "idle-speed"])
def test_a_bench_that_is_written_anew_says_the_same(name: str) -> None:
    bench = catalogue.bench(shipped_text(name), "north", 0)
    assert bench is not None
    assert read_scenario(tomllib.loads(bench.text), "bench") == load(name)


def test_text_that_is_hard_to_write_down_is_written_rightly() -> None:
    base = catalogue.base.replace('"invented-0001"', r'"quote \" backslash \\ \U0001f6f0 é"')
    bench = catalogue.bench(base, "north", 0)
    assert bench is not None
    assert tomllib.loads(bench.text) == tomllib.loads(base)


def test_a_fault_that_needs_another_lane_leaves_a_link_of_one_out() -> None:
    assert catalogue.bench(catalogue.base, "south", 0, "dead-lane", "the last lane") is None
    assert slot_of(bench_of("dead-lane", "the last lane")).dead_lanes == (7,)
    assert slot_of(bench_of("dead-lane", "the last lane", "middle"), "middle").dead_lanes == (3,)


def test_a_fault_of_a_switch_puts_one_above_a_slot_that_has_none() -> None:
    made = bench_of("switch-flips", "2e-7, with ECRC")
    slot = slot_of(made)
    (switch,) = made.switches
    assert (slot.below, slot.ecrc, len(switch.faults)) == (switch.name, True, 1)
    assert switch.near == slot_of(read_scenario(tomllib.loads(catalogue.base), "base")).near


def test_a_fault_of_a_switch_lives_in_the_one_that_is_there() -> None:
    (switch,) = bench_of("switch-flips", "1e-3 per byte", base=shipped_text("shared-link")).switches
    assert (switch.name, [fault.kind for fault in switch.faults]) == ("hub", ["switch-flips"])


def test_about_a_fifth_is_held_out_whatever_the_order() -> None:
    held = [held_out(fault.kind, attrs.evolve(severity, looked_at=False)) for fault, severity in EVERY]
    assert 0.1 < sum(held) / len(held) < 0.3
    looked_at = [(fault.kind, one.name) for fault, one in EVERY if one.looked_at]
    assert looked_at == [("completion-timeout", "asked again")]
    assert not any(held_out(fault.kind, severity) for fault, severity in EVERY if severity.looked_at)


def test_a_bench_that_has_a_fault_is_no_base() -> None:
    with pytest.raises(BadInput, match=r'^bench x: "south" has a fault already'):
        catalogue.slots(catalogue.base + '[[slot.fault]]\nkind = "absent"\n', "bench x")
