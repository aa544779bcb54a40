"""The steps that a plan can name: `link`, `integrity`, `throughput`, `soak`, `one-way`, `train` and `margin`."""

from laneproof.campaign.expectation import Expectation
from laneproof.campaign.steps.function import step
from laneproof.campaign.steps.integrity import IntegrityStep
from laneproof.campaign.steps.link import LinkStep
from laneproof.campaign.steps.margin import MarginStep
from laneproof.campaign.steps.one_way import OneWayStep
from laneproof.campaign.steps.slot import Slot
from laneproof.campaign.steps.soak import SoakStep
from laneproof.campaign.steps.step import Step
from laneproof.campaign.steps.throughput import ThroughputStep
from laneproof.campaign.steps.train import TrainStep

STEPS: dict[str, type[Step]] = {
    "link": LinkStep,
    "integrity": IntegrityStep,
    "throughput": ThroughputStep,
    "soak": SoakStep,
    "one-way": OneWayStep,
    "train": TrainStep,
    "margin": MarginStep,
}
"""Step classes by the `kind` that a plan names."""

__all__ = [
    "STEPS",
    "Expectation",
    "IntegrityStep",
    "LinkStep",
    "MarginStep",
    "OneWayStep",
    "Slot",
    "SoakStep",
    "Step",
    "ThroughputStep",
    "TrainStep",
    "step",
]
