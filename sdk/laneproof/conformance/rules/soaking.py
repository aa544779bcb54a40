"""What must hold in the long run: any sequence of calls, data for minutes, and opening after opening."""

from __future__ import annotations

import os
import random
import time
from pathlib import Path
from typing import TYPE_CHECKING

from laneproof.conformance.finding import Broken, NotDemonstrated, require
from laneproof.conformance.leavings import Held, left_since
from laneproof.conformance.machine import Model, model_for
from laneproof.conformance.memory import Lent, stretch_of
from laneproof.conformance.rule import rule
from laneproof.conformance.trial import Trial
from laneproof.conformance.words import times, told
from laneproof.contract import IdentitySource

if TYPE_CHECKING:
    from hypothesis import settings

_SHARES = {"sequences": 0.5, "data": 0.3, "openings": 0.2}
"""Of the rig's `budget_s`."""
_REST, _LONGEST_REST_S = 0.3, 30.0
"""Of the share of the data, and at most: how long nothing is moved, in which a card may go to sleep."""
_WARM, _MAY_GROW = 20, 32 << 20
"""Transfers after which the process has what it needs, and bytes by which it may grow afterwards in any case."""
_STEPS = 30
_MOST_SIZE = 40
_SHORTEN_S = 1.0
_FEWEST = 20


class _TimeIsUp(BaseException):
    """Ends a search at once, which Hypothesis takes for an interrupt."""


@rule("soak", "follow the shortest sequence by hand; the call that it ends with met a state that it did not expect")
def any_sequence_of_calls_is_right(trial: Trial) -> str:
    """After any sequence of calls, resets and openings the card holds what it should (a Hypothesis state machine)."""
    try:
        from hypothesis import HealthCheck, Phase, Verbosity, settings
    except ImportError:
        raise NotDemonstrated(
            "hypothesis is not installed, which chooses the sequences: pip install hypothesis"
        ) from None
    chosen = settings(
        max_examples=100_000,
        stateful_step_count=_STEPS,
        deadline=None,
        derandomize=True,
        database=None,
        phases=(Phase.generate, Phase.shrink),
        verbosity=Verbosity.quiet,
        suppress_health_check=(HealthCheck.too_slow, HealthCheck.filter_too_much, HealthCheck.data_too_large),
    )
    kind = model_for(trial)
    search = _Search(trial, kind)
    search.run(chosen)
    if search.failures:
        steps, seen = min(search.failures, key=lambda failure: len(failure[0]))
        raise Broken(f"after {', '.join(steps)}: {seen}")
    return f"{times(search.sequences, 'sequence')} of up to {_STEPS} calls"


class _Search:
    """Runs sequences until the time is up, and keeps those that fail."""

    def __init__(self, trial: Trial, kind: type[Model]) -> None:
        self._trial = trial
        self._kind = kind
        self._began_s = time.monotonic()
        self._allowed_s = _SHARES["sequences"] * trial.rig.budget_s
        self.sequences = 0
        self.failures: list[tuple[list[str], str]] = []

    def run(self, chosen: settings) -> None:
        from hypothesis import stateful
        from hypothesis import strategies as st

        search = self
        actions = self._actions()

        class Sequence(stateful.RuleBasedStateMachine):
            def __init__(self) -> None:
                super().__init__()
                search.require_time()
                self.model = search.begin()

            @stateful.rule(action=st.sampled_from(actions), size=st.integers(1, _MOST_SIZE))
            def act(self, action: str, size: int) -> None:
                search.act(self.model, action, size)

            def teardown(self) -> None:
                self.model.close()

        try:
            stateful.run_state_machine_as_test(Sequence, settings=chosen)
        except _TimeIsUp:
            pass
        except Exception:  # Broken; and where the time ended a search, Hypothesis finds fault with that
            if not self.failures and self._used_s() < self._allowed_s:
                raise

    def _actions(self) -> tuple[str, ...]:
        model = self._kind(self._trial)
        model.close()
        return model.actions

    def require_time(self) -> None:
        """Raise _TimeIsUp at the end of the budget. Hypothesis takes a second before it begins in earnest."""
        few = self.sequences < _FEWEST and not self.failures
        if self._used_s() > self._allowed_s * (3 if few else 1):
            raise _TimeIsUp

    def _used_s(self) -> float:
        return time.monotonic() - self._began_s

    def begin(self) -> Model:
        self.sequences += 1
        return self._kind(self._trial)

    def act(self, model: Model, action: str, size: int) -> None:
        try:
            model.act(action, size)
        except Exception as error:
            if not self.failures:  # some time to look for a shorter one
                self._allowed_s = max(self._allowed_s, self._used_s() + _SHORTEN_S)
            seen = str(error) if isinstance(error, Broken) else f"the driver raised {told(error)}"
            self.failures.append((model.done, seen))
            raise


@rule(
    "soak",
    "look at what the driver counts up, reuses or keeps (ring indices, offsets, buffers), and at what falls asleep",
)
def data_come_back_in_the_long_run(trial: Trial) -> str:
    """Transfers of random sizes from random addresses come back unchanged, also after a rest, and nobody keeps them."""
    generator = random.Random(1)  # noqa: S311 - which sizes are tried is no secret
    moved, number, rested_s, before_bytes, moved_before = 0, 0, 0.0, 0, 0
    with trial.opened() as card:
        probe, grain, step = card.probe, card.probe.limits.granularity, card.probe.limits.alignment
        share_s = _SHARES["data"] * trial.rig.budget_s
        until_s, rest_s = time.monotonic() + share_s, min(_LONGEST_REST_S, _REST * share_s)
        rest_from_s = until_s - share_s / 2
        while number < 2 or rest_s or time.monotonic() < until_s:
            if rest_s and number and time.monotonic() >= rest_from_s:
                rested_s, rest_s = rest_s, 0.0
                time.sleep(rested_s)
            nbytes = grain * int(max(1, probe.largest // grain) ** generator.random())
            out, into = Lent(nbytes, step * generator.randrange(64)), Lent(nbytes, step * generator.randrange(64))
            out.fill(stretch_of(number))
            into.fill_unlike(stretch_of(number))
            came = probe.echo(out.view, into.view)
            what = f"transfer {number}, after {moved} bytes, of {nbytes} bytes"
            require(came == nbytes, f"{what}: {came} came back")
            into.require(stretch_of(number), what)
            into.require_guards()
            if number == _WARM:
                before_bytes, moved_before = _resident_bytes(), moved
            number, moved = number + 1, moved + nbytes
    grown = _resident_bytes() - before_bytes if number > _WARM else 0
    seen = f"while {moved - moved_before} bytes were moved, the process grew by {grown}"
    require(grown < max(_MAY_GROW, (moved - moved_before) // 4), f"{seen}: something is kept of each transfer")
    return f"{moved} bytes in {times(number, 'transfer')}, with a rest of {rested_s:.2g} s"


def _resident_bytes() -> int:
    """Of the process's memory, what is in use now (proc(5), statm)."""
    pages = Path("/proc/self/statm").read_text("ascii").split()[1]
    return int(pages) * os.sysconf("SC_PAGE_SIZE")


@rule("soak", "count what connect takes and what close gives back, one by one; keep the identity that the card tells")
def many_openings_leave_nothing(trial: Trial) -> str:
    """The card opens and closes again and again, with data in between, as the same card, and nothing adds up."""
    until_s = time.monotonic() + _SHARES["openings"] * trial.rig.budget_s
    openings = 0
    before = identity = None
    while openings < 3 or time.monotonic() < until_s:
        with trial.opened() as card:
            nbytes = card.probe.few
            out, into = Lent(nbytes), Lent(nbytes)
            out.fill(stretch_of(openings))
            came = card.probe.echo(out.view, into.view)
            require(came == nbytes, f"opening {openings + 1}: {came} of {nbytes} bytes came back")
            into.require(stretch_of(openings), f"opening {openings + 1}")
            source = card.card.part(IdentitySource)
            if source is not None:
                now = card.control(source.read_identity)
                identity = identity or now
                require(now == identity, f"at opening {openings + 1} it is another card: {now.model} {now.serial}")
        before = before or Held.now()  # after the first, which may make what is kept on purpose
        openings += 1
    left = left_since(before or Held.now(), openings - 1)
    require(not left, f"after {openings} openings {left}")
    return f"{times(openings, 'opening')}"
