"""The conformance kit: proves that a driver keeps the contract, rule by rule, on the card that an integrator names.

    class MyRig(laneproof.conformance.Rig):
        uri = "mycard:0000:65:00.0"

    @pytest.mark.parametrize("rule", laneproof.conformance.RULES, ids=str)
    def test_the_driver_keeps(rule):
        finding = rule(MyRig())
        if finding.outcome == "not demonstrated":
            pytest.skip(finding.seen)
        assert finding.outcome == "kept", str(finding)

`laneproof preflight` runs the same rules without pytest.
"""

from laneproof.conformance.finding import TIERS, Finding, Outcome, Tier
from laneproof.conformance.rig import Rig
from laneproof.conformance.rule import Rule
from laneproof.conformance.rules import RULES
from laneproof.conformance.runner import require_card, rules_of, run, verdict

__all__ = ["RULES", "TIERS", "Finding", "Outcome", "Rig", "Rule", "Tier", "require_card", "rules_of", "run", "verdict"]
