"""Which speed and width a link trains to, by the rules of the base specification.

Source of every width: base specification, rules on link width (only x1 and full width mandatory; the link includes
lane 0 or, reversed, the top lane), from memory and reviewed against public quotations.
"""

from __future__ import annotations

import pytest

from laneproof.errors import CannotOpen
from laneproof_sim.faults import Absent
from laneproof_sim.training import train


def speeds_in_l0(history):
    return [change.speed_gtps for change in history if change.state == "L0"]


def holding(lane: int, speed_gtps: float) -> tuple[float, ...]:
    return tuple(speed_gtps if other == lane else 32.0 for other in range(16))


def entered(trained, state):
    return next(change.at_s for change in trained.history if change.state == state)


@pytest.mark.parametrize(
    ("width", "dead", "reversal", "expected"),
    [
        (8, (), False, 8),
        (8, (5,), False, 4),
        (16, (3,), False, 2),
        (16, (3,), True, 8),
        (8, (1,), False, 1),
        (8, (0,), True, 4),
        (8, (0,), False, 0),
        (8, (0, 7), True, 0),
        (1, (), False, 1),
    ],
)
def test_a_link_keeps_the_widest_run_of_lanes_that_includes_an_end(slot, width, dead, reversal, expected):
    trained = train(slot(width=width, dead_lanes=dead, near={"lane_reversal": reversal}))
    assert trained.width == expected


@pytest.mark.parametrize(
    ("near", "card", "wiring", "expected"), [(16, 4, 16, 4), (4, 16, 16, 4), (16, 16, 8, 8), (8, 8, 1, 1)]
)
def test_width_is_the_smallest_of_both_partners_and_the_wiring(slot, near, card, wiring, expected):
    trained = train(slot(near={"max_width": near}, card={"max_width": card}, wiring=wiring))
    assert trained.width == expected


def test_reversed_lanes_are_numbered_from_the_top(slot):
    assert train(slot(dead_lanes=(0,), card={"lane_reversal": True})).lanes == (7, 6, 5, 4)


@pytest.mark.parametrize(("near", "card", "expected"), [(16.0, 8.0, 8.0), (5.0, 32.0, 5.0), (2.5, 2.5, 2.5)])
def test_speed_is_the_smaller_of_both_partners(slot, near, card, expected):
    assert train(slot(near={"max_speed": near}, card={"max_speed": card})).speed_gtps == expected


def test_every_link_first_reaches_l0_at_2_5_gtps(slot):
    # Base specification, link training, from memory; also that 8 GT/s is equalised before 16, and 16 before 32.
    history = train(slot(speed=16.0)).history
    assert speeds_in_l0(history) == [2.5, 8.0, 16.0]
    assert [change.at_s for change in history] == sorted(change.at_s for change in history)


@pytest.mark.parametrize(
    ("lane_holds", "lane", "reached", "equalised", "tried"),
    [
        (16.0, 3, 16.0, (8.0, 16.0), [2.5, 8.0, 16.0, 16.0]),
        (8.0, 3, 8.0, (8.0,), [2.5, 8.0, 8.0]),
        (5.0, 0, 5.0, (), [2.5, 2.5, 5.0]),
        (2.5, 7, 2.5, (), [2.5, 2.5, 2.5]),
    ],
)
def test_a_speed_that_a_lane_does_not_hold_is_left_for_the_next_lower(
    slot, lane_holds, lane, reached, equalised, tried
):
    trained = train(slot(speed=max(16.0, 2 * lane_holds), marginal_lanes=holding(lane, lane_holds)))
    assert (trained.speed_gtps, trained.equalised, trained.width) == (reached, equalised, 8)
    assert trained.fell_back
    assert speeds_in_l0(trained.history) == tried


def test_a_marginal_lane_that_the_link_leaves_out_costs_no_speed(slot):
    trained = train(slot(speed=16.0, dead_lanes=(5,), marginal_lanes=holding(6, 2.5)))
    assert (trained.speed_gtps, trained.width, trained.fell_back) == (16.0, 4, False)


@pytest.mark.parametrize(
    ("near", "card", "dead", "expected"),
    [
        ((), None, (5,), 1),  # x1 and the full width are all that is mandatory
        (None, (), (5,), 1),
        ((2,), None, (5,), 2),
        ((4, 2), (2,), (5,), 2),
        ((), (), (), 8),
    ],
)
def test_a_fallback_is_to_a_width_that_both_partners_support(slot, near, card, dead, expected):
    assert train(slot(near={"widths": near}, card={"widths": card}, dead_lanes=dead)).width == expected


def test_a_lane_without_receiver_is_left_out_in_detect_and_a_silent_one_in_polling(slot):
    # Base specification, Detect.Active (12 ms and a second try) and Polling.Active (24 ms), from memory.
    plain, unseen, silent = (train(slot(**keys)) for keys in ({}, {"no_receiver": (5,)}, {"dead_lanes": (5,)}))
    assert unseen.width == silent.width == 4
    assert entered(unseen, "Polling") == pytest.approx(2 * entered(plain, "Polling"))
    assert entered(silent, "Polling") == entered(plain, "Polling")
    assert entered(silent, "Configuration") - entered(silent, "Polling") == pytest.approx(0.024)


@pytest.mark.parametrize(
    ("keys", "states", "problem"),
    [
        ({"no_receiver": range(8)}, ["Detect"], "no receiver is detected on any lane"),
        ({"dead_lanes": range(8)}, ["Detect", "Polling"], "leaves none"),
        ({"dead_lanes": (0,)}, ["Detect", "Polling", "Configuration", "Detect"], "lane 0 is silent"),
        ({"no_receiver": (0,)}, ["Detect", "Polling", "Configuration", "Detect"], "no receiver is detected on lane 0"),
    ],
)
def test_a_link_that_does_not_train_stops_where_its_lanes_fail(slot, keys, states, problem):
    trained = train(slot(**keys))
    assert [change.state for change in trained.history] == states
    assert problem in trained.problem


def test_a_link_without_lane_0_cannot_be_opened(bench):
    with pytest.raises(CannotOpen, match="lane 0 is silent"):
        bench(dead_lanes=(0,))


def test_no_receiver_differs_from_a_silent_lane(bench):
    with pytest.raises(CannotOpen, match="no receiver is detected"):
        bench(faults=(Absent(),))
