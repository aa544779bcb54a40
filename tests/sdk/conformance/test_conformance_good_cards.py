"""Good drivers keep every rule that they can demonstrate; those in memory, each that a mistake of theirs breaks.

Since each rule has such a mistake, every rule is seen to be kept by a driver that differs by one change.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from planted import CARDS, plant_all
from planted_windows import SLOW, SlowWindow
from window_card import WindowDriver, WindowRig

from laneproof import conformance
from laneproof.campaign.verdict import Verdict
from laneproof.conformance import RULES, Finding, Rig, rules_of


def require_good(findings: tuple[Finding, ...], *not_kept: str) -> None:
    """Nothing is broken, and every rule is kept that is neither for another kind of card nor named here."""
    assert [str(finding) for finding in findings if finding.outcome == "broken"] == []
    assert conformance.verdict(findings) is Verdict.PASS
    hooks = [finding.rule for finding in findings if finding.seen.startswith("the rig")]
    assert hooks == list(not_kept)


@pytest.mark.parametrize("scheme", CARDS)
def test_a_good_card_in_memory_keeps_every_rule(install: Callable[..., None], scheme: str) -> None:
    make, rig = CARDS[scheme]
    driver: Any = make()
    install(driver, scheme)
    findings = conformance.run(rig(driver))
    # A message queue that is made anew with each opening holds no earlier user's bytes.
    require_good(findings, *(("stray-bytes-are-dropped",) if scheme == "queue" else ()))
    meant = {mistake.rule for mistake in plant_all() if mistake.scheme == scheme}
    assert meant - {finding.rule for finding in findings if finding.outcome == "kept"} == NEED_A_SLOW_CARD & meant


NEED_A_SLOW_CARD = {"a-window-keeps-its-deadline"}
"""Where all that a call may move is moved at once, a deadline that is ignored costs nothing."""


def test_a_slow_window_keeps_its_deadline(install: Callable[..., None]) -> None:
    driver = WindowDriver()
    driver.path_type, driver.limits = SlowWindow, SLOW
    install(driver, "window-card")
    rig = WindowRig(driver)
    rig.slack_s = 0.25
    finding = next(rule for rule in RULES if rule.name == "a-window-keeps-its-deadline")(rig)
    assert finding.outcome == "kept", str(finding)


NO_HOOKS = (
    "a-silent-card-writes-nothing-late",
    "stray-bytes-are-dropped",
    "two-cards-share-nothing",
    "two-cards-are-told-apart",
    "a-lost-device-is-said-to-be-lost",
    "a-loss-reaches-the-user-as-one-error",
    "a-loss-ends-a-wait",
    "a-card-that-came-back-opens",
)
"""Rules that need more of the rig than a URI, on a stream."""


class Patient(Rig):
    """Processes of their own, on a computer that may be busy with others."""

    wait_s = 0.1
    budget_s = 0.5
    largest = 1 << 17
    slack_s = 1.0


@pytest.mark.parametrize("arguments", [(), ("--socket", "card")], ids=["terminal", "socket"])
def test_the_driver_of_character_devices_keeps_every_rule(
    echo: Callable[..., str], tmp_path: Path, arguments: tuple[str, ...]
) -> None:
    placed = [str(tmp_path / argument) if argument == "card" else argument for argument in arguments]
    uri = echo(*placed) + "?nominal_mb_s=20"
    require_good(conformance.run(Patient(uri), rules_of("card")), *NO_HOOKS)


class Bench(Patient):
    uri = "sim:demo#north"
    second_uri = "sim:demo#middle"


def test_the_simulated_bench_keeps_every_rule() -> None:
    findings = conformance.run(Bench(), rules_of("card"))
    assert [str(finding) for finding in findings if finding.outcome == "broken"] == []
    assert conformance.verdict(findings) is Verdict.PASS
