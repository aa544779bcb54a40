"""A clean link in steady flow: computed at once, and the same to the last bit as step by step."""

from __future__ import annotations

import zlib

import attrs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from side_by_side import slot_of
from sim_bench import Bench

from laneproof_sim import engine
from laneproof_sim.faults import DropOff
from laneproof_sim.quantities import MAX_LANES
from laneproof_sim.scenario import BitErrorRates
from laneproof_sim.steady import Flow

MIB = 1 << 20
SENT = bytes(range(251)) * (3 * MIB // 251)


def in_steps(one: Bench) -> Bench:
    """The same bench, each step taken by itself."""
    for channel in one.opened.channels:
        channel.engine._undisturbed = False
    return one


def trace(one: Bench, blocks: list[tuple[int, int]], pauses: list[float]) -> list[object]:
    """Bytes and times of echoes in blocks of a size, so many at a time, with virtual time between them."""
    seen: list[object] = []
    for (block, depth), pause_s in zip(blocks, pauses, strict=False):
        echo = one.echo(SENT, block, depth)
        seen += [echo.received == SENT, echo.seconds, one.opened.clock.now_s()]
        one.opened.clock.sleep(pause_s)
    lines = one.opened.link.lines
    return [*seen, [line.free_s for line in lines], one.opened.images()]


@settings(max_examples=40, deadline=None)
@given(
    link=st.sampled_from([(2.5, 1), (5.0, 2), (8.0, 8), (16.0, 16), (32.0, 4)]),
    payload=st.sampled_from([128, 256, 1024]),
    request=st.sampled_from([128, 512, 4096]),
    fifo=st.sampled_from([3000, 64 * 1024, 256 * 1024, 8 * MIB]),
    blocks=st.lists(
        st.tuples(st.sampled_from([400_000, 1_000_000, MIB, 3 * MIB]), st.integers(1, 4)), min_size=1, max_size=2
    ),
    pauses=st.lists(st.sampled_from([0.0, 1e-5, 0.1]), min_size=2, max_size=2),
)
def test_what_is_computed_at_once_is_what_comes_step_by_step(link, payload, request, fifo, blocks, pauses):
    slot = slot_of(*link, payload, request)
    slot = attrs.evolve(slot, card=attrs.evolve(slot.card, fifo=fifo))
    assert trace(Bench(slot, 0), blocks, pauses) == trace(in_steps(Bench(slot, 0)), blocks, pauses)


@settings(max_examples=30, deadline=None)
@given(timeouts=st.lists(st.floats(1e-7, 3e-4), min_size=1, max_size=8))
def test_a_deadline_in_the_middle_finds_the_same_in_both(timeouts):
    def parts(one: Bench) -> list[object]:
        target = bytearray(len(SENT))
        one.path.submit(1, memoryview(SENT), memoryview(target))
        seen: list[object] = []
        for timeout_s in timeouts:
            if one.opened.channels[0].engine.tickets:
                seen += [one.path.reap(one.deadline(timeout_s)), one.opened.clock.now_s(), zlib.crc32(target)]
        return [*seen, one.path.quiesce(one.deadline()), zlib.crc32(target)]

    slot = slot_of(8.0, 8, 256, 512)
    assert parts(Bench(slot, 0)) == parts(in_steps(Bench(slot, 0)))


def test_two_streams_that_do_not_fit_each_other_are_the_same_in_both():
    def parts(one: Bench) -> list[object]:
        targets = [bytearray(900_001), bytearray(len(SENT) - 900_001)]
        for number, target in enumerate(targets):
            one.path.submit(10 + number, None, memoryview(target))
        one.path.submit(1, memoryview(SENT), None)
        done: list[object] = []
        while one.opened.channels[0].engine.tickets:
            done += [*one.path.reap(one.deadline()), one.opened.clock.now_s()]
        return [*done, b"".join(targets) == SENT]

    slot = slot_of(8.0, 8, 256, 512)
    assert parts(Bench(slot, 0)) == parts(in_steps(Bench(slot, 0)))


@pytest.fixture
def flows(monkeypatch):
    """How many segments each flow moved."""
    seen: list[tuple[int, int]] = []

    class Watched(Flow):
        def run(self, *arguments: object) -> tuple[int, int]:
            seen.append(super().run(*arguments))
            return seen[-1]

    monkeypatch.setattr(engine, "Flow", Watched)
    return seen


def test_a_clean_echo_is_computed_at_once(bench, flows):
    bench().echo(SENT, len(SENT), depth=1)
    assert len(SENT) // (64 * 1024) - 8 <= max(written for _, written in flows)


@pytest.mark.parametrize(
    "disturbed",
    [
        {"bit_error_rate": BitErrorRates(to_card=(1e-9,) * MAX_LANES)},
        {"faults": (DropOff(after=1 << 40),)},
        {"card": {"tags": 32}},
        {"near": {"posted_buffer": 4096}},
    ],
)
def test_what_may_be_disturbed_is_not(bench, flows, disturbed):
    bench(**disturbed).echo(SENT, len(SENT), depth=1)
    assert flows == []
