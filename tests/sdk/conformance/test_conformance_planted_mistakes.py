"""Each planted mistake, one change to a good driver, breaks the rule meant for it, in one clear line."""

from __future__ import annotations

import time
from collections.abc import Callable

import pytest
from planted import Mistake, plant_all

from laneproof.conformance import RULES

MISTAKES = plant_all()
RULE = {rule.name: rule for rule in RULES}
LONGEST_S = 10.0
"""Far more than a rule may take on a driver that hangs, with room for a busy computer."""


@pytest.mark.parametrize("mistake", MISTAKES, ids=str)
def test_the_kit_finds(mistake: Mistake, install: Callable[..., None], record_property: Callable[..., None]) -> None:
    driver = mistake.driver()
    install(driver, mistake.scheme)
    began_s = time.monotonic()
    rig = mistake.rig(driver)
    # What is wrong need not take long.
    rig.slack_s, rig.quiet_s, rig.patience_s, rig.open_s, rig.budget_s = 0.25, 0.25, 0.6, 0.3, 2.0
    finding = RULE[mistake.rule](rig)
    record_property("planted mistake", (mistake.what, finding.rule, finding.outcome, finding.seen))
    assert finding.outcome == "broken", str(finding)
    assert time.monotonic() - began_s < LONGEST_S
    assert finding.seen.isprintable()
    assert finding.remedy


def test_each_rule_has_a_mistake_that_it_is_meant_for() -> None:
    assert [name for name in RULE if name not in {mistake.rule for mistake in MISTAKES}] == []
