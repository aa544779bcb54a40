"""The trainer's example: each fault occurs, none is named, and what is printed suffices to find it."""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Callable, Iterator
from itertools import count, islice
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from laneproof_sim.faults import CATALOGUE

EXAMPLE = Path(__file__).parents[2] / "examples" / "hidden_fault"
NAMES = (
    "healthy",
    "lane-lost",
    "errors-to-card",
    "errors-from-card",
    "memory-random",
    "memory-cell",
    "data-line",
    "card-lost",
    "engine-halted",
    "slot-empty",
)
SEEDS_EACH = 3


@pytest.fixture(scope="module")
def exercise() -> Iterator[ModuleType]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "dont_write_bytecode", True)
        patch.syspath_prepend(EXAMPLE)
        import exercise

        yield exercise
        del sys.modules["exercise"], sys.modules["mechanisms"]


@pytest.fixture
def learner(exercise, capsys) -> Callable[..., tuple[int, str]]:
    """Runs an exercise; gives exit status and what was printed."""

    def run(seed: int, *answer: str) -> tuple[int, str]:
        status = exercise.main(["--seed", str(seed), *(("--answer", *answer) if answer else ())])
        return status, capsys.readouterr().out

    return run


def seeds_of(exercise: ModuleType, name: str, several: int = SEEDS_EACH) -> list[int]:
    return list(islice((seed for seed in count() if exercise.draw(seed)[0].name == name), several))


def measurements(printed: str) -> dict[str, str]:
    """Topic to text. What lies before is a remark, what lies after the list of answers."""
    return {line[:17].strip(): line[18:] for line in printed.split("\n\n")[1].splitlines()}


def expert(seen: dict[str, str]) -> str:
    """The mechanism that an expert concludes from what was printed alone."""
    if "data" not in seen:
        return "slot-empty" if "no receiver" in seen["open"] else "unknown"
    if seen["data"].startswith("ended early"):
        if "DOWN" in seen["link, near end"] and "FFFF" in seen["data"] and "SDES" in seen["errors, near end"]:
            return "card-lost"
        clean = seen["errors, near end"] == seen["errors, far end"] == "none counted"
        return "engine-halted" if clean and "then answers" in seen["data"] else "unknown"
    wrong = int(re.search(r"(\d+) of them wrong", seen["data"])[1])
    share = int(re.match(r"(\d+)%", seen["rate"])[1])
    # A Timeout is the sender's: it accuses the other way, like the errors at the other end that it comes with.
    near, far = (re.search(r"RxErr|BadTLP|BadDLLP", seen[f"errors, {end} end"]) for end in ("near", "far"))
    if wrong:
        if near or far or share < 95:
            return "unknown"
        if seen["distances"].startswith("1 different"):
            return "memory-cell"
        return "data-line" if re.search(r"are [0-9A-F]{2}$", seen["bits"]) else "memory-random"
    if near or far:
        return "unknown" if share > 90 or (near and far) else f"errors-{'from' if near else 'to'}-card"
    now, able = re.fullmatch(r"trained to 8 GT/s x(\d+); can do 8 GT/s x(\d+)", seen["link, near end"]).groups()
    if share < 95 or seen["link, far end"] != seen["link, near end"] or seen["wiring"] != f"{able} lanes":
        return "unknown"
    return "healthy" if now == able else "lane-lost"


def parameters(slot: dict[str, Any]) -> list[str]:
    """Numbers of the scenario's fault that nobody would meet by chance: four digits or more, or an exponent."""
    return [
        number
        for key in ("fault", "bit_error_rate", "dead_lanes")
        for number in re.findall(r"[\d.]+e-\d+|\d{4,}", str(slot.get(key, "")))
    ]


def test_every_mechanism_is_drawn_among_the_first_seeds(exercise):
    assert {exercise.draw(seed)[0].name for seed in range(40)} == set(NAMES)


def test_the_exercise_uses_the_faults_that_its_measurements_tell_apart(exercise):
    slots = [tomllib.loads(exercise.draw(seed)[1])["slot"][0] for seed in range(40)]
    kinds = {fault["kind"] for slot in slots for fault in slot.get("fault", [])}
    assert kinds == {"bit-flips", "regular-flips", "stuck-bit", "drop-off", "stall", "absent"}
    assert {way for slot in slots for way in slot.get("bit_error_rate", {})} == {"to_card", "from_card"}
    assert any("dead_lanes" in slot for slot in slots)


@pytest.mark.parametrize("name", NAMES)
def test_what_is_printed_suffices_to_find_the_mechanism(exercise, learner, name):
    for seed in seeds_of(exercise, name):
        status, printed = learner(seed)
        assert (status, expert(measurements(printed))) == (0, name), printed


@pytest.mark.parametrize("name", NAMES)
def test_what_is_printed_names_neither_the_fault_nor_its_parameters(exercise, learner, name):
    for seed in seeds_of(exercise, name):
        printed = learner(seed)[1].rpartition("\n\n")[0]  # without the list of all answers, the same each time
        slot = tomllib.loads(exercise.draw(seed)[1])["slot"][0]
        secrets = [*NAMES, *(fault.kind for fault in CATALOGUE), *parameters(slot)]
        assert [secret for secret in secrets if secret in printed] == []


def test_the_list_of_answers_is_the_same_for_every_exercise(exercise, learner):
    asked = {learner(seeds_of(exercise, name, 1)[0])[1].splitlines()[-1] for name in NAMES}
    assert asked == {f"Which is it? --answer {' | '.join(NAMES)}"}


@pytest.mark.parametrize("name", NAMES)
def test_a_right_answer_is_graded_right_with_evidence_that_was_printed(exercise, learner, name):
    seed = seeds_of(exercise, name, 1)[0]
    seen = learner(seed)[1].splitlines()
    status, debrief = learner(seed, name)
    assert status == 0
    assert debrief.startswith(f"Right: {name}. ")
    decided = debrief.split("It is decided by\n")[1].split("\n\n")[0].splitlines()
    assert decided
    assert [line for line in decided if line not in seen] == []
    assert re.search(r"^Source: \S", debrief, re.MULTILINE)


@pytest.mark.parametrize("name", NAMES)
def test_a_wrong_answer_is_graded_wrong_and_the_right_one_stays_hidden(exercise, learner, name):
    seed = seeds_of(exercise, name, 1)[0]
    following = NAMES.index(name) + 1
    for wrong in (NAMES[following % len(NAMES)], NAMES[(following + 3) % len(NAMES)]):
        status, printed = learner(seed, wrong)
        assert status == 1
        assert printed.startswith(f"Wrong. {wrong} would show itself like this: ")
        assert name not in printed.replace(wrong, "")


def test_the_same_seed_is_the_same_exercise(learner):
    assert learner(13) == learner(13)


def test_nothing_is_left_behind(exercise, learner, tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    for name in ("healthy", "card-lost", "slot-empty"):
        learner(seeds_of(exercise, name, 1)[0])
    assert list(tmp_path.iterdir()) == []


def without_numbers(text: str) -> str:
    """A finer model of the bench may count a little differently; the words stay."""
    return re.sub(r"\d+", "0", text)


def run(*arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-B", str(EXAMPLE / "exercise.py"), *arguments]
    return subprocess.run(command, cwd=cwd, capture_output=True, text=True, check=False, timeout=60)


@pytest.mark.parametrize("arguments", [("--seed", "3"), ("--seed", "3", "--answer", "errors-from-card")])
def test_the_readme_shows_what_is_printed(tmp_path, arguments):
    done = run(*arguments, cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    shown = without_numbers((EXAMPLE / "README.md").read_text("utf-8"))
    assert [line for line in without_numbers(done.stdout).splitlines() if line and f"    {line}\n" not in shown] == []


@pytest.mark.parametrize("arguments", [(), ("--seed", "-1"), ("--seed", "x"), ("--seed", "3", "--answer", "gremlins")])
def test_wrong_use_is_status_2_without_a_traceback(tmp_path, arguments):
    done = run(*arguments, cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert "Traceback" not in done.stderr
