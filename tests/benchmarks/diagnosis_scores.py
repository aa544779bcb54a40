"""Numbers from cases: how often the answer was right, with how much confidence, and each with its 95 % interval."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence

from attrs import field, frozen
from diagnosis_alike import NO_TRACE, Alike, Seen, alike
from diagnosis_cases import Answered, Outcome
from scipy import stats

CONFIDENT = "confident"
CONFIDENCES = (CONFIDENT, "likely", "possible")
TOP = 3
NOTHING = "(nothing)"
NOT_EXPLAINED = "(not explained)"


@frozen
class Share:
    """So many of so many."""

    count: int
    of: int

    @property
    def interval(self) -> tuple[float, float]:
        """Exact 95 % limits of the probability (Clopper and Pearson, 1934, by scipy)."""
        if not self.of:
            return 0.0, 1.0
        limits = stats.binomtest(self.count, self.of).proportion_ci(0.95, "exact")
        return float(limits.low), float(limits.high)

    @property
    def value(self) -> float:
        return self.count / self.of if self.of else float("nan")

    def __str__(self) -> str:
        if not self.of:
            return "none to count"
        low, high = self.interval
        few = f"; 0 shows at most 3/{self.of} = {100 * min(1.0, 3 / self.of):.2f} %" if not self.count else ""
        return f"{100 * self.value:6.2f} %  {self.count:>4} of {self.of:<4}  [{100 * low:.2f}, {100 * high:.2f}]{few}"


def share(which: Iterable[bool]) -> Share:
    held = list(which)
    return Share(sum(held), len(held))


@frozen(kw_only=True)
class Scores:
    """All that is printed. `kept` are the cases of one fault whose truth is distinguishable under the plan."""

    outcomes: Sequence[Outcome] = field(repr=False)
    alike: Alike = field(repr=False)
    faults: Sequence[Outcome] = field(repr=False)
    like: Sequence[tuple[str, ...]] = field(repr=False)

    @property
    def kept(self) -> list[Outcome]:
        return [one for one, like in zip(self.faults, self.like, strict=True) if not like]

    @property
    def without_trace(self) -> list[Outcome]:
        return [one for one, like in zip(self.faults, self.like, strict=True) if NO_TRACE in like]

    @property
    def confused(self) -> list[Outcome]:
        """Left a trace, and could have been of another truth."""
        return [one for one, like in zip(self.faults, self.like, strict=True) if like and NO_TRACE not in like]

    def group(self, name: str) -> list[Outcome]:
        return [one for one in self.outcomes if one.task.group == name]

    @property
    def by_mechanism(self) -> dict[str, Share]:
        """Of the kept cases of each mechanism, those in which it came first."""
        found: defaultdict[str, list[bool]] = defaultdict(list)
        for one in self.kept:
            found[" or ".join(one.truth.mechanisms)].append(first_right(one))
        return {name: share(right) for name, right in found.items()}

    @property
    def macro(self) -> float:
        values = [own.value for own in self.by_mechanism.values()]
        return sum(values) / len(values) if values else float("nan")

    @property
    def worst(self) -> tuple[str, Share]:
        return min(self.by_mechanism.items(), key=lambda item: item[1].value, default=("none", Share(0, 0)))

    def calibration(self, among: Sequence[Outcome]) -> dict[str, Share]:
        """For each confidence, the share of first answers that are right."""
        tops = [(one, one.answered.top) for one in among]
        return {
            level: share(top.mechanism in one.right for one, top in tops if top is not None and top.confidence == level)
            for level in CONFIDENCES
        }


def scored(outcomes: Sequence[Outcome]) -> Scores:
    """Which cases count, found without a look at any answer; then what became of them."""
    compared = [one for one in outcomes if one.task.group in ("fault", "healthy", "link errors")]
    found = alike(
        [
            Seen(one.truth.name, frozenset(one.truth.mechanisms), one.features, quiet=one.task.group != "fault")
            for one in compared
        ]
    )
    faults = [(one, like) for one, like in zip(compared, found.like, strict=True) if one.task.group == "fault"]
    return Scores(
        outcomes=outcomes,
        alike=found,
        faults=[one for one, _ in faults],
        like=[like for _, like in faults],
    )


def first_right(one: Outcome) -> bool:
    top = one.answered.top
    return top is not None and top.mechanism in one.right


def first_there(one: Outcome) -> bool:
    """Whether the first answer names something that is there, be it the link errors beside the fault."""
    top = one.answered.top
    return top is not None and top.mechanism in one.tolerated


def among_first(one: Outcome) -> bool:
    return any(answer.mechanism in one.right for answer in one.answered.answers[:TOP])


def confident_and_wrong(one: Outcome) -> bool:
    """Any answer, wherever it stands, that is confident and names what is not there."""
    sure = {answer.mechanism for answer in one.answered.answers if answer.confidence == CONFIDENT}
    return bool(sure - one.tolerated)


def both_named(one: Outcome) -> bool:
    """Of two faults, whether each is among the first three answers."""
    named = {answer.mechanism for answer in one.answered.answers[:TOP]}
    return all(named & set(mechanisms) for mechanisms in one.mechanisms)


def held_out_right(one: Outcome) -> bool:
    return one.held_out is not None and one.held_out.not_explained


def held_out_confident(one: Outcome) -> bool:
    """With its own rules left out, something that is not there was named with confidence all the same."""
    assert one.held_out is not None
    sure = {answer.mechanism for answer in one.held_out.answers if answer.confidence == CONFIDENT}
    return bool(sure - one.tolerated)


def said(answered: Answered) -> str:
    """The first answer, in a word."""
    if answered.top is not None:
        return answered.top.mechanism
    return NOT_EXPLAINED if answered.not_explained else NOTHING


def alarms(scores: Scores) -> dict[str, tuple[Share, Counter[str]]]:
    """Of each thing that must raise no alarm, how often one was raised, and which."""
    found: dict[str, tuple[Share, Counter[str]]] = {}
    for name in dict.fromkeys(one.truth.name for one in scores.group("alarm")):
        own = [one for one in scores.group("alarm") if one.truth.name == name]
        wrong = [{answer.mechanism for answer in one.answered.answers} - one.right for one in own]
        found[name] = share(map(bool, wrong)), Counter(mechanism for named in wrong for mechanism in named)
    return found
