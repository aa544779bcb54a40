"""Days of a pattern in one direction, compared by the card itself: what is claimed of it, and what is not."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterable
from contextlib import closing
from pathlib import Path
from typing import Any, ClassVar

import attrs
import pytest
from engine_bench import engine_bench
from scipy import stats

from laneproof import registry
from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.events import Event, Sampled
from laneproof.campaign.ledger import read_ledger, verify
from laneproof.campaign.planned import planned_steps
from laneproof.campaign.results import RunResult, StepResult
from laneproof.cli.summary import verdict_line
from laneproof.clock import Deadline
from laneproof.contract import Card, Driver, ErrorInjector, Found, PatternCount, PatternEngine
from laneproof.errors import DeviceLost, DriverFault

RunPlan = Callable[..., RunResult]
GIB = 1 << 30
CLEAN = "[slot.bit_error_rate]\nto_card = 0.0\nfrom_card = 0.0\n"
SIX = {
    **dict.fromkeys(("north", "middle", "south", "east"), CLEAN),
    "noisy": "[slot.bit_error_rate]\nfrom_card = 1e-14\n",
    "flipping": '[[slot.fault]]\nkind = "bit-flips"\nprobability = 1e-13\n',
}
LINE_BYTES_PER_S = 16e9 * 8 / 8 * 128 / 130
"""Sixteen GT/s on eight lanes, coded 128b/130b (PCI Express Base Specification, 4.2.2, from memory): no payload is
faster."""


def one_way(**keys: object) -> str:
    lines = (
        f"{key} = {value if isinstance(value, int) else chr(34) + str(value) + chr(34)}" for key, value in keys.items()
    )
    return "\n".join(('[[step]]\nkind = "one-way"', *lines)).replace("True", "true").replace("False", "false")


def said(step: StepResult, verdict: str) -> str:
    return "\n".join(reason.text for reason in step.reasons if str(reason.verdict) == verdict)


# --- six slots for days


def soaked(run_plan: RunPlan, tmp_path: Path, hours: int, portion_min: int = 1) -> tuple[float, int]:
    """Six slots for so many hours of their clocks; real seconds that took, and the size of the ledger in bytes."""
    uris = engine_bench(tmp_path / "six.toml", SIX)
    began_s = time.monotonic()
    result = run_plan(one_way(duration=f"{hours} h", portion=f"{portion_min} min", stop_on_failure=False), *uris)
    took_s = time.monotonic() - began_s
    steps = {endpoint.name: endpoint.steps[0] for endpoint in result.endpoints}
    for name, step in steps.items():
        measures = step.measures
        assert measures["seconds"] == pytest.approx(3600 * hours, rel=1e-3, abs=60 * portion_min)
        assert step.finished_s - step.started_s == pytest.approx(measures["seconds"], abs=1.0)
        # Every portion's checker counted an injected error, so that all of it is exposure.
        exposure = 8 * step.bytes_moved
        assert measures["bits_checked"] == exposure
        assert 0.85 < step.bytes_moved / (LINE_BYTES_PER_S * measures["seconds"]) < 0.95
        residual = measures["residual_corruption"]
        assert residual["exposure_bits"] == exposure
        # The exact upper bound for a Poisson count, by its relation to the chi-squared distribution.
        bound = stats.chi2.ppf(0.95, 2 * (residual["wrong_bits"] + 1)) / 2 / exposure
        assert residual["upper_bound_per_bit"] == pytest.approx(bound, rel=1e-6), name
    for name in ("north", "middle", "south", "east"):
        assert str(steps[name].verdict) == "pass"
        assert "no link errors counted at either end, while" in said(steps[name], "pass")
    assert "BadTLP; the limit is 0" in said(steps["noisy"], "fail")
    assert steps["noisy"].measures["mismatched_bits"] == 0  # link errors never reach the data
    # A flipped byte has one wrong bit; of a Poisson count with this mean fewer than 1 in 10^6 lie outside.
    flips = steps["flipping"].measures["mismatched_bits"]
    low, high = stats.poisson.interval(1 - 1e-6, 1e-13 * steps["flipping"].bytes_moved)
    assert low <= flips <= high
    assert f"the card's checker counted {flips} wrong bits in" in said(steps["flipping"], "fail")
    ledger = tmp_path / "run.ledger"
    assert verify(ledger).broken_at is None
    with closing(sqlite3.connect(ledger)) as database:
        (rows, nbytes) = database.execute("SELECT count(*), sum(verified_bytes) FROM sample").fetchone()
    assert nbytes == sum(step.bytes_moved for step in steps.values())
    portions = 60 * hours // portion_min
    assert 0.9 * portions <= rows / 6 <= portions + 1  # fewer than portions once rows are rolled up
    return took_s, ledger.stat().st_size


def test_six_slots_run_for_an_hour_and_claim_what_their_cards_compared(run_plan: RunPlan, tmp_path: Path) -> None:
    _, nbytes = soaked(run_plan, tmp_path, 1, portion_min=5)
    assert nbytes < 1 << 20


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_six_slots_run_for_72_hours_in_minutes(
    run_plan: RunPlan, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    took_s, nbytes = soaked(run_plan, tmp_path, 72)
    assert nbytes < 32 << 20
    with capfd.disabled():
        print(f"\nsix slots for 72 hours of virtual time: {took_s / 60:.1f} min, ledger {nbytes / 2**20:.1f} MiB")


# --- what a portion is worth


class Bare(PatternEngine):
    """An engine of another card's, to which no error can be injected."""

    def __init__(self, engine: PatternEngine) -> None:
        self.patterns = engine.patterns
        self._engine = engine

    def start(self, channel: str, direction: Any, pattern: str, deadline: Deadline) -> None:
        self._engine.start(channel, direction, pattern, deadline)

    def read(self, deadline: Deadline) -> PatternCount:
        return self._engine.read(deadline)

    def stop(self, deadline: Deadline) -> None:
        self._engine.stop(deadline)


class Noting(Bare):
    """One that notes in which direction it was started."""

    directions: ClassVar[list[str]] = []

    def start(self, channel: str, direction: Any, pattern: str, deadline: Deadline) -> None:
        self.directions.append(direction)
        super().start(channel, direction, pattern, deadline)


class Blind(Bare, ErrorInjector):
    """One that does not count what is injected."""

    def inject(self, bits: int, deadline: Deadline) -> None: ...


class LosesLock(Bare):
    """One that loses its lock each time it is started."""

    def read(self, deadline: Deadline) -> PatternCount:
        return attrs.evolve(super().read(deadline), lock_losses=1)


class StandsStill(Bare):
    """One that compares no more than a GiB."""

    def read(self, deadline: Deadline) -> PatternCount:
        count = super().read(deadline)
        return attrs.evolve(count, bits=min(count.bits, 8 * GIB))


class Leaves(Bare):
    """One whose card is gone in the middle of a portion, for no reason to be seen."""

    _readings = 0

    def read(self, deadline: Deadline) -> PatternCount:
        self._readings += 1
        if self._readings > 1:
            raise DeviceLost("no answer")
        return attrs.evolve(super().read(deadline), bits=8 * GIB)


class Breaks(Leaves):
    """One whose driver fails there."""

    def read(self, deadline: Deadline) -> PatternCount:
        try:
            return super().read(deadline)
        except DeviceLost:
            raise DriverFault("an ioctl failed") from None


class OtherEngine(Driver):
    """The cards of the simulator with another engine in place of theirs."""

    physical = False

    def __init__(self, kind: type[Bare]) -> None:
        self._cards = registry.driver_for("sim")
        self.options = self._cards.options
        self._kind = kind

    def discover(self, deadline: Deadline) -> Iterable[Found]:
        return ()

    def connect(self, address: Any, options: Any, deadline: Deadline) -> Card:
        card = self._cards.connect(address, options, deadline)
        parts = tuple(self._kind(part) if isinstance(part, PatternEngine) else part for part in card.parts)
        return attrs.evolve(card, parts=parts)


@pytest.fixture
def over(run_plan: RunPlan, install: Callable[..., None], tmp_path: Path) -> Callable[..., StepResult]:
    """Runs the step on a card of a bench of its own, with that engine; `more` is added to its slot."""

    def run(
        kind: type[Bare] | None = None, more: str = CLEAN, ledger: str = "run.ledger", **keys: object
    ) -> StepResult:
        (uri,) = engine_bench(tmp_path / "one.toml", {"north": more})
        if kind is not None:
            install(OtherEngine(kind), "other")
            uri = uri.replace("sim:", "other:")
        result = run_plan(one_way(**{"duration": "2 min", **keys}), uri, ledger=ledger)
        return result.endpoints[0].steps[0]

    return run


@pytest.mark.parametrize("direction", ["to_card", "from_card"])
def test_each_direction_is_claimed_by_itself(over: Callable[..., StepResult], direction: str) -> None:
    step = over(direction=direction)
    assert (str(step.verdict), step.measures["direction"]) == ("pass", direction)
    assert said(step, "pass").startswith(f"prbs31 {direction.replace('_', ' ')}: ")
    assert "payload bits were compared by the card" in said(step, "pass")


def test_the_engine_is_started_in_the_direction_that_the_plan_names(over: Callable[..., StepResult]) -> None:
    Noting.directions.clear()
    over(Noting, direction="to_card")
    assert set(Noting.directions) == {"to_card"}


def test_a_checker_that_was_never_seen_to_count_is_not_demonstrated(over: Callable[..., StepResult]) -> None:
    step = over(Bare)
    assert str(step.verdict) == "inconc"
    assert "is not demonstrated" in said(step, "inconc")
    assert step.bytes_moved > GIB
    assert (step.measures["bits_checked"], step.measures["residual_corruption"]) == (0, None)
    assert "per bit" not in said(step, "pass")


def test_a_checker_that_does_not_count_an_injected_error_ends_the_step(over: Callable[..., StepResult]) -> None:
    step = over(Blind, stop_on_failure=False)
    assert str(step.verdict) == "inconc"
    assert "did not count an error that was injected" in said(step, "inconc")
    assert step.finished_s - step.started_s < 100  # a portion and no more
    assert step.measures["residual_corruption"] is None


def test_a_checker_that_never_locks_has_compared_nothing(over: Callable[..., StepResult]) -> None:
    step = over(more='[[slot.fault]]\nkind = "bit-flips"\nprobability = 0.999999\n' * 2, duration="1 s")
    assert str(step.verdict) == "inconc"
    assert "never locked onto the pattern, so nothing was compared" in said(step, "inconc")
    assert (step.bytes_moved, step.measures["residual_corruption"]) == (0, None)


def test_a_lost_lock_fails_whatever_was_counted(over: Callable[..., StepResult]) -> None:
    step = over(LosesLock)
    assert str(step.verdict) == "fail"
    assert "lost the pattern once, as" in said(step, "fail")


@pytest.mark.parametrize(("kind", "verdict"), [(Leaves, "inconc"), (Breaks, "error")])
def test_a_portion_that_is_cut_short_is_no_stalled_one(
    over: Callable[..., StepResult], kind: type[Bare], verdict: str
) -> None:
    step = over(kind)
    assert str(step.verdict) == verdict
    assert step.bytes_moved == GIB
    assert "stalled" not in said(step, "fail")


def test_a_pattern_that_stands_still_fails(over: Callable[..., StepResult]) -> None:
    step = over(StandsStill, duration="1 s")
    assert f"the pattern stalled; {GIB} of " in said(step, "fail")


def test_a_counter_at_its_end_says_at_least_and_bounds_nothing(over: Callable[..., StepResult]) -> None:
    step = over(more='[[slot.fault]]\nkind = "bit-flips"\nprobability = 0.01\n')
    assert f"counted at least {2**32 - 1} wrong bits" in said(step, "fail")
    assert (step.measures["saturated"], step.measures["residual_corruption"]) == (True, None)


def test_wrong_bits_end_the_step_unless_the_plan_says_otherwise(over: Callable[..., StepResult]) -> None:
    flips = '[[slot.fault]]\nkind = "bit-flips"\nprobability = 1e-10\n'
    stopped = over(more=flips, portion="10 s")
    went_on = over(more=flips, portion="10 s", stop_on_failure=False, ledger="other.ledger")
    lasted = [step.finished_s - step.started_s for step in (stopped, went_on)]
    assert lasted == [pytest.approx(10, abs=3), pytest.approx(120, abs=5)]


def test_what_came_nowhere_back_is_said_to_have_moved(run_plan: RunPlan, tmp_path: Path) -> None:
    result = run_plan(one_way(duration="1 s"), *engine_bench(tmp_path / "one.toml", {"north": CLEAN}))
    assert f"{8 * result.endpoints[0].steps[0].bytes_moved} bits moved)" in verdict_line(result).plain
    plan = plans.kept(dict(result.plan), "the plan")
    assert [str(step) for step in planned_steps(plan, 1e9)] == ["one-way: at most 953.7 MiB one way, about 1 s"]


def test_a_card_without_an_engine_cannot_do_it(run_plan: RunPlan) -> None:
    ((step,),) = (endpoint.steps for endpoint in run_plan(one_way(), "sim:demo#north").endpoints)
    assert "the plan asks for what this card cannot do: one direction alone needs a PatternEngine" in said(
        step, "error"
    )


# --- resumed


class Killed(BaseException):
    """Ends a run with no word about it in its ledger."""


@pytest.fixture
def killed(run_plan: RunPlan, tmp_path: Path) -> Callable[..., list[Sampled]]:
    """Runs the step until its series has that many rows; returns them."""

    def run(text: str, rows: int, uri: str) -> list[Sampled]:
        samples: list[Sampled] = []

        def cut(event: Event) -> None:
            samples.extend([event] if isinstance(event, Sampled) else [])
            if len(samples) == rows:
                raise Killed

        with pytest.raises(Killed):
            run_plan(text, uri, watch=cut)
        return samples[:rows]

    return run


def test_a_run_that_was_cut_off_goes_on_and_claims_the_exposure_of_both(
    killed: Callable[..., list[Sampled]], tmp_path: Path
) -> None:
    (uri,) = engine_bench(tmp_path / "one.toml", {"north": CLEAN})
    samples = killed(one_way(duration="10 min"), 4, uri)
    (step,) = runner.resume(tmp_path / "run.ledger").endpoints[0].steps
    before = read_ledger(tmp_path / "run.ledger").endpoints[0].steps[0].measures["carried"]["verified_bytes"]
    assert before == sum(sample.verified_bytes for sample in samples)
    assert step.measures["seconds"] == pytest.approx(600, abs=10)
    assert step.finished_s - step.started_s == pytest.approx(360, abs=10)
    assert step.measures["bytes_checked"] == step.bytes_moved > before
    assert "of this exposure were verified before the run was resumed" in said(step, "pass")


def test_a_step_that_was_cut_off_once_all_had_been_compared_is_judged_by_that(
    killed: Callable[..., list[Sampled]], tmp_path: Path
) -> None:
    (uri,) = engine_bench(tmp_path / "one.toml", {"north": CLEAN})
    samples = killed(one_way(duration="2 min"), 2, uri)
    assert sum(sample.seconds for sample in samples) >= 120
    (step,) = runner.resume(tmp_path / "run.ledger").endpoints[0].steps
    exposure = 8 * sum(sample.verified_bytes for sample in samples)
    assert (step.bytes_moved, step.measures["residual_corruption"]["exposure_bits"]) == (exposure // 8, exposure)
    assert "of this exposure were verified before the run was resumed" in said(step, "pass")
    assert "fewer than" in said(step, "pass")


def test_a_lock_that_was_lost_before_the_run_was_cut_off_is_not_forgotten(
    killed: Callable[..., list[Sampled]], install: Callable[..., None], tmp_path: Path
) -> None:
    (uri,) = engine_bench(tmp_path / "one.toml", {"north": CLEAN})
    install(OtherEngine(LosesLock), "other")
    killed(one_way(duration="3 min", stop_on_failure=False), 1, uri.replace("sim:", "other:"))
    install(OtherEngine(Noting), "other")  # as good as that of the simulator
    (step,) = runner.resume(tmp_path / "run.ledger").endpoints[0].steps
    assert str(step.verdict) == "fail"
    assert "1 wrong bits or lost locks were counted in" in said(step, "fail")
