"""How often the diagnosis is right: random faults on random benches of the simulator, each run with one plan.

    python tests/benchmarks/diagnosis.py [--seed 1] [--cases 8] [--quiet 1000] [--workers N] [--small]

Every case is a truth of the simulator's catalogue, or two, with random parameters, on a random bench, often with bit
errors on the link beside it. The built-in plan with all sweeps runs on it, in smaller sizes; the diagnosis sees the
record and nothing else. Which truths leave the same record under this plan is computed from the records
(`diagnosis_alike`) and printed with the share of cases that is left out for it. All is the same for the same seed,
whatever the number of workers. `--cases` is for each truth; pairs and false alarms grow with it. `--small` takes a few
truths once, to see that this program works. `--mistakes` writes every wrong case with its bench.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import diagnosis_scores as scoring
from diagnosis_alike import NO_TRACE
from diagnosis_cases import Outcome, Task, outcome_of, tasks
from diagnosis_scores import NOT_EXPLAINED, NOTHING, Scores, said, share
from diagnosis_truths import FAULTS

CASES = 8
QUIET = 1000
PAIRS, ALARMS = 6, 2
"""Of each so many for each of `--cases`."""
SMALL = ("stuck-bit", "lost-pages", "shifted", "extra-beat", "all-ones", "drop-off")


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="Measures the diagnosis on random faults.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cases", type=int, default=CASES, help="of each truth")
    parser.add_argument("--quiet", type=int, default=QUIET, help="runs with nothing wrong beyond link errors")
    parser.add_argument("--workers", type=int, default=2 * (os.cpu_count() or 1), help="a run waits for half its time")
    parser.add_argument("--small", action="store_true", help="a few truths, once")
    parser.add_argument("--mistakes", type=Path, help="write wrong cases to this file, a line of JSON each")
    given = parser.parse_args(arguments)
    if given.small:
        few = [truth for truth in FAULTS if truth.name in SMALL]
        todo = tasks(given.seed, cases=1, pairs=1, quiet=4, alarms=0, truths=few)
    else:
        n = given.cases
        todo = tasks(given.seed, cases=n, pairs=PAIRS * n, quiet=given.quiet, alarms=ALARMS * n)
    scores = scoring.scored(measured(todo, 1 if given.small else given.workers))
    if given.mistakes:
        given.mistakes.write_text("".join(json.dumps(one) + "\n" for one in mistakes(scores)))
    print(f"seed {given.seed}, {len(todo)} runs, {sum(one.cpu_s for one in scores.outcomes):.0f} s of processor time")
    for part in (matrix, excluded, rates, held_out, pairs, quiet):
        print()
        print("\n".join(part(scores)))
    return 0


def measured(todo: Sequence[Task], workers: int) -> list[Outcome]:
    """All cases, in their order."""
    if workers == 1:
        return [outcome_of(task) for task in todo]
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        return list(pool.map(outcome_of, todo, chunksize=8))


def matrix(scores: Scores) -> list[str]:
    """Truths down, first answers across, by number; a dot is none. What counts only: distinguishable cases."""
    kept = scores.kept
    columns = list(dict.fromkeys(name for one in kept for name in one.truth.mechanisms))
    columns += sorted({said(one.answered) for one in kept} - {*columns, NOTHING, NOT_EXPLAINED})
    columns += [NOTHING, NOT_EXPLAINED]
    number = {name: place for place, name in enumerate(columns, 1)}
    lines = ["First answers (across, by number) to truths (down) that are distinguishable; right ones in brackets"]
    for digit in (0, 1):
        lines.append(f"{'':24}" + "".join(f"{f'{place:02}'[digit]:>2}" for place in number.values()))
    for truth in dict.fromkeys(one.truth for one in kept):
        counts = Counter(said(one.answered) for one in kept if one.truth is truth)
        cells = "".join(f"{counts[name] or '.':>2}" for name in columns)
        right = ",".join(str(number[name]) for name in truth.mechanisms)
        lines.append(f"{truth.name[:17]:17}{f'[{right}]':>7}{cells}")
    named = [f"{place} {name}" for name, place in number.items()]
    return lines + _wrapped(named)


def excluded(scores: Scores) -> list[str]:
    lines = [
        "What this plan cannot tell apart, from the records alone",
        f"  left no trace                        {share(_in(scores.faults, scores.without_trace))}",
        f"  could have been another truth        {share(_in(scores.faults, scores.confused))}",
        f"  left out of the score, together      {share(_in(scores.faults, scores.without_trace + scores.confused))}",
    ]
    silent = Counter(one.truth.name for one in scores.without_trace)
    cases = Counter(one.truth.name for one in scores.faults)
    lines += ["  no trace (cases):", *_wrapped([f"{name} {n}/{cases[name]}" for name, n in silent.items()] or ["none"])]
    lines += ["  indistinguishable, with the share of cases taken for the other:"]
    lines += _wrapped([f"{pair.one} ~ {pair.two} {pair.error:.2f}" for pair in scores.alike.pairs] or ["none"])
    in_part = Counter(
        f"{one.truth.name} ~ {other}"
        for one, like in zip(scores.faults, scores.like, strict=True)
        for other in like
        if {one.truth.name, other} not in [{pair.one, pair.two} for pair in scores.alike.pairs] and other != NO_TRACE
    )
    return [*lines, "  overlap in part (cases):", *_wrapped([f"{k} {n}" for k, n in in_part.items()] or ["none"])]


def rates(scores: Scores) -> list[str]:
    kept = scores.kept
    worst, of_worst = scores.worst
    sure = share(map(scoring.confident_and_wrong, kept))
    return [
        "One fault, distinguishable truths            share     count         95 % interval",
        f"  first answer right          (goal 95 %)   {share(map(scoring.first_right, kept))}",
        f"  the same, link errors beside it let count {share(map(scoring.first_there, kept))}",
        f"  right among the first three (goal 99 %)   {share(map(scoring.among_first, kept))}",
        f"  confident and wrong       (goal <= 0.5 %) {sure}",
        f"  macro average over {len(scores.by_mechanism)} mechanisms          {100 * scores.macro:6.2f} %",
        f"  worst mechanism, {worst}: {of_worst}",
        *(f"  right when {level:<9} first                {own}" for level, own in scores.calibration(kept).items()),
        "All cases of one fault, those left out above too",
        f"  first answer right                        {share(map(scoring.first_right, scores.faults))}",
        f"  right among the first three               {share(map(scoring.among_first, scores.faults))}",
        f"  confident and wrong                       {share(map(scoring.confident_and_wrong, scores.faults))}",
        *(
            f"  right when {level:<9} first                {own}"
            for level, own in scores.calibration(scores.faults).items()
        ),
        f"  no trace, and the data path blamed        {share(bool(one.blames_data) for one in scores.without_trace)}",
    ]


def held_out(scores: Scores) -> list[str]:
    kept = scores.kept
    worst = Counter(one.truth.name for one in kept if not scoring.held_out_right(one))
    return [
        "The truth's own mechanism left out of the rules: the right answer is that nothing known explains it",
        f"  not explained                             {share(map(scoring.held_out_right, kept))}",
        f"  confident and wrong all the same          {share(map(scoring.held_out_confident, kept))}",
        "  explained all the same (cases):",
        *_wrapped([f"{name} {count}" for name, count in worst.most_common(16)] or ["none"]),
    ]


def pairs(scores: Scores) -> list[str]:
    both = scores.group("pair")
    return [
        "Two faults at once (whatever trace each left)",
        f"  first answer is one of them               {share(map(scoring.first_right, both))}",
        f"  both among the first three                {share(map(scoring.both_named, both))}",
        f"  confident and wrong                       {share(map(scoring.confident_and_wrong, both))}",
    ]


def quiet(scores: Scores) -> list[str]:
    lines = ["Nothing wrong beyond the link                share     count         95 % interval"]
    for name in ("healthy", "link errors"):
        blamed = share(bool(one.blames_data) for one in scores.group(name))
        lines.append(f"  {name + ': data path blamed':<42}{blamed}")
    named = share(bool(set(_names(one)) - one.right) for one in scores.group("link errors"))
    lines.append(f"  {'healthy: any answer at all':<42}{share(bool(_names(one)) for one in scores.group('healthy'))}")
    lines.append(f"  {'link errors: any other answer':<42}{named}")
    lines.append("What must raise no alarm")
    for name, (wrong, which) in scoring.alarms(scores).items():
        named_wrong = ", ".join(f"{mechanism} {count}" for mechanism, count in which.items())
        lines.append(f"  {name:<42}{wrong} {named_wrong}".rstrip())
    return lines


def mistakes(scores: Scores) -> list[dict[str, object]]:
    """Every case with something wrong, to be mended: what it was, what was answered, what would be right."""
    like = {id(one): names for one, names in zip(scores.faults, scores.like, strict=True)}
    return [
        {
            "task": [one.task.seed, one.task.number, one.task.group, *one.task.truths],
            "wrong": wrong,
            "right": sorted(one.right),
            "answers": [[answer.mechanism, answer.confidence] for answer in one.answered.answers],
            "held_out": None if one.held_out is None else [[a.mechanism, a.confidence] for a in one.held_out.answers],
            "could have been": like.get(id(one), ()),
            "noisy": one.noisy,
            "bench": one.bench,
        }
        for one in scores.outcomes
        if (wrong := _wrong(one, bool(like.get(id(one)))))
    ]


def _wrong(one: Outcome, left_out: bool) -> list[str]:
    of_fault = one.task.group == "fault" and not left_out
    checks = {
        "first": of_fault and not scoring.first_right(one),
        "three": of_fault and not scoring.among_first(one),
        "confident": scoring.confident_and_wrong(one),
        "held out": of_fault and not scoring.held_out_right(one),
        "pair": one.task.group == "pair" and not scoring.first_right(one),
        "blame": one.task.group in ("healthy", "link errors") and bool(one.blames_data),
        "alarm": one.task.group == "alarm" and bool(set(_names(one)) - one.right),
    }
    return [name for name, is_so in checks.items() if is_so]


def _names(one: Outcome) -> list[str]:
    return [answer.mechanism for answer in one.answered.answers]


def _in(cases: Sequence[Outcome], some: Sequence[Outcome]) -> list[bool]:
    chosen = {id(one) for one in some}
    return [id(one) in chosen for one in cases]


def _wrapped(words: Sequence[str], width: int = 110) -> list[str]:
    lines = ["   "]
    for word in words:
        if len(lines[-1]) + len(word) + 2 > width:
            lines.append("   ")
        lines[-1] += f" {word};"
    return lines


if __name__ == "__main__":
    sys.exit(main())
