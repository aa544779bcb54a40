"""One case: a bench drawn at random, a run of the plan on it by the campaign's runner, what was seen and answered."""

from __future__ import annotations

import os
import random
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

import attrs
from attrs import field, frozen
from diagnosis_benches import SLOT, Bench, drawn
from diagnosis_observation import observed
from diagnosis_truths import FALSE_ALARMS, FAULTS, HEALTHY, LINK_ERRORS, LINK_SIDE, Truth

from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.plan import Plan
from laneproof.campaign.results import EndpointResult
from laneproof.campaign.steps.integrity import IntegrityStep
from laneproof.campaign.steps.link import LinkStep
from laneproof.campaign.steps.soak import SoakStep
from laneproof.campaign.steps.sweep import SWEEPS
from laneproof.campaign.steps.throughput import ThroughputStep
from laneproof.documents import Size
from laneproof.insight.diagnosis import diagnose, rules

Group = Literal["fault", "pair", "healthy", "link errors", "alarm"]
KNOWN = {truth.name: truth for truth in (*FAULTS, *FALSE_ALARMS, HEALTHY, LINK_ERRORS)}
NOISY = 0.3
"""The share of benches with a fault whose link has errors beside it."""


@frozen
class Task:
    """What to draw; `number` and `seed` settle everything that is random in it."""

    seed: int
    number: int
    group: Group
    truths: tuple[str, ...]


@frozen(kw_only=True)
class Answer:
    mechanism: str
    confidence: str


@frozen(kw_only=True)
class Answered:
    answers: tuple[Answer, ...]
    not_explained: bool

    @property
    def top(self) -> Answer | None:
        return self.answers[0] if self.answers else None


@frozen(kw_only=True)
class Outcome:
    """A case as it ended. `held_out` is the answer with the rules of the truth's own mechanisms left out."""

    task: Task
    noisy: bool
    verdict: str
    features: dict[str, float] = field(repr=False)
    answered: Answered
    held_out: Answered | None
    cpu_s: float
    bench: str = field(repr=False)

    @property
    def truth(self) -> Truth:
        return KNOWN[self.task.truths[0]]

    @property
    def mechanisms(self) -> list[tuple[str, ...]]:
        """Those that are right for each of its truths."""
        return [KNOWN[name].mechanisms for name in self.task.truths]

    @property
    def right(self) -> frozenset[str]:
        """Mechanisms that are no mistake to name first."""
        return right_of(self.task, noisy=self.noisy)

    @property
    def tolerated(self) -> frozenset[str]:
        """Mechanisms that are no mistake to name at all: those that are right, and what the noise is."""
        return self.right | (frozenset(LINK_ERRORS.mechanisms) if self.noisy else frozenset())

    @property
    def blames_data(self) -> list[Answer]:
        """Answers that blame what data pass through and are not tolerated."""
        return [one for one in self.answered.answers if one.mechanism not in LINK_SIDE | self.tolerated]


RANDOM_BITS = frozenset({"card-memory-noise", "card-memory-cell", "switch-memory-noise", "host-memory-cell"})


def right_of(task: Task, *, noisy: bool) -> frozenset[str]:
    """Mechanisms that are right for a task."""
    right = frozenset(name for truth in task.truths for name in KNOWN[truth].mechanisms)
    # Random bits with link errors rising: which of two faults or one common cause it is, nobody can tell.
    return right | ({"common-cause"} if noisy and right & RANDOM_BITS else frozenset())


def plan_for(uri: str, seed: int) -> Plan:
    """The built-in plan's steps with all sweeps, in sizes that let thousands of runs end in minutes."""
    plan = plans.builtin()
    shorter = {
        LinkStep: {"load": Size(256 << 10)},
        IntegrityStep: {"bytes": Size(512 << 10), "sweep": SWEEPS},
        ThroughputStep: {"bytes": Size(256 << 10)},
        SoakStep: {"bytes": Size(1 << 20), "portion": Size(256 << 10)},
    }
    steps = tuple(attrs.evolve(step, **shorter.get(type(step), {})) for step in plan.step)
    return attrs.evolve(plan.over([uri]), step=steps, seed=seed)


def bench_of(task: Task) -> tuple[Bench, bool]:
    """The bench that a task draws, and whether its link has errors beside what is wrong."""
    chance = random.Random(f"{task.seed} {task.number} {task.group} {' '.join(task.truths)}")
    bench = drawn(chance)
    noisy = task.group in ("fault", "pair") and "absent" not in task.truths and chance.random() < NOISY
    for truth in task.truths:
        KNOWN[truth].put(chance, bench)
    if noisy:
        bench.link_errors(chance, 1e-9, 3e-6)
    return bench, noisy


def record_of(task: Task) -> tuple[EndpointResult, bool, str]:
    """Run the plan on a task's bench: what came of it, whether its link had errors, the scenario's text."""
    bench, noisy = bench_of(task)
    text = bench.text()
    with tempfile.TemporaryDirectory(prefix="laneproof-diagnosis-") as folder:
        scenario = Path(folder) / "bench.toml"
        scenario.write_text(text)
        plan = plan_for(f"sim:{scenario}?seed={task.number}#{SLOT}", task.seed)
        result = runner.run(plan, Path(folder) / "run.ledger")
    return result.endpoints[0], noisy, text


def outcome_of(task: Task) -> Outcome:
    """One case from beginning to end."""
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    began = time.process_time()
    endpoint, noisy, text = record_of(task)
    names = tuple(sorted(right_of(task, noisy=noisy)))
    return Outcome(
        task=task,
        noisy=noisy,
        verdict=str(endpoint.verdict),
        features=observed(endpoint),
        answered=_answered(endpoint, ()),
        held_out=_answered(endpoint, names) if task.group == "fault" else None,
        cpu_s=time.process_time() - began,
        bench=text,
    )


def _answered(endpoint: EndpointResult, without: Sequence[str]) -> Answered:
    found = diagnose(endpoint, using=rules().without(*without)) if without else diagnose(endpoint)
    return Answered(
        answers=tuple(Answer(mechanism=one.mechanism, confidence=str(one.confidence)) for one in found.answers),
        not_explained=bool(found.not_explained),
    )


def tasks(
    seed: int, *, cases: int, pairs: int, quiet: int, alarms: int, truths: Sequence[Truth] = FAULTS
) -> list[Task]:
    """What is to be drawn: `cases` of each truth and `alarms` of each that must raise none, `quiet` runs, `pairs`."""
    chance = random.Random(f"{seed} pairs")
    partners = [truth.name for truth in truths if not truth.bench_wide]
    wanted: list[tuple[Group, tuple[str, ...]]] = [
        *(("fault", (truth.name,)) for truth in truths for _ in range(cases)),
        *(("pair", tuple(chance.sample(partners, 2))) for _ in range(pairs)),
        *((HEALTHY.name, (HEALTHY.name,)) for _ in range(quiet // 2)),
        *(("link errors", (LINK_ERRORS.name,)) for _ in range(quiet - quiet // 2)),
        *(("alarm", (truth.name,)) for truth in FALSE_ALARMS for _ in range(alarms)),
    ]
    return [Task(seed, number, group, names) for number, (group, names) in enumerate(wanted)]
