"""The simulated card's own pattern engine: what its checker counts, what of it comes from the link and what from the
card's memory, and what may not run beside it."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest
from scipy import stats
from sim_bench import Bench

from laneproof import pcie
from laneproof.clock import Deadline
from laneproof.contract import PatternCount
from laneproof.documents import parse_toml
from laneproof.errors import BadInput, DeviceLost, EndpointBusy, Interrupted
from laneproof_sim.damage.arriving import AllOnes
from laneproof_sim.damage.memory import BitFlips, RegularFlips, StuckBit
from laneproof_sim.damage.when import When
from laneproof_sim.degradation import FailingLane
from laneproof_sim.fast_forward import FastForward
from laneproof_sim.packets import link_timing
from laneproof_sim.pattern_engine import CardPatternEngine
from laneproof_sim.pattern_errors import COUNTED_AT_MOST
from laneproof_sim.pattern_stream import BLOCK_NBYTES
from laneproof_sim.scenario import BitErrorRates
from laneproof_sim.scenario_file import read_scenario
from laneproof_sim.training import Trained
from laneproof_sim.working_link import WorkingLink

DIRECTIONS = ("to_card", "from_card")
SMALLEST_P = 1e-4
SOON = Deadline(1e9)
BLOCK_BITS = 8 * BLOCK_NBYTES


class Running:
    """An engine on an open slot."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.clock = bench.opened.clock
        self.engine = CardPatternEngine(bench.opened)

    def start(self, direction: str = "to_card", pattern: str = "prbs31") -> Running:
        self.engine.start("dma0", direction, pattern, SOON)  # type: ignore[arg-type]
        return self

    def after(self, seconds: float) -> PatternCount:
        """What has been counted once so many more seconds have passed."""
        self.clock.sleep(seconds)
        return self.engine.read(SOON)


@pytest.fixture
def engine(bench: Callable[..., Bench]) -> Callable[..., Running]:
    """`engine(seed=…, **changes)`: a card's engine that is not running."""
    return lambda seed=0, **changes: Running(bench(seed, **changes))


def rates(rate: float) -> BitErrorRates:
    return BitErrorRates(to_card=(rate,) * 16, from_card=(rate,) * 16)


# What it counts


@pytest.mark.parametrize("direction", DIRECTIONS)
@pytest.mark.parametrize(("speed", "width"), [(2.5, 1), (8.0, 8), (16.0, 16)])
def test_a_clean_pattern_has_no_errors_and_nearly_the_rate_that_the_link_allows(
    engine: Callable[..., Running], speed: float, width: int, direction: str
) -> None:
    count = engine(speed=speed, width=width).start(direction).after(10.0)
    assert (count.errors, count.locked, count.lock_losses, count.saturated) == (0, True, 0, False)
    # The ceiling of one direction, with what it counts: packets of 256 bytes with their headers, Acks and SKP.
    allowed = pcie.ceiling(speed, width, 256, direction=direction).bytes_per_second
    assert 0.97 * allowed < count.bits / 80 < 1.01 * allowed


def test_it_counts_whole_blocks_and_not_the_one_from_which_it_takes_its_lock(engine: Callable[..., Running]) -> None:
    running = engine().start()
    assert running.engine.read(SOON) == PatternCount(bits=0, errors=0, locked=False, lock_losses=0, saturated=False)
    seen = [running.after(1e-6) for _ in range(60)]
    first = next(number for number, count in enumerate(seen) if count.locked)
    assert seen[first].bits == 0
    assert {count.bits % BLOCK_BITS for count in seen} == {0}
    assert sorted({count.bits for count in seen}) == [BLOCK_BITS * number for number in range(len({*seen}) - 1)]


@pytest.mark.parametrize("direction", DIRECTIONS)
def test_link_errors_cost_time_and_never_change_the_pattern(engine: Callable[..., Running], direction: str) -> None:
    clean = engine().start(direction).after(1.0)
    running = engine(bit_error_rate=rates(1e-9)).start(direction)
    count = running.after(1.0)
    assert count.errors == 0
    assert count.lock_losses == 0
    assert 0.99 * clean.bits < count.bits < clean.bits
    receiver = "far" if direction == "to_card" else "near"
    assert running.bench.counts(receiver)["BadTLP"] > 10
    assert sum(running.bench.counts(end).get("RxErr", 0) for end in ("near", "far")) > 0


# What the card's memory does to it


def test_regular_flips_are_counted_exactly(engine: Callable[..., Running]) -> None:
    count = engine(faults=(RegularFlips(every=1 << 20),)).start().after(1.0)
    assert count.errors == count.bits // 8 // (1 << 20) > 1000


def test_a_stuck_bit_is_wrong_in_every_second_word(engine: Callable[..., Running]) -> None:
    count = engine(faults=(StuckBit(word=64, byte=3, bit=2, level=1),)).start("from_card").after(1.0)
    assert count.errors == count.bits // 8 // 64 // 2


def test_two_patterns_after_each_other_have_flips_of_their_own(engine: Callable[..., Running]) -> None:
    running = engine(faults=(BitFlips(probability=1e-6),))
    errors = []
    for _ in range(2):
        errors.append(running.start().after(0.5).errors)
        running.engine.stop(SOON)
    assert errors[0] != errors[1]


@pytest.mark.parametrize(
    "fault", [AllOnes(), BitFlips(probability=0.5, when=When(every=1)), RegularFlips(every=64, when=When(at=1e-9))]
)
def test_what_acts_on_messages_leaves_the_pattern_alone(engine: Callable[..., Running], fault: object) -> None:
    assert engine(faults=(fault,)).start().after(0.01).errors == 0


def test_a_pattern_with_a_fifth_of_its_bits_wrong_is_never_locked_on(engine: Callable[..., Running]) -> None:
    # ITU-T O.151, from memory: sequence synchronization is lost at an error ratio of 0.2.
    faults = (BitFlips(probability=0.99), RegularFlips(every=1))
    count = engine(faults=faults).start().after(0.1)
    assert not count.locked
    assert (count.bits, count.errors) == (0, 0)
    assert engine(faults=faults[1:]).start().after(0.1).locked


def test_a_counter_at_its_end_stays_there_and_says_so(engine: Callable[..., Running]) -> None:
    running = engine(faults=(BitFlips(probability=0.5),)).start()
    before = running.after(0.5)
    assert not before.saturated
    count = running.after(60.0)
    assert (count.errors, count.saturated) == (COUNTED_AT_MOST, True)
    assert running.after(1.0).errors == COUNTED_AT_MOST


# Injecting


def test_injected_errors_are_counted_one_for_one(engine: Callable[..., Running]) -> None:
    running = engine().start()
    running.after(0.01)
    for bits in (1, 7, 1000):
        running.engine.inject(bits, SOON)
    count = running.after(0.01)
    assert (count.errors, count.locked, count.lock_losses) == (1008, True, 0)


def test_what_is_injected_before_the_lock_is_not_counted(engine: Callable[..., Running]) -> None:
    running = engine().start()
    running.engine.inject(5, SOON)
    assert running.after(0.01).errors == 0


def test_so_many_errors_at_once_that_the_lock_is_lost(engine: Callable[..., Running]) -> None:
    running = engine().start()
    before = running.after(1.0)
    running.engine.inject(before.bits // 4, SOON)
    lost = running.engine.read(SOON)
    assert (lost.locked, lost.lock_losses, lost.bits) == (False, 1, before.bits)
    after = running.after(1.0)
    assert after.locked
    assert after.lock_losses == 1
    assert 2 * before.bits - 2 * BLOCK_BITS <= after.bits <= 2 * before.bits + 2 * BLOCK_BITS


# The kernel and the rest of the slot


@pytest.mark.parametrize("direction", DIRECTIONS)
def test_it_makes_no_difference_how_often_anything_is_read(engine: Callable[..., Running], direction: str) -> None:
    once, often = (
        engine(seed=4, bit_error_rate=rates(1e-9), faults=(BitFlips(probability=1e-9),)).start(direction)
        for _ in range(2)
    )
    for _ in range(500):
        often.after(0.02)
        often.bench.opened.read_errors()
    last = once.after(10.0)
    assert often.after(once.clock.now_s() - often.clock.now_s()) == last
    for end in ("near", "far"):
        assert often.bench.counts(end) == once.bench.counts(end)
    assert often.bench.opened.images() == once.bench.opened.images()


@pytest.mark.parametrize("direction", DIRECTIONS)
@pytest.mark.parametrize(("speed", "rate", "seconds"), [(2.5, 3e-8, 0.2), (8.0, 1e-8, 0.1), (16.0, 3e-9, 0.1)])
def test_the_kernel_counts_as_many_as_when_the_lines_carry_all(
    engine: Callable[..., Running],
    monkeypatch: pytest.MonkeyPatch,
    speed: float,
    rate: float,
    seconds: float,
    direction: str,
) -> None:
    # Two samples with wrong bits of their own, each count being about Poisson.
    def totals(seeds: range) -> dict[tuple[str, str], int]:
        found: dict[tuple[str, str], int] = {}
        for seed in seeds:
            running = engine(seed, speed=speed, bit_error_rate=rates(rate)).start(direction)
            running.after(seconds)
            for end in ("near", "far"):
                for name, n in running.bench.counts(end).items():
                    found[end, name] = found.get((end, name), 0) + n
        return found

    fast = totals(range(3))
    init = FastForward.__init__
    monkeypatch.setattr(FastForward, "__init__", lambda *given, **more: init(*given, **more, always_slow=True))
    slow = totals(range(3, 6))
    assert sum(fast.values()) > 200
    for kind in fast | slow:
        n, of = fast.get(kind, 0), fast.get(kind, 0) + slow.get(kind, 0)
        assert stats.binomtest(n, of, 0.5).pvalue > SMALLEST_P, kind


def test_the_last_recoveries_are_in_the_history_of_the_link(engine: Callable[..., Running]) -> None:
    running = engine(bit_error_rate=rates(1e-9)).start()
    running.after(5.0)
    opened = running.bench.opened
    recoveries = [change for change in opened.history if change.state == "Recovery" and change.at_s > 1.0]
    assert len(recoveries) > 50
    assert opened.read_conditions().near.lane_errors  # type: ignore[union-attr]


@pytest.mark.parametrize("direction", DIRECTIONS)
def test_a_link_so_bad_that_it_goes_down_takes_the_card_with_it(engine: Callable[..., Running], direction: str) -> None:
    running = engine(bit_error_rate=rates(1e-3)).start(direction)
    with pytest.raises(DeviceLost):
        running.after(1.0)
    running.engine.stop(SOON)


def test_a_link_that_slows_down_slows_the_pattern_and_spoils_nothing(engine: Callable[..., Running]) -> None:
    running = engine(bit_error_rate=rates(1e-9)).start("from_card")
    fast = running.after(1.0)
    opened = running.bench.opened
    slower = link_timing(
        opened.slot,
        Trained(speed_gtps=2.5, lanes=opened.link.trained.lanes, history=()),
        opened.link.timing.max_payload,
    )
    opened.link.retime(slower, running.clock.now_s(), 1e-3)
    slow = running.after(1.0)
    share = 2.5 * 0.8 / (8 * 128 / 130)
    assert (slow.bits - fast.bits) / fast.bits == pytest.approx(share, rel=0.02)
    assert (slow.errors, slow.lock_losses) == (0, 0)
    assert isinstance(opened.link, WorkingLink)


def test_a_lane_that_fails_under_a_pattern_narrows_the_link_at_its_time(engine: Callable[..., Running]) -> None:
    failing = FailingLane(lane=7, when=When(at=1.0))
    once, often = (engine(bit_error_rate=rates(1e-9), faults=(failing,)).start() for _ in range(2))
    whole = engine(bit_error_rate=rates(1e-9)).start().after(2.0)
    for _ in range(40):
        often.after(0.05)
    count = once.after(2.0)
    assert often.after(once.clock.now_s() - often.clock.now_s()) == count
    assert count.bits == pytest.approx(0.75 * whole.bits, rel=0.05)  # x8 for a second, x4 for another
    assert (count.errors, count.lock_losses) == (0, 0)
    assert once.bench.opened.read_link().near.width == 4  # type: ignore[union-attr]


def test_a_sleeping_link_wakes_for_a_pattern(engine: Callable[..., Running]) -> None:
    running = engine(idle_speed=2.5)
    running.clock.sleep(1.0)
    opened = running.bench.opened
    assert opened.read_link().near.speed_gtps == 2.5  # type: ignore[union-attr]
    bits = running.start().after(1.0).bits
    assert bits > 0.99 * engine().start().after(1.0).bits
    assert opened.read_link().near.speed_gtps == 8.0  # type: ignore[union-attr]
    running.engine.stop(SOON)
    running.clock.sleep(1.0)
    assert opened.read_link().near.speed_gtps == 2.5  # type: ignore[union-attr]


# What may be asked, and beside what


def test_no_transfer_runs_beside_a_pattern(engine: Callable[..., Running], data: Callable[[int], bytes]) -> None:
    running = engine().start()
    with pytest.raises(EndpointBusy, match="pattern engine takes up the link; stop it first"):
        running.bench.echo(data(4096), 4096)
    with pytest.raises(EndpointBusy, match="stop it first"):
        running.start()
    with pytest.raises(EndpointBusy, match="stop it first"):
        running.bench.opened.reset_link()
    running.engine.stop(SOON)
    running.engine.stop(SOON)
    assert running.bench.echo(data(1 << 20), 1 << 18).received == data(1 << 20)


def test_no_pattern_starts_beside_a_transfer(engine: Callable[..., Running], data: Callable[[int], bytes]) -> None:
    running = engine()
    running.bench.path.submit(1, memoryview(data(4096)), memoryview(bytearray(4096)))
    with pytest.raises(EndpointBusy, match="let them end"):
        running.start()


def test_transfers_after_a_pattern_meet_the_errors_of_their_own_time(
    engine: Callable[..., Running], data: Callable[[int], bytes]
) -> None:
    running = engine(bit_error_rate=rates(1e-7)).start()
    running.after(0.5)
    running.engine.stop(SOON)
    before = sum(running.bench.counts("far").values())
    assert running.bench.echo(data(1 << 20), 1 << 18).received == data(1 << 20)
    assert before < sum(running.bench.counts("far").values()) < 1.1 * before + 100


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (("dma1", "to_card", "prbs31"), "no channel"),
        (("dma0", "both", "prbs31"), "no direction"),
        (("dma0", "to_card", "prbs7"), "no pattern"),
    ],
)
def test_what_the_engine_does_not_have_is_refused(
    engine: Callable[..., Running], given: tuple[str, str, str], says: str
) -> None:
    with pytest.raises(BadInput, match=f"{says}.*use one of"):
        engine().engine.start(*given, SOON)  # type: ignore[arg-type]


def test_reading_or_injecting_where_nothing_runs_is_refused(engine: Callable[..., Running]) -> None:
    running = engine()
    with pytest.raises(BadInput, match="start one first"):
        running.engine.read(SOON)
    with pytest.raises(BadInput, match="start one first"):
        running.engine.inject(1, SOON)
    with pytest.raises(BadInput, match="at least 1"):
        running.start().engine.inject(0, SOON)


def test_a_reading_that_takes_too_long_can_be_interrupted(engine: Callable[..., Running]) -> None:
    running = engine(bit_error_rate=rates(1e-6)).start()
    with Deadline(1e9, running.clock) as deadline:
        timer = threading.Timer(0.2, deadline.cancel)
        timer.start()
        running.clock.sleep(20.0)  # a minute, if it had to be caught up block by block
        with pytest.raises(Interrupted):
            running.engine.read(deadline)
        timer.join()
    running.engine.stop(SOON)
    assert running.start().after(1e-3).locked


def test_a_pattern_engine_below_a_switch_is_refused() -> None:
    text = b"""
schema = 1
name = "below"
invented = "invented"
description = "a switch"
[[switch]]
name = "up"
wiring = 8
near = { max_speed = "8 GT/s", max_width = 8 }
upstream = { max_speed = "8 GT/s", max_width = 8 }
[[slot]]
name = "a"
below = "up"
wiring = 8
near = { max_speed = "8 GT/s", max_width = 8 }
card = { max_speed = "8 GT/s", max_width = 8, model = "m", serial = "s", pattern_engine = true }
"""
    with pytest.raises(BadInput, match=r"slot\[0\]\.card\.pattern_engine: .*leave it out below a switch"):
        read_scenario(parse_toml(text, "here"), "here")
