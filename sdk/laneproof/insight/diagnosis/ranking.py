"""How well each mechanism fits the signs that were seen: a score each, from few coarse chances, and its reasons.

The scores are those of naive Bayes against "not explained by any known mechanism", which takes each sign as it comes.
Signs are not independent, and the chances are words (`rules.LEVELS`), so that a score gives an order and no
probability. What speaks most for a mechanism is that it explains what is there, not that something is missing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import combinations

from attrs import frozen

from laneproof.insight.diagnosis.rules import LEVELS, Mechanism, Rules, Sign, SignKind
from laneproof.insight.diagnosis.sign import Seen

BY_ITSELF: Mapping[SignKind, float] = {"finding": 0.05, "trait": 0.2, "absence": 0.2, "remark": 0.05}
"""The chance of a sign where no known mechanism is at work."""
UNEXPLAINED = 0.001
"""The chance of a finding where a mechanism is at work that does not bring it along."""
EXPECTED = 0.5
"""The chance from which on a sign is missed where it is not there."""
EXPLAINED = 0.5
"""The score from which on a mechanism is an answer: better than none by the word of one weak sign."""
ALIKE = 0.5
"""Scores so close tell nothing apart."""
SECOND_FAULT = 3.0
"""What a second fault at the same time costs: one chance in twenty."""
BETTER = 1.0
"""By how much two faults must fit better than one."""


@frozen(kw_only=True)
class Weight:
    """What one sign does for one mechanism: `score` above zero speaks for it, below against it."""

    sign: Sign
    seen: Seen
    score: float
    chance: float
    """How often the sign is there with the mechanism at work."""
    expected: bool
    """Whether the mechanism speaks of the sign."""

    @property
    def vouches(self) -> bool:
        """Whether the sign is there, as it should be; that nothing is counted vouches for nothing."""
        return self.expected and self.seen.there is True and self.chance >= EXPECTED and self.sign.kind != "absence"

    @property
    def rules_out(self) -> bool:
        """Whether what is always there is missing, or is there that never is."""
        there = self.seen.there is True
        return self.expected and (self.chance <= LEVELS["never"] if there else self.chance >= LEVELS["always"])


@frozen(kw_only=True)
class Ranked:
    """One mechanism, or two at the same time, and how it fits."""

    mechanisms: tuple[Mechanism, ...]
    score: float
    weights: tuple[Weight, ...]
    unmeasured: tuple[Sign, ...] = ()
    """Findings that should always be there, and of which it is not known whether they are."""

    @property
    def name(self) -> str:
        return self.mechanisms[0].name

    @property
    def fits(self) -> bool:
        """Whether it is an answer: something vouches for it, nothing rules it out, and it is better than none."""
        return self.score >= EXPLAINED and self.stands

    @property
    def stands(self) -> bool:
        return any(one.vouches for one in self.weights) and not any(one.rules_out for one in self.weights)

    @property
    def unexplained(self) -> tuple[Weight, ...]:
        """Findings that it leaves unexplained."""
        return tuple(one for one in self.weights if one.sign.kind == "finding" and one.seen.there and one.score < 0)


def chances(sign: Sign, mechanisms: Sequence[Mechanism]) -> float | None:
    """How often a sign is there with all of these at work; None where none of them speaks of it."""
    spoken = [LEVELS[one.signs[sign.name]] for one in mechanisms if sign.name in one.signs]
    if not spoken:
        return UNEXPLAINED if sign.kind == "finding" else None
    if sign.kind == "absence":  # any of them ends it
        return math.prod(spoken) if len(spoken) == len(mechanisms) else None
    return 1 - math.prod(1 - chance for chance in spoken)


def weigh(sign: Sign, seen: Seen, mechanisms: Sequence[Mechanism]) -> Weight | None:
    """What a sign says of these mechanisms; None where it says nothing."""
    chance = chances(sign, mechanisms)
    if seen.there is None or chance is None:
        return None
    expected = any(sign.name in one.signs for one in mechanisms)
    by_itself = BY_ITSELF[sign.kind]
    if seen.there:
        return Weight(sign=sign, seen=seen, score=math.log(chance / by_itself), chance=chance, expected=expected)
    if not expected:
        return None
    if chance < EXPECTED:  # that something is missing which comes but sometimes tells nothing
        return None
    score = math.log((1 - chance) / (1 - by_itself))
    return Weight(sign=sign, seen=seen, score=score, chance=chance, expected=True)


def fit(rules: Rules, seen: Mapping[str, Seen], *mechanisms: Mechanism) -> Ranked:
    """How one mechanism fits, or several at the same time."""
    weights = [weight for sign in rules.sign if (weight := weigh(sign, seen[sign.name], mechanisms)) is not None]
    score = sum(weight.score for weight in weights) - SECOND_FAULT * (len(mechanisms) - 1)
    unmeasured = tuple(
        sign
        for sign in rules.sign
        if sign.kind == "finding"
        and seen[sign.name].there is None
        and any(one.signs.get(sign.name) == "always" for one in mechanisms)
    )
    return Ranked(mechanisms=mechanisms, score=score, weights=tuple(weights), unmeasured=unmeasured)


def ranked(rules: Rules, seen: Mapping[str, Seen]) -> tuple[Ranked, ...]:
    """Every mechanism by itself, those that fit first, the best first; in the file's order where scores are equal."""
    found = [fit(rules, seen, one) for one in rules.mechanism]
    return tuple(sorted(found, key=lambda one: (not one.fits, -one.score)))


def pair(rules: Rules, seen: Mapping[str, Seen], alone: Sequence[Ranked]) -> Ranked | None:
    """Two mechanisms at the same time that fit clearly better than any by itself; None where there are none.

    Tried where the best one leaves a finding unexplained. Of two each must explain a finding that the other does not.
    """
    if not alone or (alone[0].fits and not alone[0].unexplained):
        return None
    candidates = [one for one in alone if one.stands]
    best: Ranked | None = None
    for one, other in combinations(candidates, 2):
        mine, yours = _explained(one), _explained(other)
        if mine <= yours or yours <= mine:
            continue
        both = fit(rules, seen, *one.mechanisms, *other.mechanisms)
        if best is None or both.score > best.score:
            best = both
    least = alone[0].score + BETTER if alone[0].fits else EXPLAINED
    return best if best is not None and best.score >= least else None


def _explains(one: Ranked, weight: Weight) -> bool:
    return weight.sign.kind in ("finding", "remark") and bool(weight.seen.there) and weight.score > 0


def _explained(one: Ranked) -> set[str]:
    return {weight.sign.name for weight in one.weights if _explains(one, weight)}
