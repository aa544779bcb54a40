"""What powers the cards: what follows from watts, what registers show of it, and what a run on such a card meets.

Slot power limits, and their codes above 239 W: PCI Express base specification and card electromechanical
specification, from memory; `laneproof.pcie` decodes them, and Linux drivers/pci/of.c encodes them so. That a card with
a supply of its own is switched on before the computer and off after it, and that one without its plug does not work:
common practice.
"""

from __future__ import annotations

import json

import pytest

from laneproof import pcie
from laneproof.documents import parse_toml
from laneproof.errors import BadInput, CannotOpen, DeviceLost
from laneproof.pcie import express
from laneproof.readings import Unavailable
from laneproof_sim.config_space import slot_power_code
from laneproof_sim.faults import Stall
from laneproof_sim.scenario_file import read_scenario
from laneproof_sim.slot import OpenSlot
from laneproof_sim.supply import (
    BROWN_OUT_AFTER,
    BrownOut,
    CardPower,
    NoPower,
    OwnSupply,
    PowerHeld,
    Supply,
    SwitchedOff,
    power_faults,
)
from laneproof_sim.temperature import TemperaturePoint
from laneproof_sim.truth import Opened, Truth

SUPPLY = Supply(limit=100.0)


def card(at_rest: float = 10.0, under_load: float = 20.0, **changes) -> CardPower:
    return CardPower(at_rest=at_rest, under_load=under_load, **changes)


def suffered(supply: Supply | None, *cards: CardPower) -> dict[int, type]:
    """The kind of fault of each card that has one, by its place."""
    found = power_faults(supply, {str(place): one for place, one in enumerate(cards)})
    return {int(name): type(faults[0]) for name, faults in found.items()}


def test_a_card_that_has_what_it_needs_suffers_nothing():
    assert suffered(SUPPLY, card(), card(from_plug=75.0, under_load=80.0)) == {}
    assert suffered(None, card()) == {}


def test_a_supply_gives_way_under_the_card_that_draws_most_and_carries_the_others():
    assert suffered(SUPPLY, card(), card(under_load=70.0, from_plug=75.0), card()) == {1: BrownOut}
    assert suffered(SUPPLY, *[card(10.0, 25.0)] * 4) == {}
    assert suffered(SUPPLY, *[card(10.0, 25.0)] * 6) == {0: BrownOut, 1: BrownOut}


def test_a_supply_that_cannot_carry_the_cards_at_rest_starts_none_of_them():
    own = card(own_supply=OwnSupply())
    assert suffered(SUPPLY, *[card(25.0, 25.0)] * 5, own) == dict.fromkeys(range(6), NoPower)


@pytest.mark.parametrize(
    ("one", "fault"),
    [
        (card(10.0, 60.0), PowerHeld),
        (card(10.0, 60.0, from_plug=75.0), None),
        (card(10.0, 60.0, from_slot=75.0), None),
        (card(30.0, 60.0), NoPower),
        (card(30.0, 60.0, from_plug=75.0), None),
        (card(5.0, 9.0, from_slot=10.0), None),
        (card(5.0, 11.0, from_slot=10.0), PowerHeld),
    ],
)
def test_what_a_slot_and_a_plug_give_settles_whether_a_card_starts_and_works(one, fault):
    assert suffered(SUPPLY, one).get(0) is fault


def test_a_card_that_keeps_to_its_slot_draws_no_more_than_at_rest():
    assert suffered(SUPPLY, card(10.0, 95.0), card(10.0, 85.0, from_plug=75.0)) == {0: PowerHeld}


@pytest.mark.parametrize(
    ("own", "fault"),
    [
        (OwnSupply(), None),
        (OwnSupply(switched_on="after"), NoPower),
        (OwnSupply(switched_off=0.5), SwitchedOff),
        (OwnSupply(switched_on="after", switched_off=0.5), NoPower),
    ],
)
def test_the_order_in_which_a_card_of_its_own_supply_is_switched_settles_whether_it_is_there(own, fault):
    assert suffered(SUPPLY, card(200.0, 400.0, own_supply=own)).get(0) is fault


@pytest.mark.parametrize("watts", [0.5, 1.75, 10, 12.5, 25, 75, 239, 250, 275, 300, 600])
def test_a_slot_power_limit_reads_back_as_it_was_written(watts):
    assert express.power_limit_w(*slot_power_code(watts)) == watts


@pytest.mark.parametrize(("watts", "code"), [(250, (0xF0, 0)), (275, (0xF1, 0)), (300, (0xF2, 0)), (25, (25, 0))])
def test_large_limits_have_codes_of_their_own(watts, code):
    assert slot_power_code(watts) == code


SCENARIO = """
schema = 1
name = "mine"
invented = "invented"
description = "Two slots."
supply = { limit = "60 W" }
"""
SLOT = """
[[slot]]
name = "%s"
wiring = 4
near = { max_speed = "8 GT/s", max_width = 4 }
card = { max_speed = "8 GT/s", max_width = 4, model = "echo card", serial = "invented" }
power = { at_rest = "10 W", under_load = "40 W", from_plug = "75 W" }
"""


def read(text: str):
    return read_scenario(parse_toml(text.encode(), "mine.toml"), "mine.toml")


def test_too_little_power_stands_among_the_faults_of_the_card_that_suffers():
    scenario = read(SCENARIO + SLOT % "a" + SLOT % "b")
    assert [tuple(type(fault) for fault in slot.faults) for slot in scenario.slots] == [(BrownOut,), ()]


@pytest.mark.parametrize(
    ("good", "bad", "expected"),
    [
        ('"60 W"', '"60"', "supply.limit: '60' is no number of W"),
        ('"60 W"', '"-1 W"', 'supply.limit: "-1 W" is out of range; use 0 to 10000 W'),
        ('"60 W"', "60", "supply.limit: 60 has no unit"),
        ('"10 W"', '"41 W"', "slot[0].power: under_load is below at_rest"),
        ('from_plug = "75 W"', 'from_slot = "245 W"', "slot[0].power: no slot power limit stands for 245 W"),
        (
            'from_plug = "75 W"',
            'from_plug = "75 W", own_supply = {}',
            "slot[0].power: a card with a supply of its own takes no plug",
        ),
        (
            'from_plug = "75 W"',
            'own_supply = { switched_on = "live" }',
            'slot[0].power.own_supply.switched_on: "live" is not one of before, after',
        ),
        ("power =", "riser = 'r' # power =", "slot[0].power: is missing, and [supply] has a limit"),
    ],
)
def test_a_wrong_power_is_refused_by_file_and_key(good, bad, expected):
    text = SCENARIO + SLOT % "a"
    assert text.count(good) == 1
    with pytest.raises(BadInput) as caught:
        read(text.replace(good, bad))
    assert str(caught.value).startswith(f"mine.toml: {expected}")


# --- what is seen of it


def test_both_partners_show_what_the_slot_grants(bench):
    for watts in (12.5, 75.0, 300.0):
        one = bench(power=card(from_slot=watts))
        near, far = (pcie.decode(image) for image in one.opened.images())
        assert near.slot.power_limit_w == far.device.captured_power_limit_w == watts
    near, far = (pcie.decode(image) for image in bench().opened.images())
    assert near.slot.power_limit_w == far.device.captured_power_limit_w == 25.0


def test_what_a_card_draws_is_among_its_sensors_at_rest_and_under_load(bench, data):
    one = bench(power=card(10.0, 20.0), temperature=(TemperaturePoint(at=0.0, card=40.0),))

    def read() -> dict[str, tuple[float, str]]:
        return {sensor.name: (sensor.value, sensor.unit) for sensor in one.opened.read_conditions().sensors}

    assert read() == {"card": (40.0, "°C"), "card power": (10.0, "W")}
    one.path.submit(0, memoryview(data(1 << 20)), memoryview(bytearray(1 << 20)))
    assert read()["card power"] == (20.0, "W")
    one.path.quiesce(one.deadline())
    assert read()["card power"] == (10.0, "W")


def test_a_card_in_a_brown_out_leaves_its_link_under_load(bench, data):
    one = bench(faults=(BrownOut(after=BROWN_OUT_AFTER),))
    assert one.echo(data(BROWN_OUT_AFTER // 2), 1 << 20).unfinished == 0
    with pytest.raises(DeviceLost) as caught:
        one.echo(data(BROWN_OUT_AFTER), 1 << 20)
    assert caught.value.link_evidence
    assert one.counts("near") == {"SDES": 1}


def test_a_card_that_may_not_draw_what_it_needs_answers_and_moves_nothing(bench, data):
    one = bench(faults=(PowerHeld(after=0),))
    assert one.echo(data(64), 64, timeout_s=0.01).unfinished
    link = one.opened.read_link()
    assert link.near.active
    assert link.far.width == 8
    assert one.counts("near") == one.counts("far") == {}


@pytest.mark.parametrize("fault", [NoPower(), SwitchedOff(at=0.005)])
def test_a_card_without_power_when_the_computer_looks_for_it_is_not_found(slot, fault):
    with pytest.raises(CannotOpen, match="no receiver is detected"):
        OpenSlot(slot(faults=(fault,)), 0)


def test_a_card_that_does_not_work_draws_what_it_draws_at_rest(bench, data):
    for fault in (PowerHeld(after=0), Stall(after=1)):
        one = bench(power=card(10.0, 20.0), faults=(fault,))
        one.path.submit(0, memoryview(data(64)), memoryview(bytearray(64)))
        one.opened.clock.sleep(0.01)
        (sensor,) = one.opened.read_conditions().sensors
        assert sensor.value == 10.0


def test_an_empty_slot_draws_nothing():
    absent = SLOT % "b" + '[[slot.fault]]\nkind = "absent"\n'
    scenario = read(SCENARIO + SLOT % "a" + absent)
    assert scenario.slots[0].faults == ()
    assert read(SCENARIO + SLOT % "a" + absent.replace("power =", "riser = 'r' # power =")).slots[0].faults == ()


@pytest.mark.parametrize("under_load", [False, True])
def test_a_card_whose_own_supply_is_switched_off_is_lost_at_that_time(bench, data, under_load):
    one = bench(power=card(), faults=(SwitchedOff(at=0.025),))
    assert one.opened.read_link().near.active
    if under_load:
        with pytest.raises(DeviceLost):
            one.echo(data(1 << 27), 1 << 23)
    else:
        one.opened.clock.sleep(0.1)
    assert not one.opened.read_link().near.active
    assert one.opened.history[-1].at_s == pytest.approx(0.025)
    assert isinstance(one.opened.read_conditions().sensors, Unavailable)
    assert one.counts("near") == {"SDES": 1}


@pytest.mark.parametrize(
    ("fault", "kind"),
    [(NoPower(), "no-power"), (PowerHeld(after=0), "power-held"), (SwitchedOff(at=0.02), "switched-off")],
)
def test_the_truth_names_what_power_did(slot, tmp_path, fault, kind):
    path = tmp_path / "truth.jsonl"
    truth = Truth(str(path), Opened("mine", "north", 0))
    try:
        opened = OpenSlot(slot(faults=(fault,)), 0, truth)
        opened.clock.sleep(0.1)
        opened.read_link()
        opened.close()
    except CannotOpen:
        truth.close()
    assert [line["kind"] for line in map(json.loads, path.read_text("utf-8").splitlines()) if "kind" in line] == [kind]
