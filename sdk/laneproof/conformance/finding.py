"""What comes of trying one rule on one driver, and how a rule says so."""

from __future__ import annotations

from typing import Any, Literal, get_args

from attrs import frozen

Tier = Literal["offline", "card", "soak"]
"""`offline` moves no data, `card` takes seconds, `soak` minutes, as the rig's time budget says."""
TIERS: tuple[Tier, ...] = get_args(Tier)

Outcome = Literal["kept", "broken", "not demonstrated"]


@frozen(kw_only=True)
class Finding:
    """One rule on one driver: what came of it, what was seen, and what to do next (nothing for a rule that is kept)."""

    rule: str
    tier: Tier
    states: str
    """The rule in one sentence."""
    outcome: Outcome
    seen: str
    remedy: str = ""
    missing: bool = False
    """Not demonstrated, though every card of its kind can demonstrate it: without it there is no pass."""

    def __str__(self) -> str:
        """All of it in one line."""
        return f"{self.rule}: {self.outcome}: {self.seen}" + (f"; {self.remedy}" if self.remedy else "")

    def to_dict(self) -> dict[str, Any]:
        """Plain data, for JSON."""
        return {
            "rule": self.rule,
            "tier": self.tier,
            "states": self.states,
            "outcome": self.outcome,
            "seen": self.seen,
            "remedy": self.remedy,
            "missing": self.missing,
        }


class Broken(Exception):
    """The driver breaks the rule that is being tried; the message says what was seen."""


class NotDemonstrated(Exception):
    """The rule cannot be tried on this card or rig; the message says what is missing."""


class NotApplicable(NotDemonstrated):
    """The card has nothing that the rule is about, so that nothing is missing."""


class GivenUp(BaseException):
    """The rule was reported already, since a call did not come back. No handler of a driver is meant to stop it."""


def require(condition: object, seen: str) -> None:
    """Raise Broken unless the condition holds; `seen` says what was seen instead."""
    if not condition:
        raise Broken(seen)
