"""Which of slot, card and riser a fault follows, from runs in which they were swapped. Counts in, an answer out.

One part is taken to be at fault. It may fail now and then only, so that a pass acquits nothing by itself: passes are
counted. A failure does acquit every part that was not there. A part that was there in every run is not told from all
else that was. Where several are left, the answer is that it cannot be decided yet, with the fewest runs that would.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, Literal

from attrs import asdict, frozen

from laneproof.campaign.statistics.checks import checked_count
from laneproof.errors import BadInput

Kind = Literal["slot", "card", "riser"]
KINDS: tuple[Kind, ...] = ("slot", "card", "riser")
LIMIT = 0.05
"""The chance, were a part at fault, of failures that fall as they did, at or below which it is acquitted: one in 20,
so that three failures with another part there and three passes without it are enough."""
MOST_REPEATS = 10_000

Answer = Literal["follows", "only together", "none alone", "undecided", "no failure"]


@frozen
class Part:
    """A slot, a card or a riser, by its label."""

    kind: Kind
    name: str

    def __str__(self) -> str:
        return f"{self.kind} {self.name}"


@frozen(kw_only=True)
class Trial:
    """One run of one slot: what was in use (no riser is None), and how often it failed and passed."""

    slot: str
    card: str
    riser: str | None = None
    failed: int = 0
    passed: int = 0

    @property
    def parts(self) -> tuple[Part, ...]:
        named = zip(KINDS, (self.slot, self.card, self.riser), strict=True)
        return tuple(Part(kind, name) for kind, name in named if name is not None)


@frozen(kw_only=True)
class Suspect:
    """A part that was there whenever it failed; `chance` is how likely failures fall so were it at fault.

    `beside` is the part without which it never failed, and to which that chance belongs; None where there is none.
    """

    part: Part
    passed: int
    chance: float
    beside: Part | None

    @property
    def acquitted(self) -> bool:
        return self.chance <= LIMIT


@frozen(kw_only=True)
class NextRun:
    """A run that is missing: what to put together, a name of None where any other one does, and how often to repeat."""

    slot: str | None
    card: str | None
    riser: str | None
    repeat: int
    tests: Part | None
    """The part that stays under suspicion in it: it alone, of those that are suspects. None: none of them does."""
    without_riser: bool = False


@frozen(kw_only=True)
class Followed:
    """What the fault follows. `part` only where the answer is "follows", `missing` only where it is "undecided"."""

    answer: Answer
    part: Part | None
    suspects: tuple[Suspect, ...]
    missing: tuple[NextRun, ...]
    trials: tuple[Trial, ...]
    pairs: tuple[tuple[Part, Part], ...] = ()
    """Where no part was there whenever it failed: two that would explain it together, each a fault of its own."""

    @property
    def decided(self) -> bool:
        return self.answer in ("follows", "only together")

    def to_dict(self) -> dict[str, Any]:
        """The document that `compare --swap --json` writes; its "schema" number changes with its meaning."""
        return {"schema": 1, "limit": LIMIT, **asdict(self)}


def follow(trials: Iterable[Trial]) -> Followed:
    """Which part the fault follows.

    Raises BadInput for counts that are none and for no trial at all.
    """
    counted = tuple(trials)
    for one in counted:
        checked_count("failures", one.failed)
        checked_count("passes", one.passed)
    if not any(one.failed + one.passed for one in counted):
        raise BadInput("no run in here was judged pass or fail; give ledgers of runs that were")
    failing = [one for one in counted if one.failed]
    if not failing:
        return Followed(answer="no failure", part=None, suspects=(), missing=(), trials=counted)
    common = [part for part in failing[0].parts if all(part in one.parts for one in failing)]
    if not common:
        pairs = tuple(_pairs(failing))
        return Followed(answer="none alone", part=None, suspects=(), missing=(), trials=counted, pairs=pairs)
    suspects = tuple(_suspect(part, common, counted) for part in common)
    left = [one.part for one in suspects if not one.acquitted]
    if len(left) == 1 and _passed_without(left[0], counted):
        return Followed(answer="follows", part=left[0], suspects=suspects, missing=(), trials=counted)
    if not left:
        return Followed(answer="only together", part=None, suspects=suspects, missing=(), trials=counted)
    missing = tuple(_missing(left, common, counted))
    return Followed(answer="undecided", part=None, suspects=suspects, missing=missing, trials=counted)


def _suspect(part: Part, common: Sequence[Part], trials: Sequence[Trial]) -> Suspect:
    """Held against the other part that explains best why it passed.

    Were `part` at fault, with a chance that stays the same, its failures would be spread evenly over all times that
    it was there. That all of them fall where another one is there too is then as likely as drawing them so: the
    hypergeometric distribution (Fisher 1922, J. R. Stat. Soc. 85, 87).
    """
    times, passed = _times(trials, part), sum(one.passed for one in trials if part in one.parts)
    failed = times - passed
    others = [(math.comb(_times(trials, part, other), failed) / math.comb(times, failed), other) for other in common]
    chance, beside = min(
        ((chance, other) for chance, other in others if other != part), default=(1.0, None), key=_first
    )
    return Suspect(part=part, passed=passed, chance=chance, beside=beside if chance < 1 else None)


def _first(row: tuple[float, Part | None]) -> float:
    return row[0]


def _times(trials: Iterable[Trial], *parts: Part) -> int:
    """How often it was judged with all of these parts there."""
    return sum(one.failed + one.passed for one in trials if all(part in one.parts for part in parts))


def _pairs(failing: Sequence[Trial]) -> Iterator[tuple[Part, Part]]:
    """Two parts of which one at least was there whenever it failed."""
    parts = list(dict.fromkeys(part for one in failing for part in one.parts))
    for index, first in enumerate(parts):
        for second in parts[index + 1 :]:
            if all(first in one.parts or second in one.parts for one in failing):
                yield first, second


def _passed_without(part: Part, trials: Iterable[Trial]) -> bool:
    return any(one.passed and part not in one.parts for one in trials)


# --- what is missing


def _missing(left: Sequence[Part], common: Sequence[Part], trials: Sequence[Trial]) -> Iterator[NextRun]:
    """One run fewer than there are suspects left: each has one of them there, and others in place of the rest.

    If it fails, that one it is; if all of them pass, the last. Suspects that were there most often go first, since
    the fewest more passes acquit them. Where nothing shows yet that it passes without such a part, one more does.
    """
    if len(left) == 1:
        yield _with(None, common, trials, _repeats(left[0], (), trials))
        return
    order = sorted(left, key=lambda part: -_times(trials, part))
    last = None if len(order) > 2 or _passed_without(order[0], trials) else len(order)
    for part in order[: last or -1]:
        yield _with(part, common, trials, _repeats(part, left, trials))


def _with(part: Part | None, common: Sequence[Part], trials: Sequence[Trial], repeat: int) -> NextRun:
    names: dict[Kind, str | None] = {}
    without_riser = False
    for kind in KINDS:
        suspect = next((one for one in common if one.kind == kind), None)
        if part is not None and suspect == part:
            names[kind] = part.name
            continue
        used = [one for trial in trials for one in trial.parts if one.kind == kind and one != suspect]
        # One that has passed is the better stand-in.
        used.sort(key=lambda one: -sum(trial.passed for trial in trials if one in trial.parts))
        names[kind] = used[0].name if used else None
        if kind == "riser" and not used:
            without_riser = suspect is None or any(trial.riser is None for trial in trials)
    return NextRun(
        slot=names["slot"],
        card=names["card"],
        riser=names["riser"],
        repeat=repeat,
        tests=part,
        without_riser=without_riser,
    )


def _repeats(part: Part, left: Sequence[Part], trials: Sequence[Trial]) -> int:
    """The fewest passes in a row that acquit `part`, there without any other suspect; or, where it is the only one and
    is not there, all else that is."""
    times = _times(trials, part)
    failed = sum(one.failed for one in trials)
    within = min((_times(trials, part, other) for other in left if other != part), default=times)
    ways = math.comb(within, failed)
    for more in range(1, MOST_REPEATS):
        if ways / math.comb(times + more, failed) <= LIMIT:
            return more
    return MOST_REPEATS
