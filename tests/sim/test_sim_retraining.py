"""Retraining by software, and trainings that go wrong once in a while.

From memory of the base specification: Retrain Link leads through Recovery; Link Status of the port above notes it
(linux/pci_regs.h, PCI_EXP_LNKSTA_LBMS); a link that has lost lanes may stay as narrow until it is reset.
"""

from __future__ import annotations

import json
from contextlib import suppress

import pytest
from scipy.stats import binomtest

import laneproof
from laneproof.contract import ResetLevel
from laneproof.errors import DeviceLost
from laneproof_sim.degradation import BadTraining, Degradation

ALWAYS = 0.999999


def link_of(one) -> tuple[float, int, bool]:
    near = one.opened.read_link().near
    return near.speed_gtps, near.width, near.bandwidth_management


def test_retraining_goes_through_recovery_and_is_noted_by_the_port_above(bench):
    one = bench()
    before = len(one.opened.history)
    assert not link_of(one)[2]
    seconds = one.opened.retrain_link()
    states = [change.state for change in one.opened.history[before:]]
    assert (states, seconds) == (["Recovery", "L0"], pytest.approx(16e-6))
    assert link_of(one) == (8.0, 8, True)


def test_data_pass_after_a_retraining(bench, data):
    one = bench()
    one.opened.retrain_link()
    assert one.echo(data(1 << 20), 1 << 17).received == data(1 << 20)


def test_bad_trainings_come_as_often_as_the_scenario_says():
    failures = Degradation((BadTraining(lane=0, probability=0.005),), (), 7, "north")
    hits = sum(bool(failures.next_training()) for _ in range(40_000))
    ends = binomtest(hits, 40_000).proportion_ci(confidence_level=0.999, method="exact")
    assert ends.low < 0.005 < ends.high


def test_a_speed_that_did_not_hold_in_one_training_holds_in_a_good_one(bench):
    one = bench(speed=16.0, faults=(BadTraining(lane=3, holds=8.0, probability=0.5),))
    speeds = []
    for _ in range(40):
        one.opened.retrain_link()
        speeds.append(link_of(one)[0])
    assert set(speeds) == {8.0, 16.0}


def test_a_lane_lost_in_a_retraining_comes_back_with_a_link_reset_alone(bench):
    one = bench(faults=(BadTraining(lane=5, probability=0.3),))
    while link_of(one)[1] < 8:
        one.opened.reset_link()
    while link_of(one)[1] == 8:
        one.opened.retrain_link()
    for _ in range(10):
        one.opened.retrain_link()
        assert link_of(one)[1] == 4
    widths = set()
    for _ in range(10):
        one.opened.reset_link()
        widths.add(link_of(one)[1])
    assert widths == {4, 8}


def test_a_retraining_without_lane_0_takes_the_link_down_and_a_link_reset_brings_it_back(bench):
    one = bench(seed=2, faults=(BadTraining(lane=0, probability=0.2),))
    with pytest.raises(DeviceLost) as lost:  # noqa: PT012 - one of them
        for _ in range(100):
            one.opened.retrain_link()
    assert "data link layer not active" in lost.value.link_evidence
    for _ in range(10):
        with suppress(DeviceLost):  # each of these trainings has the same chance of going wrong
            one.opened.reset_link()
            break
    assert link_of(one)[1] == 8


def test_power_on_is_a_training_too(tmp_path):
    scenario = tmp_path / "bench.toml"
    scenario.write_text(
        'schema = 1\nname = "unlucky"\ninvented = "invented"\ndescription = "Lane 1 is silent in each training."\n'
        '[[slot]]\nname = "north"\nwiring = 4\nnear = { max_speed = "8 GT/s", max_width = 4 }\n'
        'card = { max_speed = "8 GT/s", max_width = 4, model = "echo card", serial = "invented-0001" }\n'
        f'[[slot.fault]]\nkind = "bad-training"\nlane = 1\nprobability = {ALWAYS}\n'
    )
    truth = tmp_path / "truth"
    with laneproof.open(f"sim:{scenario}?truth={truth}#north") as card:
        near = card.read_link().near
        assert near.width == 1  # type: ignore[union-attr]
        card.reset(ResetLevel.LINK)
    kinds = [json.loads(line).get("kind") for line in truth.read_text().splitlines()[1:]]
    assert kinds == ["bad-training"] * 2
