"""Lane margining on the simulator: the eye that a scenario gives, found by steps, and the registers that show it.

Where an eye ends is held against the normal distribution of scipy: the step at which the expected errors pass the
limit.
"""

from __future__ import annotations

import attrs
import pytest
from scipy.stats import norm
from sim_bench import plain_slot

from laneproof.clock import Deadline
from laneproof.errors import BadInput, DeviceLost, DriverFault
from laneproof.on_request import MarginingOffer, MarginingReceiver, MarginPoint
from laneproof.pcie import decode
from laneproof.pcie.margining import NO_COMMAND, Direction
from laneproof.readings import Unavailable
from laneproof_sim.margining import JITTER_PS, NOISE_MV, EyeMargining
from laneproof_sim.quantities import LaneShares, Millivolts, Picoseconds
from laneproof_sim.scenario import Eye, Slot
from laneproof_sim.scenario_file import load, read_scenario
from laneproof_sim.slot import OpenSlot

WEAK = LaneShares((1.0, 0.4) + (1.0,) * 14)
SIDES: tuple[Direction, ...] = ("left", "right", "down", "up")


def slot(speed: float = 16.0, eye: Eye | None = None, **more) -> Slot:
    eye = Eye(width=Picoseconds(31.0), height=Millivolts(90.0), to_card=WEAK) if eye is None else eye
    plain = plain_slot()
    return attrs.evolve(
        plain,
        near=attrs.evolve(plain.near, max_speed=speed),
        card=attrs.evolve(plain.card, max_speed=speed),
        eye=eye,
        **more,
    )


class Margined:
    """An open slot, and its margining."""

    def __init__(self, planned: Slot, seed: int = 0) -> None:
        self.opened = OpenSlot(planned, seed)
        self.part = EyeMargining(self.opened)

    def offered(self) -> MarginingOffer | Unavailable:
        with Deadline(10, self.opened.clock) as deadline:
            return self.part.offered(deadline)

    def receiver(self, number: int) -> MarginingReceiver:
        offer = self.offered()
        assert isinstance(offer, MarginingOffer)
        return next(one for one in offer.receivers if one.number == number)

    def margin(self, number: int, lane: int, direction: Direction, step: int, dwell_s: float = 0.1) -> MarginPoint:
        receiver = self.receiver(number)
        with Deadline(10 + dwell_s, self.opened.clock) as deadline:
            return self.part.margin(receiver, lane, direction, step, dwell_s=dwell_s, error_limit=4, deadline=deadline)

    def steps(self, number: int, lane: int, direction: Direction) -> int:
        receiver, passed = self.receiver(number), 0
        most = receiver.timing_steps if direction in ("left", "right") else receiver.voltage_steps
        while passed < most and self.margin(number, lane, direction, passed + 1).outcome == "within":
            passed += 1
        return passed


def steps_by_scipy(half: float, step: float, sigma: float, bits: float) -> int:
    """How many steps expect less than half a limit of 4 errors; the next one of these eyes expects many."""
    count = 0
    while bits * 0.5 * norm.sf((half - (count + 1) * step) / sigma) < 2:
        count += 1
    assert bits * 0.5 * norm.sf((half - (count + 1) * step) / sigma) > 15
    return count


@pytest.mark.parametrize("speed", [16.0, 32.0])
@pytest.mark.parametrize(("number", "share"), [(1, 1.0), (6, 0.4)])
def test_an_eye_ends_where_the_normal_distribution_ends_it(speed: float, number: int, share: float) -> None:
    eye = Eye(width=Picoseconds(500 / speed), height=Millivolts(90.0), to_card=WEAK)
    one, bits = Margined(slot(speed, eye)), 0.1 * speed * 1e9
    # 16 steps to 0.4 unit intervals, 32 to 160 mV.
    timing = steps_by_scipy(share * 250 / speed, 0.4e3 / speed / 16, JITTER_PS, bits)
    voltage = steps_by_scipy(share * 45.0, 160 / 32, NOISE_MV, bits)
    assert [one.steps(number, 1, side) for side in SIDES] == [timing, timing, voltage, voltage]


def test_a_weak_lane_is_weak_at_the_receiver_that_the_scenario_names() -> None:
    one = Margined(slot())
    assert one.steps(6, 1, "left") < one.steps(6, 0, "left") == one.steps(1, 1, "left")


def test_the_same_seed_counts_the_same_and_another_visit_does_not() -> None:
    # 6 timing steps are 9.4 ps of 12.5: one bit in 500,000 is wrong, and 1.6 million are compared.
    eye = Eye(width=Picoseconds(25.0), height=Millivolts(90.0))
    counts = [[Margined(slot(eye=eye), seed).margin(1, 0, "left", 6, 1e-4).errors for _ in range(2)] for seed in (1, 1)]
    assert counts[0] == counts[1]
    one = Margined(slot(eye=eye), 3)
    assert len({one.margin(1, 0, "left", 6, 1e-4).errors for _ in range(8)}) > 1


def test_a_dwell_takes_its_time_and_errors_end_it() -> None:
    one = Margined(slot())
    begun_s = one.opened.clock.now_s()
    assert one.margin(1, 0, "left", 1, 5.0).seconds == 5.0
    assert one.opened.clock.now_s() - begun_s > 5.0
    closed = one.margin(1, 0, "left", 16, 5.0)
    assert (closed.outcome, closed.errors) == ("beyond", 5)
    assert closed.seconds < 1e-3


def test_margining_harms_no_data_and_counts_no_link_error() -> None:
    one = Margined(slot())
    before = one.opened.read_errors()
    one.margin(6, 1, "left", 16)
    added = one.opened.read_errors().since(before)
    assert all(not count.n for end in (added.near, added.far) for count in end.correctable.values())


@pytest.mark.parametrize(
    ("planned", "shown"),
    [
        (slot(marginal_lanes=(8.0,) * 16), "runs at 8 GT/s"),
        (attrs.evolve(plain_slot(), eye=None), "gives its link no eye"),
        (slot(observable=False), "shows neither the near port's"),
    ],
)
def test_what_cannot_be_margined_says_why(planned: Slot, shown: str) -> None:
    offer = Margined(planned).offered()
    assert isinstance(offer, Unavailable)
    assert shown in offer.why


def test_a_link_that_has_fallen_back_since_is_an_error() -> None:
    one, other = Margined(slot()), Margined(slot(marginal_lanes=(8.0,) * 16))
    receiver = one.receiver(1)
    with Deadline(10, other.opened.clock) as deadline, pytest.raises(DriverFault, match="no more as it was"):
        other.part.margin(receiver, 0, "left", 1, dwell_s=0.1, error_limit=4, deadline=deadline)


def test_a_card_that_is_gone_is_lost_to_margining_too() -> None:
    bench = load("drops-off")
    one = Margined(attrs.evolve(bench.slots[0], eye=Eye(width=Picoseconds(31.0), height=Millivolts(90.0))))
    one.opened.link.fail(one.opened.clock.now_s())
    with pytest.raises(DeviceLost):
        one.offered()


def test_the_registers_show_it_ready_and_at_rest() -> None:
    for image in OpenSlot(slot(), 0).images():
        found = decode(image).margining
        assert found is not None
        assert (found.ready, found.uses_driver_software) == (True, False)
        assert [one.lane for one in found.lanes] == list(range(8))
        assert {one.control.type for one in found.lanes} == {one.status.type for one in found.lanes} == {"no command"}
        assert NO_COMMAND.value == 0x9C38  # receiver 0, type 7, payload 9Ch: base specification, from memory
    assert all(decode(image).margining is None for image in OpenSlot(plain_slot(), 0).images())


@pytest.mark.parametrize(
    ("eye", "said"),
    [
        ({"width": "31 ps"}, "slot[0].eye.height: is missing"),
        ({"width": "31", "height": "90 mV"}, "slot[0].eye.width: '31' is no number of ps"),
        ({"width": "31 ps", "height": "9 V"}, "slot[0].eye.height: '9 V' is no number of mV"),
        ({"width": "31 ps", "height": "90 mV", "to_card": {"2": 0}}, "slot[0].eye.to_card: 0 is no share"),
        ({"width": "31 ps", "height": "90 mV", "to_card": 0.5}, "slot[0].eye.to_card: 0.5 is not a table"),
        ({"width": "31 ps", "height": "90 mV", "from_card": {"9": 0.5}}, "from_card: lane 9 is not wired"),
    ],
)
def test_an_eye_that_makes_no_sense_is_refused_by_its_key(eye: dict[str, object], said: str) -> None:
    with pytest.raises(BadInput) as caught:
        read_scenario(table(eye), "here")
    assert said in str(caught.value)


def test_an_eye_below_16_gtps_is_refused() -> None:
    with pytest.raises(BadInput, match=r"slot\[0\].eye: lane margining exists from 16 GT/s on"):
        read_scenario(table({"width": "31 ps", "height": "90 mV"}, "8 GT/s"), "here")


def table(eye: dict[str, object], speed: str = "16 GT/s") -> dict[str, object]:
    card = {"max_speed": speed, "max_width": 4, "model": "echo card", "serial": "invented"}
    near = {"max_speed": "16 GT/s", "max_width": 4}
    one = {"name": "a", "wiring": 4, "near": near, "card": card, "eye": eye}
    return {"schema": 1, "name": "eye", "invented": "invented", "description": "An eye.", "slot": [one]}
