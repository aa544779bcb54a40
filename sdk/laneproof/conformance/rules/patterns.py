"""What must hold of a card's own generator and checker, and of its error injector: locks, counts, stops."""

from __future__ import annotations

from collections.abc import Generator
from contextlib import contextmanager, suppress
from typing import Literal, cast

from laneproof.conformance.finding import NotDemonstrated, require
from laneproof.conformance.opened import Opened
from laneproof.conformance.rule import rule
from laneproof.conformance.trial import Trial, refused
from laneproof.conformance.words import times
from laneproof.contract import ErrorInjector, PatternCount, PatternEngine
from laneproof.errors import LaneproofError

_RUN_S = 0.05
"""How long a pattern runs between two readings of its checker, by the card's clock."""
_LOOKS = 8
_LOCK_S = 0.5
"""How long a checker may take to lock."""
_INJECTED = (3, 1)
_Direction = Literal["to_card", "from_card"]
_DIRECTIONS: tuple[_Direction, ...] = ("to_card", "from_card")


def _count(card: Opened, engine: PatternEngine) -> PatternCount:
    count = card.control(engine.read)
    require(isinstance(cast("object", count), PatternCount), f"read gave {type(count).__name__}, not a PatternCount")
    for what in ("bits", "errors", "lock_losses"):
        value = cast("object", getattr(count, what))
        require(type(value) is int and value >= 0, f"{what} is {value!r}")
    require(count.errors <= count.bits, f"{count.errors} errors in {count.bits} bits")
    return count


@contextmanager
def _running(card: Opened, direction: _Direction, pattern: str) -> Generator[PatternEngine]:
    engine = card.part(PatternEngine)
    card.control(engine.start, card.probe.channel.name, direction, pattern)
    try:
        until_s = card.clock.now_s() + _LOCK_S
        while not _count(card, engine).locked and card.clock.now_s() < until_s:
            card.clock.sleep(_RUN_S)
        yield engine
    finally:
        with suppress(Exception):
            card.control(engine.stop)


@rule("card", "start generator and checker with one state, and say locked only once the checker follows the generator")
def a_checker_locks_and_counts(trial: Trial) -> str:
    """Each pattern that the card names locks, counts bits as they pass, finds none wrong, loses no lock, and stops."""
    with trial.opened() as card:
        patterns = card.part(PatternEngine).patterns
        require(patterns and len(set(patterns)) == len(patterns), f"patterns is {patterns!r}")
        seen = 0
        for pattern in patterns:
            for direction in _DIRECTIONS:
                with _running(card, direction, pattern) as engine:
                    first = _count(card, engine)
                    card.clock.sleep(_RUN_S)
                    second = _count(card, engine)
                    if second.locked and not seen:
                        _require_no_wrap(card, engine, second.bits)
                what = f"{pattern} {direction}"
                if not second.locked:
                    continue  # nothing may be moving that way, which the result of a check says
                seen += 1
                require(second.bits > first.bits, f"{what}: the checker is locked, and its bits stay at {first.bits}")
                require(not second.errors, f"{what}: {second.errors} errors in {second.bits} bits")
                require(not second.lock_losses, f"{what}: {second.lock_losses} locks are said to be lost, of one")
                with suppress(LaneproofError):  # it need not be read any more
                    stopped = _count(card, engine)
                    card.clock.sleep(_RUN_S)
                    require(_count(card, engine).bits == stopped.bits, f"{what}: bits are counted after stop")
        refused(
            lambda: card.control(card.part(PatternEngine).start, card.probe.channel.name, "to_card", "no-such-pattern"),
            'the pattern "no-such-pattern"',
        )
    if not seen:
        raise NotDemonstrated("the checker locked on no pattern, in neither direction")
    return f"{times(len(patterns), 'pattern')}, locked {times(seen, 'time')}"


def _require_no_wrap(card: Opened, engine: PatternEngine, bits: int) -> None:
    """Raise Broken where bits fall as the pattern runs on, which they do in a narrow register of a fast card."""
    for _ in range(_LOOKS):
        card.clock.sleep(_RUN_S)
        count = _count(card, engine)
        require(count.bits >= bits, f"the checker had compared {bits} bits, and then {count.bits}")
        bits = count.bits


@rule("card", "flip as many bits as asked for behind the generator, count each, and begin at zero in each start")
def a_checker_counts_injected_errors(trial: Trial) -> str:
    """A checker counts exactly the errors that are injected since it was started, once, and stays locked."""
    with trial.opened() as card:
        injector, engine = card.part(ErrorInjector), card.part(PatternEngine)
        seen = 0
        for direction in _DIRECTIONS:
            with _running(card, direction, engine.patterns[0]):
                before = _count(card, engine)
                require(not before.errors, f"a checker that was started {direction} begins with {before.errors} errors")
                if not before.locked:
                    continue
                for bits in _INJECTED:
                    card.control(injector.inject, bits)
                    card.clock.sleep(_RUN_S)
                    after = _count(card, engine)
                    counted = after.errors - before.errors
                    require(
                        counted == bits or after.saturated,
                        f"{times(bits, 'bit error')} injected {direction}, and {counted} counted",
                    )
                    require(after.locked, f"{times(bits, 'bit error')} {direction} cost the lock")
                    before = after
            seen += 1
    if not seen:
        raise NotDemonstrated("the checker locked in neither direction")
    return f"{sum(_INJECTED)} of {sum(_INJECTED)} injected bit errors were counted"
