"""What `laneproof coverage` prints, in lines of 80 columns. Words only."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence

from laneproof.cli.words import WIDTH, one_line
from laneproof.insight.coverage import CAVEAT, Coverage, FalseAlarm, Row
from laneproof.units import format_seconds

_INDENT = "    "


def lines_of(found: Coverage) -> Iterator[str]:
    """All of it, the outcome last."""
    yield from _wrapped(f"plan {found.plan}; bench: {found.base}; faults of catalogue {found.catalogue}")
    yield f"list of faults: SHA-256 {found.digest[:32]}"
    yield from _wrapped(f"All of this is {CAVEAT}.")
    if found.detectable:
        yield ""
        yield f"h {'fault':22} {'severity':25} {'caught':>7}  {'by':10}  after"
        yield from map(_row, found.detectable)
        if any(row.held_out for row in found.rows):
            yield "h: held out, not looked at when the built-in plan was tuned"
    yield from _curves(found)
    yield from _undetectable(found)
    yield from _missed(found)
    yield from _outcome(found)


def _row(row: Row) -> str:
    caught = f"{row.caught}/{len(row.trials)}"
    after = "" if row.after is None else format_seconds(row.after[1])
    by = row.by[0] + ("+" if len(row.by) > 1 else "") if row.by else ", ".join(row.verdicts)
    missed = " MISSED" if row.missed else ""
    line = f"{'h' if row.held_out else ' '} {row.kind:22} {row.severity:25} {caught:>7}  {by:10}  {after}{missed}"
    return one_line(line.rstrip())


def _curves(found: Coverage) -> Iterator[str]:
    if not found.curves:
        return
    yield ""
    yield from _wrapped("detection against severity; the points are fitted, with their 95 % intervals")
    for kind, curve in found.curves.items():
        rows = [row for row in found.rows if row.kind == kind and row.level is not None and row.trials]
        yield one_line(f"{kind}, {rows[0].unit or 'by itself'}")
        tried = ", ".join(f"{row.level:g}: {row.caught}/{len(row.trials)}" for row in rows)
        yield from _wrapped(tried, _INDENT)
        if curve.half is None or curve.half_between is None or curve.most is None or curve.most_between is None:
            yield f"{_INDENT}{'always' if curve.caught else 'never'} found, so there is no point to fit"
            continue
        for share, point, (low, high) in (
            ("50", curve.half, curve.half_between),
            ("95", curve.most, curve.most_between),
        ):
            yield f"{_INDENT}{share} % are found at {point:.1e} ({low:.1e} to {high:.1e})"


def _undetectable(found: Coverage) -> Iterator[str]:
    rows = [row for row in found.rows if not row.detectable and row.kind not in found.curves]
    reasons = list(dict.fromkeys((row.kind, row.why) for row in rows))
    if not reasons:
        return
    yield ""
    yield "not detectable in principle, by traffic and registers"
    for kind, why in reasons:
        own = [row for row in rows if (row.kind, row.why) == (kind, why)]
        names = "; ".join(row.severity for row in own)
        seen = _verdicts(own) or "no slot of this bench can have it"
        yield from _wrapped(f"{kind} ({names}): {why} Seen: {seen}.", _INDENT, first="")


def _verdicts(rows: Sequence[Row]) -> str:
    counts: dict[str, int] = {}
    for row in rows:
        for verdict, count in row.verdicts.items():
            counts[verdict] = counts.get(verdict, 0) + count
    return ", ".join(f"{count} × {verdict}" for verdict, count in counts.items())


def _missed(found: Coverage) -> Iterator[str]:
    if not found.suggestions:
        return
    yield ""
    yield "missed, and the least change to the plan that finds it, tried by running"
    for one in found.suggestions:
        if one.changes:
            runs = f"{one.tried} run{'' if one.tried == 1 else 's'}"
            text = f"{one.kind}, {one.severity}: {'; '.join(one.changes)} ({runs})"
        else:
            text = f"{one.kind}, {one.severity}: none of the changes that were tried finds it"
        yield from _wrapped(text, _INDENT, first="")
    together = found.together
    if together is None:
        return
    alarms = f"{len(together.false_alarms)} false alarms in {together.healthy_runs} healthy runs"
    yield from _wrapped(
        f"all of them together ({'; '.join(together.changes)}): {together.caught} of {together.rows} found, {alarms}"
    )


def _outcome(found: Coverage) -> Iterator[str]:
    yield ""
    for alarm in found.false_alarms:
        yield from _wrapped(_alarm(alarm), _INDENT, first="")
    if found.not_passed:
        yield from _wrapped(f"{found.not_passed} healthy runs neither passed nor failed")
    detectable, held = found.detectable, [row for row in found.detectable if row.held_out]
    caught = len(detectable) - len(found.missed)
    of_held = f" (held out: {sum(not row.missed for row in held)} of {len(held)})" if held else ""
    faults = len({row.kind for row in detectable})
    yield from _wrapped(
        f"on simulated faults, this catalogue: {caught} of {len(detectable)} detectable severities of {faults} faults "
        f"caught in every run{of_held}; {len(found.false_alarms)} false alarms in {found.healthy_runs} healthy runs"
    )
    if found.interrupted:
        planned = sum(row.planned for row in found.rows)
        done = sum(len(row.trials) for row in found.rows)
        yield from _wrapped(f"interrupted: {done} of {planned} runs with a fault were done, and the rest is not known")


def _alarm(alarm: FalseAlarm) -> str:
    where = f"{alarm.condition}, " if alarm.condition else ""
    return f"false alarm ({where}slot {alarm.slot}, seed {alarm.seed}): {alarm.outcome.by}: {alarm.outcome.reason}"


def _wrapped(text: str, indent: str = "", *, first: str | None = None) -> Iterable[str]:
    begin = indent if first is None else first
    return textwrap.wrap(one_line(text), WIDTH, initial_indent=begin, subsequent_indent=indent)
