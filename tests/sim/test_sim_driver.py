"""The driver as laneproof sees it, and that each shipped bench shows what it is there to show."""

from __future__ import annotations

import numpy as np
import pytest

from laneproof.clock import Deadline
from laneproof.contract import Address, ErrorObserver, IdentitySource, LinkObserver, ResetLevel, Resettable
from laneproof.errors import BadInput, CannotOpen, DeviceLost
from laneproof.readings import Unavailable
from laneproof_sim.driver import SimOptions, driver
from laneproof_sim.limits_of_model import NOT_MODELLED
from laneproof_sim.scenario_file import shipped

MIB = 1 << 20


@pytest.fixture
def connect():
    cards = []

    def open_one(bench: str, slot: str = "north", seed: int = 0):
        cards.append(driver.connect(Address(bench, slot), SimOptions(seed=seed), Deadline(5.0)))
        return cards[-1]

    yield open_one
    for card in cards:
        card.close()


def load_card(card, nbytes: int = 32 * MIB, block: int = 2 * MIB) -> tuple[int, float]:
    """Echo `nbytes` at depth 2; return wrong bytes and payload bytes per virtual second."""
    path, sent = card.channels[0].path, np.random.default_rng(1).integers(0, 256, block, dtype=np.uint8)
    into = [bytearray(block) for _ in range(2)]
    begin_s, wrong = card.clock.now_s(), 0
    for ticket in range(2):
        path.submit(ticket, sent.data, memoryview(into[ticket]))
    for ticket in range(2, 2 + nbytes // block):
        (done,) = path.reap(Deadline(1.0, card.clock))
        assert done.status == "done"
        wrong += np.count_nonzero(np.frombuffer(into[done.ticket % 2], np.uint8) != sent)
        if ticket < nbytes // block:
            path.submit(ticket, sent.data, memoryview(into[ticket % 2]))
    return wrong, nbytes / (card.clock.now_s() - begin_s)


def counted(card, end: str) -> dict[str, int]:
    card.clock.sleep(1e-3)
    partner = getattr(card.part(ErrorObserver).read_errors(Deadline(1.0)), end)
    assert not isinstance(partner, Unavailable)
    groups = (partner.correctable, partner.nonfatal, partner.fatal)
    return {name: count.n for group in groups for name, count in group.items() if count.n}


def test_the_simulator_is_not_physical_and_finds_its_benches_demo_first():
    found = list(driver.discover(Deadline(1.0)))
    assert not driver.physical
    assert [(one.address.text, one.address.slot) for one in found[:3]] == [
        ("demo", "north"),
        ("demo", "middle"),
        ("demo", "south"),
    ]
    assert {one.address.text for one in found} == set(shipped())


@pytest.mark.parametrize("slot", ["", "attic"])
def test_a_slot_that_is_not_there_lists_those_that_are(connect, slot):
    with pytest.raises(BadInput, match="use one of sim:demo#north, sim:demo#middle, sim:demo#south"):
        connect("demo", slot)


@pytest.mark.parametrize(("slot", "speed", "width"), [("north", 8.0, 8), ("middle", 8.0, 4), ("south", 5.0, 1)])
def test_the_demo_is_healthy(connect, slot, speed, width):
    card = connect("demo", slot)
    wrong, rate = load_card(card, 8 * MIB)
    link = card.part(LinkObserver).read_link(Deadline(1.0))
    assert wrong == 0
    assert rate > 0.97 * card.channels[0].limits.nominal_bytes_per_s
    assert counted(card, "near") == counted(card, "far") == {}
    assert {(link.near.speed_gtps, link.near.width), (link.far.speed_gtps, link.far.width)} == {(speed, width)}


def test_a_card_says_what_it_is_and_that_it_is_simulated(connect):
    card = connect("demo")
    identity = card.part(IdentitySource).read_identity(Deadline(1.0))
    assert identity.model
    assert identity.serial
    assert [component.name for component in identity.components] == ["firmware"]
    assert driver.caveats[0].startswith("This bench is simulated:")
    assert [sentence[1:] in " ".join(driver.caveats[1:]) for sentence in NOT_MODELLED] == [True] * len(NOT_MODELLED)


def test_every_reset_is_offered_and_leaves_the_card_to_be_used(connect):
    card = connect("demo")
    reset = card.part(Resettable)
    assert reset.levels == (ResetLevel.DATA, ResetLevel.FUNCTION, ResetLevel.LINK)
    for level in reset.levels:
        reset.reset(level, Deadline(1.0))
        assert load_card(card, 4 * MIB)[0] == 0


def test_dead_lane_trains_to_half_the_width(connect):
    link = connect("dead-lane").part(LinkObserver).read_link(Deadline(1.0))
    assert (link.near.width, link.near.max_width, link.far.width, link.wiring) == (4, 8, 4, 8)


def test_link_errors_cost_a_third_of_the_rate_and_no_byte(connect):
    card = connect("link-errors")
    for _ in range(3):
        before = counted(card, "far").get("BadTLP", 0)
        wrong, rate = load_card(card)
        assert wrong == 0
        assert rate < 0.7 * card.channels[0].limits.nominal_bytes_per_s
        assert counted(card, "far")["BadTLP"] > before


def test_flipping_card_damages_data_behind_a_clean_link(connect):
    card = connect("flipping-card")
    wrong, rate = load_card(card)
    assert wrong > 0
    assert rate > 0.97 * card.channels[0].limits.nominal_bytes_per_s
    assert counted(card, "near") == counted(card, "far") == {}


def test_drops_off_leaves_the_near_port_as_witness(connect):
    card = connect("drops-off")
    with pytest.raises(DeviceLost, match="all ones") as caught:
        load_card(card)
    assert caught.value.link_evidence
    assert counted(card, "near") == {"SDES": 1}


def test_lost_unseen_leaves_no_witness(connect):
    card = connect("lost-unseen")
    with pytest.raises(DeviceLost) as caught:
        load_card(card)
    assert caught.value.link_evidence == ""
    assert "registers" not in str(caught.value)
    assert "all ones" not in str(caught.value)  # which nobody could read
    assert isinstance(card.part(LinkObserver).read_link(Deadline(1.0)).near, Unavailable)
    assert isinstance(card.part(ErrorObserver).read_errors(Deadline(1.0)).near, Unavailable)


def test_empty_slot_cannot_be_opened(connect):
    with pytest.raises(CannotOpen, match="slot north: no receiver is detected"):
        connect("empty-slot")


def test_stalling_card_stops_with_its_link_up(connect):
    card = connect("stalling-card")
    with pytest.raises(ValueError, match="not enough values"):  # a reap that came back empty
        load_card(card)
    assert card.part(LinkObserver).read_link(Deadline(1.0)).near.active is True


@pytest.mark.parametrize("bench", sorted(set(shipped()) - {"demo"}))
def test_the_other_slots_of_a_faulty_bench_are_healthy(connect, bench):
    for slot in ("middle", "south"):
        card = connect(bench, slot)
        assert load_card(card, 2 * MIB, MIB // 2)[0] == 0
        assert counted(card, "near") == counted(card, "far") == {}


def test_two_endpoints_on_one_slot_share_nothing(connect):
    first, second = connect("demo"), connect("demo")
    load_card(first, 4 * MIB)
    assert first.clock.now_s() > second.clock.now_s()
