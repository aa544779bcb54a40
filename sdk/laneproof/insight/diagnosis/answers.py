"""What a diagnosis says: ranked answers as frozen values, plain data, and a few lines of text."""

from __future__ import annotations

import textwrap
from typing import Any, Literal

import attrs
from attrs import frozen

Confidence = Literal["confident", "likely", "possible"]


@frozen(kw_only=True)
class NextExperiment:
    """What would best tell an answer from `instead_of`: what to do, and the question that it answers."""

    name: str
    does: str
    asks: str
    harmless: bool
    if_yes: str
    """The mechanism that a yes speaks for."""
    if_no: str


@frozen(kw_only=True)
class Answer:
    """One mechanism, with what speaks for it and against it.

    `alike`: mechanisms that what was measured cannot tell from it. `together_with`: another fault that is there at the
    same time, as one alone would leave findings unexplained. `score` gives an order, and is no probability.
    """

    mechanism: str
    title: str
    layer: str
    where: str
    what: str
    source: str
    confidence: Confidence
    score: float
    evidence_for: tuple[str, ...]
    evidence_against: tuple[str, ...]
    implies: str
    next_experiment: NextExperiment | None
    alike: tuple[str, ...] = ()
    together_with: str | None = None


@frozen(kw_only=True)
class Diagnosis:
    """What may be wrong with one endpoint, the likeliest first.

    `not_explained`: something is wrong, and no known mechanism fits, or the best leaves `unexplained` findings open.
    Without answers and without that, there is nothing to explain.
    """

    endpoint: str
    answers: tuple[Answer, ...] = ()
    not_explained: bool = False
    findings: tuple[str, ...] = ()
    """What was seen that wants an explanation."""
    unexplained: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()

    @property
    def top(self) -> Answer | None:
        return self.answers[0] if self.answers else None

    @property
    def headline(self) -> str:
        """The first answer in one sentence."""
        top = self.top
        if top is None:
            return "not explained by any known mechanism" if self.not_explained else "nothing to explain"
        titles = {answer.mechanism: answer.title for answer in self.answers}
        if self.unexplained:
            return f"not explained as a whole; in part, possibly: {top.title}"
        if top.together_with is not None:
            return f"two faults at once: {top.title}, and {titles.get(top.together_with, top.together_with)}"
        if top.alike:
            return "cannot be told apart: " + " or ".join([top.title, *(titles.get(one, one) for one in top.alike)])
        return f"{top.confidence}: {top.title}"

    def lines(self, width: int = 80, most: int = 6) -> list[str]:
        """The first answer and the next step, in at most so many lines; empty where there is nothing to explain."""
        if not self.answers and not self.not_explained:
            return []
        top = self.top
        parts = [self.headline]
        if top is None:
            parts.append("seen: " + "; ".join(self.findings[:3]) if self.findings else "seen: no known sign")
            parts.append("next: swap slot and card, one at a time, and see which the fault follows")
        else:
            if top.evidence_for:
                parts.append("for: " + "; ".join(top.evidence_for[:2]))
            if top.next_experiment is not None:
                parts.append(f"next: {top.next_experiment.does} {_capital(top.next_experiment.asks)}")
        wrapped = [textwrap.wrap(part, max(20, width)) for part in parts]
        # The first line of each part before the second one of any.
        while sum(map(len, wrapped)) > most:
            longest = max(range(len(wrapped)), key=lambda index: len(wrapped[index]))
            if len(wrapped[longest]) == 1:
                wrapped.pop()
                continue
            wrapped[longest].pop()
            wrapped[longest][-1] = wrapped[longest][-1][: max(1, width - 2)].rstrip() + " …"
        return [line for lines in wrapped for line in lines]

    def to_dict(self) -> dict[str, Any]:
        """Plain data, for `run --json` and for reports."""
        return {
            "endpoint": self.endpoint,
            "headline": self.headline,
            "not_explained": self.not_explained,
            "answers": [_plain(answer) for answer in self.answers],
            "findings": list(self.findings),
            "unexplained": list(self.unexplained),
            "remarks": list(self.remarks),
        }


def _plain(answer: Answer) -> dict[str, Any]:
    plain = attrs.asdict(answer)
    plain["for"], plain["against"] = list(plain.pop("evidence_for")), list(plain.pop("evidence_against"))
    plain["alike"] = list(answer.alike)
    plain["score"] = round(answer.score, 2)
    return plain


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
