"""What a comparison, or a matrix of swaps, comes to for a reader: 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from laneproof.campaign.results import RunResult
from laneproof.campaign.statistics import LEAST_RUNS
from laneproof.cli.words import one_line
from laneproof.insight.comparison import RunsCompared
from laneproof.insight.comparison_claims import Difference, Kind
from laneproof.insight.comparison_noise import FALSE_ALARM, FOUND, LOSS
from laneproof.insight.swaps import LIMIT, Followed, NextRun, Part, Suspect

if TYPE_CHECKING:
    from rich.console import Console

_TITLES: dict[Kind, str] = {
    "worse": "worse",
    "better": "better",
    "new": "new",
    "gone": "not seen any more",
    "no longer claimed": "can no longer be claimed",
    "not told": "cannot be said",
    "surroundings": "other surroundings, and so perhaps a cause",
}
_PLACE = 20
"""Columns of slot and step before a text."""
_LONGEST = 240
"""Letters of one text; the JSON has all of them."""
_NAME = 24
"""Columns of a part's name in a table."""


def print_comparison(human: Console, found: RunsCompared, earlier: Sequence[str], later: Sequence[str]) -> None:
    """The runs, what differs by kind, what the noise allows to say, and the outcome in one line."""
    for side, runs, paths in (("earlier", found.earlier, earlier), ("later", found.later, later)):
        for run, path in zip(runs, paths, strict=True):
            _wrapped(human, f"{side:9}", f"{path}: {_moment(run)}, {run.verdict}")
    if found.plan_differs:
        _wrapped(human, f"{'plans':9}", f"differ, in {'; '.join(found.plan_differs)}")
    for kind, title in _TITLES.items():
        rows = found.of(kind)
        if rows:
            human.print(f"\n{title}")
        for row in rows:
            _row(human, row)
    human.print("\nnoise")
    for text in _noise(found):
        _wrapped(human, "  ", text)
    counts = ", ".join(f"{len(found.of(kind))} {kind}" for kind in _TITLES if found.of(kind))
    human.print(f"\ncompared: {found.outcome}" + (f"  ({counts})" if counts else ""))


def _row(human: Console, row: Difference) -> None:
    place = one_line(f"{row.slot} {row.step}".strip())
    if len(place) > _PLACE - 4:
        _wrapped(human, "  ", place)
        place = ""
    _wrapped(human, f"  {place:{_PLACE - 2}}", row.text)


def _noise(found: RunsCompared) -> list[str]:
    if not found.comparisons:
        return ["nothing here could be held against noise"]
    said = [
        f"{found.comparisons} comparison{'s' * (found.comparisons != 1)} of rates, times and counts, corrected for "
        f"their number (Holm): equal runs show any difference in {FALSE_ALARM:.0%} of cases at most"
    ]
    for values, by_run in dict.fromkeys((one.values, one.by_run) for one in found.spreads):
        alike = [one for one in found.spreads if (one.values, one.by_run) == (values, by_run)]
        largest = alike[0].largest
        what = f"of {values[0]} and {values[1]} {'runs' if by_run else 'repetitions'}, a loss of {LOSS:.0%}"
        if largest is None:
            said.append(f"{what} is never found as surely as {FOUND:.0%}")
        else:
            said.append(f"{what} is found in {FOUND:.0%} of cases where their rates spread by {largest:.2%} at most")
        said.append("they spread by " + ", ".join(f"{one.seen:.2%} ({one.slot} {one.step})" for one in alike))
    if all(one.virtual_time for run in (*found.earlier, *found.later) for one in run.endpoints):
        said.append("rates are those of simulated time, in which one run is enough")
    if any(not one.by_run for one in found.spreads):
        said.append(
            "repetitions of one run share a state of the computer that their spread does not show; it is taken to "
            f"be as large again. {LEAST_RUNS} earlier runs or more show it better"
        )
    if found.lower_bounds:
        said.append("counts of link errors are lower bounds, and bursts make them look more certain than they are")
    return said


def _moment(run: RunResult) -> str:
    return run.started_utc[:19].replace("T", " ") + " UTC"


# --- swaps


def print_swaps(human: Console, found: Followed) -> None:
    """The runs as a table, the suspects, the answer, and what is missing."""
    risers = any(one.riser is not None for one in found.trials)
    human.print(_line("slot", "card", "riser" if risers else "", "failed", "passed"))
    for one in found.trials:
        riser = (one.riser or "none") if risers else ""
        human.print(_line(one.slot, one.card, riser, str(one.failed), str(one.passed)), soft_wrap=True)
    if found.suspects:
        human.print("\nthere whenever it failed")
        for one in found.suspects:
            _wrapped(human, "  ", _suspected(one))
    if found.answer == "undecided":
        human.print("\nmissing: whatever comes of them, these decide, one after another")
        for number, run in enumerate(found.missing, 1):
            _wrapped(human, f"  {number}. ", _asked(run, found))
    for first, second in found.pairs:
        _wrapped(human, "  ", f"two faults would explain it: one of {first}, one of {second}")
    human.print()
    _wrapped(human, "swaps: ", _answered(found))


def _line(slot: str, card: str, riser: str, failed: str, passed: str) -> str:
    cells = [_cell(name) for name in (slot, card, riser)[: 3 if riser else 2]]
    return f"{''.join(cells)}{failed:>6} {passed:>6}"


def _cell(name: str) -> str:
    name = one_line(name)
    width = _NAME - 3
    return f"{name if len(name) <= width else name[: width - 1] + '…':{_NAME - 2}}"


def _suspected(one: Suspect) -> str:
    if one.beside is None:
        return f"{one.part}: {_times(one.passed)} with it"
    said = (
        f"{one.part}: {_times(one.passed)} with it, and never failed without {one.beside}; were it at fault, the "
        f"chance of that is {one.chance:.2g}"
    )
    return said + (f", so it is acquitted (at {LIMIT:g} or less)" if one.acquitted else f", more than {LIMIT:g}")


def _times(passes: int) -> str:
    return "no pass" if not passes else f"{passes} pass{'es' * (passes != 1)}"


def _asked(run: NextRun, found: Followed) -> str:
    said = [f"{kind} {name}" for kind, name in (("slot", run.slot), ("card", run.card)) if name is not None]
    said += [f"another {kind}" for kind, name in (("slot", run.slot), ("card", run.card)) if name is None]
    if run.riser is not None:
        said.append(f"riser {run.riser}")
    elif run.without_riser:
        said.append("no riser")
    else:
        said.append("another riser, or none")
    text = f"{', '.join(said)}; repeat = {run.repeat}"
    if run.tests is None:
        return f"{text}. If all pass, it is {_left(found)[0]}; a failure shows that no part alone is at fault"
    return f"{text}. A failure accuses {run.tests}, {run.repeat} passes acquit it"


def _left(found: Followed) -> list[Part]:
    return [one.part for one in found.suspects if not one.acquitted]


def _answered(found: Followed) -> str:
    if found.answer == "follows":
        return f"the fault follows {found.part}"
    if found.answer == "only together":
        parts = " and ".join(str(one.part) for one in found.suspects)
        return f"it failed only where {parts} were together: look at how they fit, before replacing either"
    if found.answer == "none alone":
        return (
            "no slot, card or riser was there whenever it failed: two faults, or one of what all runs share, such as "
            "the computer or the plan"
        )
    if found.answer == "no failure":
        return "no run failed, so there is no fault to follow; that it is gone is not shown"
    return f"cannot be decided yet between {' and '.join(map(str, _left(found)))}"


def _wrapped(human: Console, first: str, text: str) -> None:
    width = max(human.width, 40)
    shown = one_line(text)
    for line in textwrap.wrap(
        shown if len(shown) <= _LONGEST else f"{shown[: _LONGEST - 1]}…",
        width,
        initial_indent=first,
        subsequent_indent=" " * len(first),
    ):
        human.print(line, soft_wrap=True)
