"""Tries rules one after the other, and says what they amount to."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress

from laneproof.campaign.verdict import Verdict
from laneproof.conformance.finding import TIERS, Finding, GivenUp, Tier
from laneproof.conformance.rig import Rig
from laneproof.conformance.rule import Rule
from laneproof.conformance.rules import RULES
from laneproof.conformance.trial import Trial
from laneproof.conformance.watch import Watch
from laneproof.contract import Card
from laneproof.errors import BadInput, CannotOpen


def rules_of(tier: Tier) -> tuple[Rule, ...]:
    """The rules of a tier and of those before it."""
    return tuple(rule for rule in RULES if TIERS.index(rule.tier) <= TIERS.index(tier))


def require_card(rig: Rig) -> Card | None:
    """Open the rig's card and close it; the card as it was. Raises CannotOpen where it is absent, not permitted or in
    use, and BadInput.

    Whatever else goes wrong, and leaves None, is a rule's to find.
    """
    errors: list[CannotOpen | BadInput] = []
    cards: list[Card] = []
    watch = Watch(rig.patience_s)
    trial = Trial(rig, watch)

    def reach() -> None:
        with suppress(Exception, GivenUp):
            try:
                cards.append(trial.connect())
                trial.close(cards[0])
            except (CannotOpen, BadInput) as error:
                error.uri, error.operation = error.uri or rig.uri, error.operation or "preflight"
                errors.append(error)

    watch.run(reach, "laneproof-rule-reach")
    if errors:
        raise errors[0]
    return cards[0] if cards else None


def run(
    rig: Rig, rules: Sequence[Rule] = RULES, progress: Callable[[Finding], object] | None = None
) -> tuple[Finding, ...]:
    """Try each rule; `progress` is told each finding as it comes. Nothing that a driver does ends it early."""
    findings: list[Finding] = []
    for rule in rules:
        findings.append(rule(rig))
        if progress is not None:
            progress(findings[-1])
    return tuple(findings)


def verdict(findings: Iterable[Finding]) -> Verdict:
    """Fail if a rule is broken; inconc if one that every such card can demonstrate was not; none for nothing tried."""
    found = list(findings)
    if any(finding.outcome == "broken" for finding in found):
        return Verdict.FAIL
    if any(finding.missing for finding in found):
        return Verdict.INCONC
    return Verdict.PASS if any(finding.outcome == "kept" for finding in found) else Verdict.NONE
