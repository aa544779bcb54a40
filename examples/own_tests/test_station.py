"""A suite of one's own with laneproof's pytest plugin: `pytest`, in this folder, runs it on the slots of station.toml.

`pytest --laneproof-endpoint URI` runs it on another slot; what station.toml says of that URI still holds.
"""

from __future__ import annotations

import pytest

import laneproof
from laneproof.campaign.steps import IntegrityStep, LinkStep, SoakStep
from laneproof.documents import Size
from laneproof.pytest_plugin.runs import Run

MIB = 1 << 20


def test_the_slot_is_accepted(laneproof_run: Run) -> None:
    """Runs the steps of station.toml, with their limits; only the verdict "pass" passes."""
    laneproof_run()


@pytest.mark.laneproof(max_link_errors=2)
def test_a_load_causes_few_link_errors(laneproof_run: Run) -> None:
    laneproof_run(SoakStep(bytes=Size(8 * MIB), portion=Size(4 * MIB)))


def test_data_move_at_a_steady_rate(laneproof_run: Run) -> None:
    """A run that passes gives its result, for what no step judges."""
    (endpoint,) = laneproof_run(SoakStep(bytes=Size(8 * MIB), portion=Size(1 * MIB))).endpoints
    measures = endpoint.steps[0].measures
    assert measures["slowest_bytes_per_second"] > 0.9 * measures["bytes_per_second"]


@pytest.mark.parametrize("size", [64, 4095, 4097])
def test_messages_of_one_size_come_back_unchanged(
    laneproof_endpoint: laneproof.Endpoint, laneproof_seed: int, size: int
) -> None:
    """With the card in hand; the seed makes that each test sends bytes of its own."""
    pattern = laneproof.pattern("prbs31", seed=laneproof_seed)
    result = laneproof_endpoint.check(pattern, 64 * size, block=size)
    assert result.ok, result


@pytest.mark.parametrize("laneproof_uri", ["sim:dead-lane#north"])
@pytest.mark.laneproof(width=8)
def test_the_limits_find_a_dead_lane(laneproof_run: Run) -> None:
    """Limits that find no fault are worth nothing: this one runs on a bench with a fault, whatever is under test."""
    with pytest.raises(pytest.fail.Exception, match="found 8 GT/s x4"):
        laneproof_run(LinkStep(), IntegrityStep(bytes=Size(MIB)))
