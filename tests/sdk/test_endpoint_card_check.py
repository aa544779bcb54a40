"""A check in one direction, by the card's own engine: what the result claims, and what is done when a card does not do
what it should. The engines are fakes that count by their clock; one on a simulated link is in tests/sim."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from attrs import define, evolve, field
from endpoint_fakes import AT_ONCE_S, LIMITS, EchoStream, InThread, opened, raises, until

import laneproof
from laneproof.clock import Clock, Deadline, MonotonicClock
from laneproof.contract import ErrorInjector, PatternCount, PatternEngine
from laneproof.errors import BadInput, DeviceLost, DriverFault, EndpointBusy, Interrupted, LaneproofError, OutOfStep

Install = Callable[..., None]
MIB = 1 << 20
DAY_S = 86400.0


class ThoughtClock(Clock):
    """Virtual time that passes when somebody sleeps."""

    virtual = True

    def __init__(self) -> None:
        self.at_s = 0.0
        self.sleeps = 0

    def now_s(self) -> float:
        return self.at_s

    def sleep(self, seconds: float) -> None:
        self.at_s += seconds
        self.sleeps += 1


@define
class Engine(PatternEngine):
    """Compares at `bytes_per_s` from the start on, and finds `errors`."""

    clock: Clock = field(factory=ThoughtClock)
    bytes_per_s: float = 1e9
    errors: int = 0
    locked: bool = True
    lock_losses: int = 0
    saturated: bool = False
    most: float = float("inf")
    """The bytes after which nothing more arrives."""
    patterns = ("prbs9", "prbs31")
    calls: list[Any] = field(factory=list)
    started_s: float = 0.0

    def start(self, channel: str, direction: Any, pattern: str, deadline: Deadline) -> None:
        self.calls.append((channel, direction, pattern))
        self.started_s = self.clock.now_s()

    def read(self, deadline: Deadline) -> PatternCount:
        self.calls.append("read")
        nbytes = min(self.most, self.bytes_per_s * (self.clock.now_s() - self.started_s))
        return PatternCount(
            bits=8 * int(nbytes) if self.locked else 0,
            errors=self.errors,
            locked=self.locked,
            lock_losses=self.lock_losses,
            saturated=self.saturated,
        )

    def stop(self, deadline: Deadline) -> None:
        assert not deadline.expired
        self.calls.append("stop")


@define
class Injector(ErrorInjector):
    engine: Engine
    counted: bool = True
    """Whether the checker sees what is injected."""

    def inject(self, bits: int, deadline: Deadline) -> None:
        self.engine.calls.append(("inject", bits))
        self.engine.errors += bits * self.counted


@pytest.fixture
def card(install: Install) -> Iterator[Callable[..., laneproof.Endpoint]]:
    """`card(engine)`, `card(engine, injector)`: an open endpoint on a card with these parts."""
    holders: list[Any] = []

    def make(engine: Engine, *more: Any) -> laneproof.Endpoint:
        limits = evolve(LIMITS, nominal_bytes_per_s=1e9)
        holders.append(opened(install, EchoStream(), limits=limits, parts=(engine, *more), clock=engine.clock))
        return holders[-1].__enter__()

    yield make
    for holder in holders:
        holder.__exit__(None, None, None)


# What the result says


def test_what_the_card_compared_is_the_claim_and_no_more(card: Any) -> None:
    engine = Engine()
    result = card(engine, Injector(engine)).check("prbs31", 64 * MIB, direction="to_card")
    assert result.ok
    assert result.method == "card"
    assert 64 * MIB <= result.bytes_checked == result.bytes_expected == result.bytes_received < 65 * MIB
    assert (result.mismatched_bits, result.mismatched_bytes, result.first, result.regions) == (0, 0, None, ())
    assert "own checker" in result.caution
    assert "not demonstrated" not in result.caution
    assert engine.calls[0] == ("dma0", "to_card", "prbs31")
    assert engine.calls[-1] == "stop"


def test_a_check_that_is_ended_early_claims_what_was_compared_by_then(card: Any) -> None:
    engine, enough = Engine(bytes_per_s=5e8), threading.Event()

    def look(compared: int) -> None:
        if compared:
            enough.set()

    endpoint = card(engine, Injector(engine))
    result = endpoint.check("prbs31", 64 * MIB, direction="to_card", enough=enough, progress=look)
    assert result.ok
    assert 0 < result.bytes_received == result.bytes_checked == result.bytes_expected < 64 * MIB
    assert "not demonstrated" not in result.caution
    assert engine.calls[-1] == "stop"


@pytest.mark.parametrize(("errors", "least_nbytes"), [(1, 1), (8, 1), (9, 2), (1000, 125)])
def test_wrong_bits_are_counted_and_have_no_places(card: Any, errors: int, least_nbytes: int) -> None:
    result = card(Engine(errors=errors)).check("prbs31", MIB, direction="from_card")
    assert not result.ok
    assert (result.mismatched_bits, result.mismatched_bytes) == (errors, least_nbytes)
    assert (result.first, result.regions, result.stalled) == (None, (), False)


def test_a_card_without_an_injector_is_not_demonstrated(card: Any) -> None:
    result = card(Engine()).check("prbs31", MIB, direction="to_card")
    assert result.ok
    assert "has no ErrorInjector" in result.caution
    assert "not demonstrated" in result.caution


def test_a_checker_that_does_not_count_an_injected_error_is_no_evidence(card: Any) -> None:
    engine = Engine()
    result = card(engine, Injector(engine, counted=False)).check("prbs31", MIB, direction="to_card")
    assert result.empty
    assert not result.ok
    assert "did not count an error that was injected" in result.caution


def test_an_injected_error_is_not_taken_for_a_wrong_bit(card: Any) -> None:
    engine = Engine()
    result = card(engine, Injector(engine)).check("prbs31", MIB, direction="to_card")
    assert ("inject", 1) in engine.calls
    assert result.mismatched_bits == 0


def test_a_checker_that_never_locks_has_compared_nothing(card: Any) -> None:
    engine = Engine(locked=False)
    result = card(engine, Injector(engine)).check("prbs31", MIB, direction="to_card", timeout=3.0)
    assert result.empty
    assert not result.ok
    assert not result.stalled
    assert "never locked" in result.caution
    assert ("inject", 1) not in engine.calls


def test_a_lost_lock_is_no_clean_result(card: Any) -> None:
    result = card(Engine(lock_losses=2)).check("prbs31", MIB, direction="to_card")
    assert not result.ok
    assert result.lock_losses == 2
    assert "lost its lock 2 times" in result.caution


def test_parts_that_are_put_together_say_no_more_than_the_weakest(card: Any) -> None:
    part = card(Engine(lock_losses=2)).check("prbs31", MIB, direction="to_card")
    exact = laneproof.pattern("prbs31").verify(bytes(64))
    for both in (part.combined(exact), exact.combined(part)):
        assert (both.method, both.lock_losses) == ("card", 2)
        assert both.bytes_checked == part.bytes_checked + 64
        assert not both.ok


def test_a_counter_at_its_end_is_a_least(card: Any) -> None:
    engine = Engine(errors=255, saturated=True)
    result = card(engine, Injector(engine)).check("prbs31", MIB, direction="to_card")
    assert "at least so many" in result.caution
    assert ("inject", 1) not in engine.calls


def test_a_pattern_that_stops_is_a_stall(card: Any) -> None:
    result = card(Engine(most=4096)).check("prbs31", MIB, direction="to_card", timeout=2.0)
    assert result.stalled
    assert not result.ok
    assert (result.bytes_checked, result.bytes_received, result.bytes_expected) == (4096, 4096, MIB)


# Waiting


def test_thirty_virtual_days_are_a_few_readings(card: Any) -> None:
    engine = Engine(bytes_per_s=0.7e9)  # not what the limits say
    clock = engine.clock
    assert isinstance(clock, ThoughtClock)
    result = card(engine).check("prbs31", int(30 * DAY_S * 0.7e9), direction="to_card")
    assert result.ok
    assert 30 * DAY_S <= clock.at_s < 31 * DAY_S
    assert engine.calls.count("read") < 8
    assert clock.sleeps < 8


def test_on_a_real_clock_it_waits_for_about_as_long_as_it_takes(card: Any) -> None:
    began_s = time.monotonic()
    seen: list[int] = []
    result = card(Engine(MonotonicClock(), bytes_per_s=1e9)).check(
        "prbs31", 200_000_000, direction="to_card", progress=seen.append
    )
    assert result.ok
    assert time.monotonic() - began_s >= 0.2
    assert seen == sorted(seen)
    assert seen[-1] == result.bytes_received


def test_an_interrupted_check_ends_at_once_and_stops_the_engine(card: Any) -> None:
    engine = Engine(MonotonicClock(), bytes_per_s=1.0)
    endpoint = card(engine)
    running = InThread(lambda: endpoint.check("prbs31", MIB, direction="to_card", timeout=30.0))
    until(lambda: "read" in engine.calls)
    began_s = time.monotonic()
    endpoint.interrupt()
    assert isinstance(running.join().error, Interrupted)
    assert time.monotonic() - began_s < AT_ONCE_S
    assert engine.calls[-1] == "stop"


def test_an_error_that_ends_a_check_carries_what_had_been_compared(card: Any) -> None:
    endpoint = card(Engine(errors=3, bytes_per_s=0.5e9))
    with pytest.raises(Interrupted) as caught:
        endpoint.check("prbs31", 100 * MIB, direction="to_card", progress=lambda done: done and endpoint.interrupt())
    so_far = caught.value.so_far
    assert isinstance(so_far, laneproof.Comparison)
    assert so_far.mismatched_bits == 3
    assert 0 < so_far.bytes_checked < 100 * MIB
    assert "not demonstrated" in so_far.caution


# What goes wrong


def test_a_pattern_that_the_engine_lacks_is_refused_and_those_it_has_are_named(card: Any) -> None:
    engine = Engine()
    with pytest.raises(BadInput, match=r"no pattern 'prbs15'; use one of prbs9, prbs31") as caught:
        card(engine).check("prbs15", MIB, direction="to_card")
    assert caught.value.operation == "check"
    assert not engine.calls


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"pattern": laneproof.pattern("prbs31")}, "give the name"),
        ({"digest": True}, "leave block, depth and digest out"),
        ({"block": 4096}, "leave block, depth and digest out"),
        ({"direction": "sideways"}, 'give "both", "to_card" or "from_card"'),
        ({"nbytes": -1}, "whole number"),
    ],
)
def test_what_a_card_cannot_be_asked_is_refused_in_one_line(card: Any, more: dict[str, Any], says: str) -> None:
    given = {"pattern": "prbs31", "nbytes": MIB, "direction": "to_card", **more}
    with pytest.raises(BadInput, match=says) as caught:
        card(Engine()).check(given.pop("pattern"), given.pop("nbytes"), **given)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("error", [DeviceLost("gone"), DriverFault("broken"), EndpointBusy("taken")])
def test_what_the_driver_raises_ends_the_check_and_the_engine_is_stopped(
    card: Any, monkeypatch: pytest.MonkeyPatch, error: LaneproofError
) -> None:
    engine = Engine()
    monkeypatch.setattr(Engine, "read", raises(error))
    with pytest.raises(type(error), match=str(error)):
        card(engine).check("prbs31", MIB, direction="to_card")
    assert engine.calls[-1] == "stop"


def test_any_other_exception_of_the_driver_is_mapped(card: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Engine, "read", raises(OSError(5, "Input/output error")))
    with pytest.raises(DriverFault, match="Input/output error"):
        card(Engine()).check("prbs31", MIB, direction="to_card")


def test_transfers_go_on_after_a_check_that_failed(card: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    endpoint = card(Engine(MonotonicClock()))
    monkeypatch.setattr(Engine, "read", raises(DriverFault("broken")))
    with pytest.raises(DriverFault):
        endpoint.check("prbs31", MIB, direction="to_card")
    assert endpoint.check("prbs31", MIB).ok


def test_a_channel_that_is_out_of_step_starts_no_pattern(card: Any) -> None:
    engine = Engine()
    endpoint = card(engine)
    endpoint.channels[0].in_step = False
    with pytest.raises(OutOfStep):
        endpoint.check("prbs31", MIB, direction="to_card")
    assert not engine.calls
