"""Holds the driver to laneproof's contract with its conformance kit, on the stand-in: `pytest test_contract.py`.

For a card in a slot, `uri` alone is enough. What can be done to a stand-in, and to a card perhaps by hand or not at
all, shows in the hooks; a rule that lacks one is skipped, and says so.
"""

import subprocess
import sys
from pathlib import Path

import pytest

from laneproof import conformance

STAND_IN = Path(__file__).with_name("card_stand_in.py")


class StandInRig(conformance.Rig):
    budget_s = 1.0  # an hour, once the card is real

    def __init__(self):
        self.uri = self.start(port=0)
        self.second_uri = self.uri  # each connection to the stand-in is a card of its own
        super().__init__()

    def start(self, port):
        command = [sys.executable, STAND_IN, "--port", str(port)]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        return self.process.stdout.readline().strip()

    def stop(self):
        self.process.kill()
        self.process.communicate()

    def lose(self):
        self.stop()

    def restore(self):
        self.start(self.uri.rpartition(":")[2])


@pytest.fixture(scope="module")
def rig():
    rig = StandInRig()
    yield rig
    rig.stop()


@pytest.mark.parametrize("rule", conformance.RULES, ids=str)
def test_the_driver_keeps(rule, rig):
    finding = rule(rig)
    if finding.outcome == "not demonstrated":
        pytest.skip(finding.seen)
    assert finding.outcome == "kept", str(finding)
