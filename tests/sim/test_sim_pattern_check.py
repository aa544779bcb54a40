"""A check in one direction as a user asks for it, of a simulated card that has a pattern engine."""

from __future__ import annotations

import pytest

import laneproof
from laneproof.errors import NotOffered
from laneproof_sim.pattern_engine import PATTERNS

DIRECTIONS = ("to_card", "from_card")


def test_a_card_has_an_engine_only_if_its_scenario_says_so() -> None:
    with laneproof.open("sim:demo#north") as card, pytest.raises(NotOffered, match="PatternEngine"):
        card.check("prbs31", 1 << 20, direction="to_card")


@pytest.mark.parametrize("direction", DIRECTIONS)
def test_an_endpoint_checks_for_thirty_virtual_days(direction: str) -> None:
    # Poisson: 1e-12 on each of 8 lanes at 16 GT/s, of which nearly all are seen once by the end where they arrive.
    with laneproof.open("sim:own-pattern#north") as card:
        began_s = card.clock.now_s()
        result = card.check("prbs31", int(30 * 86400 * 13.5e9), direction=direction)  # type: ignore[arg-type]
        passed_s = card.clock.now_s() - began_s
        errors = card.read_errors()
        assert result.ok
        assert result.method == "card"
        assert "not demonstrated" not in result.caution
        assert passed_s > 25 * 86400
        expected = 8 * 1e-12 * 16e9 * passed_s
        for end in (errors.near, errors.far):
            first_seen = sum(end.correctable[name].n for name in ("RxErr", "BadTLP", "BadDLLP"))  # type: ignore[union-attr]
            assert first_seen == pytest.approx(expected, rel=0.02)
        assert card.check("prbs31", 1 << 20).ok


def test_each_pattern_of_the_engine_is_one_that_laneproof_knows() -> None:
    for name in PATTERNS:
        with laneproof.open("sim:own-pattern#north") as card:
            assert laneproof.pattern(name).name == name
            assert card.check(name, 1 << 20, direction="from_card").ok
