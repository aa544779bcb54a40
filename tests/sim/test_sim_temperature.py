"""The temperature that a slot declares: its course over time, and what depends on it."""

from __future__ import annotations

import math

import attrs
import numpy as np
import pytest

from laneproof.readings import Unavailable
from laneproof_sim.damage.when import Occasion, When
from laneproof_sim.faults import BitFlips, NeverWritten, Stall
from laneproof_sim.temperature import TemperaturePoint, celsius_at, first_above, hot_times


def course(*points: tuple[float, float]) -> tuple[TemperaturePoint, ...]:
    return tuple(TemperaturePoint(at=at_s, card=celsius) for at_s, celsius in points)


WARMING = course((1.0, 20.0), (3.0, 60.0))
THERE_AND_BACK = course((0.0, 20.0), (1.0, 80.0), (2.0, 20.0), (3.0, 80.0))


@pytest.mark.parametrize(("at_s", "celsius"), [(0.0, 20), (1.0, 20), (1.5, 30), (2.5, 50), (3.0, 60), (99.0, 60)])
def test_the_temperature_goes_straight_from_point_to_point(at_s, celsius):
    assert celsius_at(WARMING, at_s) == pytest.approx(celsius)


def test_without_points_there_is_no_temperature():
    assert celsius_at((), 1.0) is None
    assert first_above((), 20.0) == math.inf


@pytest.mark.parametrize(
    ("celsius", "from_s", "expected"), [(40, 0, 2.0), (40, 2.5, 2.5), (60, 0, math.inf), (10, 0, 0)]
)
def test_a_threshold_is_crossed_where_the_line_crosses_it(celsius, from_s, expected):
    assert first_above(WARMING, celsius, from_s) == pytest.approx(expected)


@pytest.mark.parametrize("points", [WARMING, THERE_AND_BACK, course((0.0, 50.0)), course((0.0, 90.0), (1.0, 50.0))])
@pytest.mark.parametrize("celsius", [20.0, 49.9, 50.0, 60.0, 80.0])
def test_hot_times_are_those_at_which_the_temperature_is_above(points, celsius):
    stretches = hot_times(points, celsius)
    for at_s in np.arange(0.0013, 5.0, 0.01):
        inside = any(start <= at_s < end for start, end in stretches)
        assert inside == (celsius_at(points, float(at_s)) > celsius)


def test_a_card_that_has_cooled_is_hot_again_only_when_it_warms():
    assert first_above(THERE_AND_BACK, 50.0, 1.6) == pytest.approx(2.5)


# --- what depends on it

MIB = 1 << 20
WARM_FROM_50_MS = course((0.0, 30.0), (0.1, 90.0))  # above 60 °C from 50 ms on


def test_a_card_tells_its_temperature_as_it_is_at_that_moment(bench):
    one = bench(temperature=WARM_FROM_50_MS)
    for at_s, celsius in ((0.05, 60.0), (0.075, 75.0), (9.0, 90.0)):
        one.opened.clock.advance_to(at_s)
        (sensor,) = one.opened.read_conditions().sensors
        assert (sensor.name, sensor.unit) == ("card", "°C")
        assert sensor.value == pytest.approx(celsius)


def test_a_slot_that_declares_nothing_has_no_sensor(bench):
    assert isinstance(bench().opened.read_conditions().sensors, Unavailable)


def test_an_occasion_without_a_temperature_is_never_too_warm():
    when = When(temperature_above=20.0)
    cold = Occasion(number=1, passed=0, at_s=0.0, size=64, address=0, depth=1)
    assert not when.holds(cold)
    assert [when.holds(attrs.evolve(cold, celsius=celsius)) for celsius in (19.0, 20.0, 20.1)] == [False, False, True]


@pytest.mark.parametrize("fault", [BitFlips, NeverWritten])
@pytest.mark.parametrize("block", [MIB // 4, MIB])
def test_a_fault_above_a_temperature_acts_once_the_card_is_warmer(bench, data, fault, block):
    more = {"probability": 1e-3} if fault is BitFlips else {}
    one = bench(temperature=WARM_FROM_50_MS, faults=(fault(when=When(temperature_above=60.0), **more),))
    sent = data(MIB)
    assert one.echo(sent, block).received == sent
    one.opened.clock.advance_to(0.049)
    assert one.echo(sent, block).received == sent
    one.opened.clock.advance_to(0.051)
    assert one.echo(sent, block).received != sent
    assert one.counts("near") == one.counts("far") == {}


def test_a_card_stalls_once_it_is_too_warm(bench, data):
    one = bench(temperature=WARM_FROM_50_MS, faults=(Stall(after=MIB, when=When(temperature_above=60.0)),))
    assert one.echo(data(4 * MIB), MIB).unfinished == 0
    one.opened.clock.advance_to(0.051)
    assert one.echo(data(4 * MIB), MIB, timeout_s=0.01).unfinished


def test_a_temperature_by_itself_changes_nothing(bench, data):
    sent = data(4 * MIB)
    plain, warm = bench(), bench(temperature=WARM_FROM_50_MS)
    assert plain.echo(sent, MIB) == warm.echo(sent, MIB)
    assert plain.opened.images() == warm.opened.images()
