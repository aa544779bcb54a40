"""From what is on record of an endpoint, or of a run, to ranked mechanisms."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import attrs
from attrs import frozen

from laneproof.campaign.results import EndpointResult, RunResult
from laneproof.campaign.verdict import Verdict
from laneproof.insight.diagnosis import signs_of_bits, signs_of_data, signs_of_link
from laneproof.insight.diagnosis.answers import Answer, Confidence, Diagnosis, NextExperiment
from laneproof.insight.diagnosis.evidence import Evidence, gather, links
from laneproof.insight.diagnosis.forms import wounds
from laneproof.insight.diagnosis.ranking import ALIKE, Ranked, Weight, pair, ranked
from laneproof.insight.diagnosis.rules import LEVELS, Experiment, Mechanism, Rules, rules
from laneproof.insight.diagnosis.sign import SIGNS, UNKNOWN, Look, Material, Seen

CONFIDENT, CONFIDENT_GAP = 2.9, 2.5
"""From which score, and how far ahead of the next answer, an answer is called confident: one finding that nothing else
explains, and nothing against it."""
LIKELY, LIKELY_GAP = 1.5, 1.0
MOST_ANSWERS = 5
_FROM = (signs_of_data, signs_of_bits, signs_of_link)
"""The modules whose import enters all signs."""


@frozen(kw_only=True)
class Shared:
    """One mechanism that the first answers of several endpoints of a run name."""

    mechanism: str
    endpoints: tuple[str, ...]
    tested: int
    text: str


@frozen(kw_only=True)
class RunDiagnosis:
    """The diagnoses of a run's endpoints in their order, and what several of them share."""

    endpoints: tuple[Diagnosis, ...]
    shared: tuple[Shared, ...]

    def to_dict(self) -> dict[str, Any]:
        return {
            "endpoints": [one.to_dict() for one in self.endpoints],
            "shared": [
                {"mechanism": one.mechanism, "endpoints": list(one.endpoints), "text": one.text} for one in self.shared
            ],
        }


def diagnose(
    endpoint: EndpointResult, *, using: Rules | None = None, beside: Sequence[EndpointResult] = ()
) -> Diagnosis:
    """Which mechanisms explain what went wrong on one endpoint; nothing where it passed.

    `using`: other rules than those of laneproof. `beside`: the other endpoints of the same run, for what they share.
    """
    if endpoint.verdict in (Verdict.PASS, Verdict.NONE):
        return Diagnosis(endpoint=endpoint.name)
    known = rules() if using is None else using
    evidence = gather(endpoint, _below_the_same_switch(endpoint, beside))
    return _judged(evidence, signs_of(evidence, known), known)


def signs_of(evidence: Evidence, known: Rules) -> dict[str, Seen]:
    """Every sign of the rules, as the evidence shows it."""
    material = Material(evidence, wounds(evidence))
    return {one.name: _answered(SIGNS[one.name], material) for one in known.sign}


def _answered(look: Look, material: Material) -> Seen:
    try:
        return look(material)
    except (KeyError, TypeError, ValueError, AttributeError):
        return UNKNOWN  # the record came from outside, and holds there what no run writes


def diagnose_run(run: RunResult, *, using: Rules | None = None) -> RunDiagnosis:
    """The same for every endpoint of a run, and which mechanisms several slots share."""
    found = tuple(
        diagnose(one, using=using, beside=[other for other in run.endpoints if other is not one])
        for one in run.endpoints
    )
    return RunDiagnosis(endpoints=found, shared=tuple(_shared(run, found)))


# --- one endpoint


def _judged(evidence: Evidence, seen: Mapping[str, Seen], known: Rules) -> Diagnosis:
    alone = ranked(known, seen)
    two = pair(known, seen, alone)
    findings = tuple(
        _said(one.title, seen[one.name]) for one in known.sign if one.kind == "finding" and seen[one.name].there
    )
    fitting = [one for one in alone if one.fits]
    best = two or next(iter(fitting), None)
    answers = _two_answers(two, alone, known) if two else _one_each(fitting[:MOST_ANSWERS], alone, known)
    if len(evidence.blocks) == 1:  # one case is no rule
        answers = tuple(
            attrs.evolve(one, confidence="likely") if one.confidence == "confident" else one for one in answers
        )
    left = findings if best is None else tuple(_said(one.sign.title, one.seen) for one in best.unexplained)
    return Diagnosis(
        endpoint=evidence.endpoint.name,
        answers=answers,
        not_explained=best is None or bool(left),
        findings=findings,
        unexplained=left,
        remarks=_remarks(evidence, seen, known),
    )


def _answer(
    one: Ranked, alone: Sequence[Ranked], known: Rules, *, score: float | None = None, other: str | None = None
) -> Answer:
    mechanism = one.mechanisms[0]
    alike = tuple(
        rival.name for rival in alone if rival.name != one.name and rival.fits and abs(rival.score - one.score) < ALIKE
    )
    rivals = [rival for rival in alone if rival.fits and rival.name not in (one.name, other)]
    return Answer(
        mechanism=mechanism.name,
        title=mechanism.title,
        layer=mechanism.layer,
        where=mechanism.where,
        what=mechanism.what,
        source=mechanism.source,
        confidence=_confidence(one, alone) if other is None else "possible",
        score=one.score if score is None else score,
        evidence_for=tuple(_said(weight.sign.title, weight.seen) for weight in _speaking(one, 1)),
        evidence_against=tuple(_against(weight) for weight in _speaking(one, -1)),
        implies=mechanism.implies,
        next_experiment=_next_experiment(mechanism, rivals[0].mechanisms[0] if rivals else None, known),
        alike=() if other is not None else alike,
        together_with=other,
    )


def _one_each(fitting: Sequence[Ranked], alone: Sequence[Ranked], known: Rules) -> tuple[Answer, ...]:
    return tuple(_answer(one, alone, known) for one in fitting)


def _two_answers(two: Ranked, alone: Sequence[Ranked], known: Rules) -> tuple[Answer, ...]:
    by_name = {one.name: one for one in alone}
    first, second = sorted(two.mechanisms, key=lambda one: -by_name[one.name].score)
    both = (
        _answer(by_name[first.name], alone, known, score=two.score, other=second.name),
        _answer(by_name[second.name], alone, known, score=two.score, other=first.name),
    )
    rest = [one for one in alone if one.fits and one.name not in (first.name, second.name)]
    return (*both, *_one_each(rest[: MOST_ANSWERS - 2], alone, known))


def _confidence(one: Ranked, alone: Sequence[Ranked]) -> Confidence:
    best_other = max((rival.score for rival in alone if rival.fits and rival.name != one.name), default=0.0)
    gap = one.score - max(0.0, best_other)
    if one.unexplained or one.unmeasured:
        return "possible"
    if one.score >= CONFIDENT and gap >= CONFIDENT_GAP:
        return "confident"
    return "likely" if one.score >= LIKELY and gap >= LIKELY_GAP else "possible"


def _speaking(one: Ranked, side: int) -> list[Weight]:
    """What speaks for it (1) or against it (-1), the strongest first."""
    return sorted(
        (weight for weight in one.weights if side * weight.score > 0.4), key=lambda weight: -side * weight.score
    )


def _said(title: str, seen: Seen) -> str:
    """What was seen, which is more than the sign's title says."""
    return seen.what or title


def _against(weight: Weight) -> str:
    if weight.seen.there:
        rare = "hardly goes with it" if weight.expected else "is not explained by it"
        return f"{_said(weight.sign.title, weight.seen)}: {rare}"
    return f"expected and not seen: {weight.sign.title}"


def _remarks(evidence: Evidence, seen: Mapping[str, Seen], known: Rules) -> tuple[str, ...]:
    said = [_said(one.title, seen[one.name]) for one in known.sign if one.kind == "remark" and seen[one.name].there]
    if evidence.unreadable:
        said.append(f"{evidence.unreadable} records of damage could not be read")
    if any(not one.tells_places for one in evidence.damage):
        said.append("the pattern does not tell where wrong data came from: repeat with prbs31")
    return tuple(said)


def _next_experiment(mechanism: Mechanism, rival: Mechanism | None, known: Rules) -> NextExperiment | None:
    """The experiment whose outcome differs most between the two; a harmless one where several do as much."""
    unsure = LEVELS["sometimes"]

    def chance(one: Mechanism | None, name: str) -> float:
        return unsure if one is None or name not in one.experiments else LEVELS[one.experiments[name]]

    def apart(one: Experiment) -> float:
        return round(abs(chance(mechanism, one.name) - chance(rival, one.name)), 3)

    candidates = [one for one in known.experiment if one.name in mechanism.experiments]
    if not candidates:
        return None
    best = max(candidates, key=lambda one: (apart(one), one.harmless))
    other = "something else" if rival is None else rival.name
    mine = chance(mechanism, best.name) > chance(rival, best.name)
    return NextExperiment(
        name=best.name,
        does=best.does,
        asks=best.asks,
        harmless=best.harmless,
        if_yes=mechanism.name if mine else other,
        if_no=other if mine else mechanism.name,
    )


# --- several endpoints


def _switch_of(endpoint: EndpointResult) -> str | None:
    """The name of the port next above the card's own, where there is one: slots below one switch share it."""
    ends = list(links(endpoint))
    return str(ends[2].get("name")) if len(ends) > 2 else None


def _below_the_same_switch(
    endpoint: EndpointResult, beside: Sequence[EndpointResult]
) -> tuple[tuple[bool, bool], ...] | None:
    switch = _switch_of(endpoint)
    if switch is None:
        return None
    others = [one for one in beside if _switch_of(one) == switch]
    return tuple((any(step.bytes_moved for step in one.steps), _has_wrong_bits(one)) for one in others)


def _has_wrong_bits(endpoint: EndpointResult) -> bool:
    evidence = gather(endpoint)
    return any(wound.form == "bits" for wound in wounds(evidence))


def _shared(run: RunResult, found: Sequence[Diagnosis]) -> list[Shared]:
    named: dict[str, list[str]] = {}
    for one in found:
        for mechanism in dict.fromkeys([answer.mechanism for answer in one.answers[:1]]):
            named.setdefault(mechanism, []).append(one.endpoint)
    tested = sum(1 for one in run.endpoints if one.steps)
    shared: list[Shared] = []
    for mechanism, names in named.items():
        if len(names) > 1:
            everyone = len(names) == len(run.endpoints)
            text = (
                f"{'all' if everyone else len(names)} of {len(run.endpoints)} slots show it, so what they share (host, "
                "switch, driver, kind of card) is suspect before any one of them"
            )
            shared.append(Shared(mechanism=mechanism, endpoints=tuple(names), tested=tested, text=text))
    return shared
