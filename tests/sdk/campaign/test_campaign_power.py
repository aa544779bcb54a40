"""What a plan declares of power: sums that do not fit are refused, what is not declared is called not known, and a slot
that grants its card too little gets no load.

The arithmetic is worked out by hand. The slot power limit is what the simulated port's register holds, which
tests/sim/test_sim_supply.py and tests/sdk/pcie_package/test_pcie_decode.py hold to their sources.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

from laneproof.campaign import plan as plans
from laneproof.campaign import power, runner
from laneproof.campaign.results import EndpointResult, RunResult
from laneproof.errors import BadInput
from laneproof.readings import LinkReading, PartnerLink, Unavailable

LINK = '[[step]]\nkind = "link"\nload = "64 KiB"\n'
BENCH = """
schema = 1
name = "own"
invented = "invented"
description = "A slot that grants its card 25 W, and one whose port shows nothing."
[[slot]]
name = "north"
wiring = 4
near = { max_speed = "8 GT/s", max_width = 4 }
card = { max_speed = "8 GT/s", max_width = 4, model = "echo card", serial = "invented-1" }
power = { at_rest = "5 W", under_load = "20 W", from_slot = "25 W" }
[[slot]]
name = "south"
wiring = 4
observable = false
near = { max_speed = "8 GT/s", max_width = 4 }
card = { max_speed = "8 GT/s", max_width = 4, model = "echo card", serial = "invented-2" }
"""


def plan_of(*endpoints: str, before: str = "") -> plans.Plan:
    text = before + "".join(f'\n[[endpoint]]\nuri = "sim:demo#{name}"\n{keys}\n' for name, keys in _named(endpoints))
    return plans.parse({"schema": 1, **tomllib.loads(text)}, "plan")


def _named(endpoints: tuple[str, ...]) -> list[tuple[str, str]]:
    return list(zip(("north", "middle", "south"), endpoints, strict=False))


# --- what is declared


@pytest.mark.parametrize(
    "keys",
    [
        'power = "75 W"\nslot_power = "75 W"\nriser_power = "75 W"',
        'power = "300 W"\nslot_power = "75 W"\nauxiliary_power = "225 W"\nriser_power = "75 W"',
        'power = "75.3 W"\nslot_power = "75 W"\nauxiliary_power = "300 mW"',
        'power = "60 W"\nauxiliary_power = "150 W"\nslot_power = "0 W"\nriser_power = "0 W"',
        'slot_power = "75 W"\nriser_power = "10 W"',
    ],
    ids=["just enough", "by plugs", "in milliwatts", "by plugs alone", "no draw declared"],
)
def test_a_budget_that_fits_is_taken(keys: str) -> None:
    plan_of(keys, before='supply_power = "300 W"')


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        (
            'power = "76 W"\nslot_power = "75 W"',
            "endpoint[0].power: the card may draw 76 W, slot_power is 75 W and no auxiliary_power is declared; "
            "use a slot or a plug that gives enough, and declare it",
        ),
        (
            'power = "300 W"\nslot_power = "75 W"\nauxiliary_power = "150 W"',
            "endpoint[0].power: the card may draw 300 W, slot_power is 75 W and auxiliary_power 150 W; use a slot",
        ),
        (
            'power = "60 W"\nslot_power = "75 W"\nriser_power = "25 W"',
            "endpoint[0].riser_power: up to 60 W of the card's 60 W come through the riser, which is for 25 W; take",
        ),
        (
            'power = "200 W"\nauxiliary_power = "150 W"\nriser_power = "25 W"',
            "endpoint[0].riser_power: up to 50 W of the card's 200 W come through the riser, which is for 25 W",
        ),
        ('power = "60"', 'endpoint[0].power: "60" is not a quantity in mW, W, kW; write for example "75 W"'),
        ("power = 60", 'endpoint[0].power: 60 has no unit; write for example "75 W"'),
        ('power = "0 W"', "endpoint[0]: 'power' must be > 0"),
        ('slot_power = "-5 W"', 'endpoint[0].slot_power: "-5 W" is not a quantity'),
    ],
)
def test_what_gets_more_to_do_than_it_may_is_refused_by_key_and_remedy(keys: str, said: str) -> None:
    with pytest.raises(BadInput) as caught:
        plan_of(keys)
    assert f"plan: {said}" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_cards_that_draw_more_together_than_the_supply_gives_are_refused() -> None:
    cards = ('power = "150 W"', 'power = "120 W"', "")
    plan_of(*cards, before='supply_power = "270 W"')
    with pytest.raises(BadInput, match="supply_power: the 2 cards that declare power may draw 270 W, and 269 W are"):
        plan_of(*cards, before='supply_power = "269 W"')


def test_a_plan_written_in_python_is_held_to_the_same_before_anything_moves(tmp_path: Path) -> None:
    from laneproof.documents import Watts

    plan = plans.Plan(
        endpoint=(plans.PlannedEndpoint(uri="sim:demo#north", power=Watts(60.0), slot_power=Watts(25.0)),)
    )
    with pytest.raises(BadInput, match=r"endpoint\[0\]\.power"):
        runner.run(plan, tmp_path / "run.ledger")
    assert list(tmp_path.iterdir()) == []


def test_a_kept_plan_has_its_power_as_it_was_declared() -> None:
    keys = 'power = "60 W"\nslot_power = "75 W"\nstop_above_temperature = "-5.5 °C"'
    plan = plan_of(keys, before='supply_power = "1 kW"')
    assert plans.kept(json.loads(json.dumps(plan.to_dict())), "the ledger") == plan
    assert (plan.supply_power, plan.endpoint[0].stop_above_temperature) == (1000.0, -5.5)


def test_the_table_says_what_is_declared_and_what_is_not_known() -> None:
    lines = list(power.table(plan_of('power = "60 W"\nriser_power = "75 W"', "", before='supply_power = "300 W"')))
    assert lines == [
        "north: card 60 W; slot not known, riser 75 W, auxiliary not known: the slot's own limit is read when the card "
        "is open",
        "middle: card not known; slot not known, riser not known, auxiliary not known: not held against each other",
        "all cards: at least 60 W, not known: middle; supply 300 W: not held against each other",
        "sums of what is declared, and no more: the manuals of card and computer decide, and licensed practice",
    ]
    whole = list(power.table(plan_of('power = "60 W"\nslot_power = "75 W"', before='supply_power = "300 W"')))
    assert whole[1] == "all cards: 60 W; supply 300 W"
    assert list(power.table(plan_of("", ""))) == []


# --- what the slot grants


@pytest.fixture
def at_slot(run_plan: Callable[..., RunResult], tmp_path: Path) -> Callable[..., EndpointResult]:
    def run(keys: str, slot: str = "north") -> EndpointResult:
        (tmp_path / "own.toml").write_text(BENCH)
        text = f'[[endpoint]]\nuri = "sim:{tmp_path}/own.toml#{slot}"\n{keys}\n'
        return run_plan(text + LINK).endpoints[0]

    return run


AtSlot = Callable[..., EndpointResult]


def test_a_slot_that_grants_enough_is_said_to(at_slot: AtSlot) -> None:
    endpoint = at_slot('power = "25 W"')
    assert [str(reason.verdict) for reason in endpoint.reasons] == ["pass"]
    assert "root port of slot north grants 25 W (slot power limit), enough for the 25 W" in endpoint.reasons[0].text
    assert str(endpoint.verdict) == "pass"
    assert endpoint.opened["link"]["slot_power_w"] == 25.0


@pytest.mark.parametrize(
    ("keys", "verdict", "said"),
    [
        ('slot_power = "75 W"', "fail", "and not the 75 W of slot_power"),
        ("", "inconc", "or declare auxiliary_power if the card has a plug of its own"),
    ],
    ids=["declared", "not declared"],
)
def test_a_slot_that_grants_too_little_gets_no_load(at_slot: AtSlot, keys: str, verdict: str, said: str) -> None:
    endpoint = at_slot('power = "60 W"\n' + keys)
    assert (str(endpoint.verdict), endpoint.steps) == (verdict, ())
    assert "grants 25 W (slot power limit), too little for the 60 W that the card may draw" in endpoint.reasons[0].text
    assert said in endpoint.reasons[0].text
    assert endpoint.reasons[1].text == "no load was put on the slot; not run: link"


def test_what_a_plug_gives_the_slot_need_not(at_slot: AtSlot) -> None:
    endpoint = at_slot('power = "60 W"\nauxiliary_power = "40 W"')
    assert str(endpoint.verdict) == "pass"
    assert "enough for the 60 W that the card may draw, 40 W of them by a plug" in endpoint.reasons[0].text


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ('power = "60 W"', "is not known: no slot_power is declared, and its port shows no limit"),
        ('power = "60 W"\nslot_power = "75 W"', "fit what is declared; the slot's port shows no limit"),
        ('slot_power = "75 W"', "power: what the card may draw is not known"),
    ],
)
def test_what_cannot_be_known_is_said(at_slot: AtSlot, keys: str, said: str) -> None:
    (reason,) = at_slot(keys, "south").reasons
    assert said in reason.text


def test_a_plan_that_declares_nothing_hears_nothing_of_power(at_slot: AtSlot) -> None:
    assert at_slot("").reasons == ()


def test_a_limit_of_nought_is_one_that_nobody_has_set() -> None:
    planned = plans.PlannedEndpoint(uri="sim:demo#north", power=plans.Watts(60.0))
    link = LinkReading(near=PartnerLink(name="port"), far=Unavailable("a"), slot_power_w=0.0)
    reason = power.judge_slot(planned, link)
    assert reason is not None
    assert "not known" in reason.text
