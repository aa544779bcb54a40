"""Which speed and width a link trains to, by the rules of the base specification.

Source of every width: base specification, rules on link width (only x1 and full width mandatory; the link includes
lane 0 or, reversed, the top lane), from memory and reviewed against public quotations.
"""

from __future__ import annotations

import pytest

from laneproof.errors import CannotOpen
from laneproof_sim.faults import Absent
from laneproof_sim.training import train


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
    # Base specification, link training: "every link first reaches L0 at 2.5 GT/s", from memory.
    history = train(slot(speed=16.0)).history
    working = [change.speed_gtps for change in history if change.state == "L0"]
    assert working == [2.5, 16.0]
    assert [change.at_s for change in history] == sorted(change.at_s for change in history)


def test_a_link_without_lane_0_cannot_be_opened(bench):
    with pytest.raises(CannotOpen, match="lane 0 is silent"):
        bench(dead_lanes=(0,))


def test_no_receiver_differs_from_a_silent_lane(bench):
    with pytest.raises(CannotOpen, match="no receiver is detected"):
        bench(faults=(Absent(),))
