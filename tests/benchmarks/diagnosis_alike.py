"""Which truths the plan cannot tell apart, computed from what runs showed and from nothing that the diagnosis said.

A run left *no trace* where every feature of its digest (`diagnosis_observation`) lies within what healthy benches, and
such with nothing but link errors, show.

All others are compared truth by truth: of two truths each case in turn is taken for that of its nearest neighbour
among all others of both. Features are weighed by the share of their variance that lies between the two, reckoned
without the case; those below `LEAST_SHARE` are left out, since with so few cases chance alone reaches a part of that.

- Two truths are *indistinguishable* where a quarter of the cases or more are taken for the other truth. By Cover and
  Hart (1967, "Nearest neighbor pattern classification") such an error E of nearest neighbours bounds the least
  possible error e* from below: E <= 2 e* (1 - e*), so e* >= 0.146. All cases of both are then left out of the score.
- Two truths *overlap in part* where fewer are, and some are on either side; only these cases are left out.

Neither counts between truths of which one mechanism is right for both.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

PAIR_ERROR = 0.25
LEAST_SHARE = 0.15
FEWEST = 6
"""Cases of a truth that left a trace; of fewer nothing can be said."""
NO_TRACE = "no trace"
_Floats = NDArray[np.float64]


@frozen
class Seen:
    """One run: its truth, the mechanisms that are right for it, and its digest. `quiet`: no fault is there."""

    truth: str
    right: frozenset[str]
    features: dict[str, float] = field(repr=False)
    quiet: bool = False


@frozen(kw_only=True)
class Pair:
    """Two truths that cannot be told apart; `error` is the share of cases that are taken for the other."""

    one: str
    two: str
    error: float


@frozen(kw_only=True)
class Alike:
    """What cannot be told apart. `like[i]` names what case i could have been; none: it is distinguishable."""

    pairs: tuple[Pair, ...]
    like: tuple[tuple[str, ...], ...]


def alike(seen: Sequence[Seen]) -> Alike:
    """Compare all runs; `quiet` ones are but the measure of what leaves no trace."""
    names = sorted({name for one in seen for name in one.features})
    values = np.array([[one.features.get(name, 0.0) for name in names] for one in seen])
    quiet = np.array([one.quiet for one in seen])
    traced = ~quiet & _outside(values, values[quiet])
    like: list[set[str]] = [{NO_TRACE} if silent else set() for silent in ~traced & ~quiet]

    cases: dict[str, list[int]] = {}
    for index in np.flatnonzero(traced):
        cases.setdefault(seen[index].truth, []).append(int(index))
    truths = [truth for truth, own in cases.items() if len(own) >= FEWEST]
    pairs: list[Pair] = []
    for place, one in enumerate(truths):
        for two in truths[place + 1 :]:
            if seen[cases[one][0]].right & seen[cases[two][0]].right:
                continue
            wrong_one, wrong_two = _taken_for_the_other(values[cases[one]], values[cases[two]])
            error = float((wrong_one.mean() + wrong_two.mean()) / 2)
            apart = error < PAIR_ERROR
            if not apart:
                pairs.append(Pair(one=one, two=two, error=error))
            elif not (wrong_one.any() and wrong_two.any()):
                continue
            for own, other, wrong in ((one, two, wrong_one), (two, one, wrong_two)):
                for case, taken in zip(cases[own], wrong, strict=True):
                    if taken or not apart:
                        like[case].add(other)
    return Alike(pairs=tuple(pairs), like=tuple(tuple(sorted(names)) for names in like))


def _outside(values: _Floats, quiet: _Floats) -> NDArray[np.bool_]:
    if not len(quiet):
        return np.ones(len(values), bool)
    beyond = (values < quiet.min(axis=0) - 1e-9) | (values > quiet.max(axis=0) + 1e-9)
    return beyond.any(axis=1)


def _taken_for_the_other(one: _Floats, two: _Floats) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Of each case whether its nearest neighbour is of the other truth; a tie counts so."""
    values, second = np.concatenate((one, two)), np.arange(len(one) + len(two)) >= len(one)
    values = values[:, values.var(axis=0) > 1e-12]
    wrong = np.zeros(len(values), bool)
    for case in range(len(values)):
        rest = np.arange(len(values)) != case
        known, of_second = values[rest], second[rest]
        share = of_second.mean()
        apart = known[of_second].mean(axis=0) - known[~of_second].mean(axis=0)
        between = share * (1 - share) * apart**2 / np.maximum(known.var(axis=0), 1e-9)
        weights = np.where(between >= min(LEAST_SHARE, between.max(initial=0.0)), between, 0.0)
        far = np.abs(known - values[case]) @ weights
        own = of_second == second[case]
        wrong[case] = far[~own].min() <= far[own].min()
    return wrong[: len(one)], wrong[len(one) :]
