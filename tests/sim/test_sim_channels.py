"""Cards with several channels: each has its own queue and memory, all share the link and the clock."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

import attrs
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sim_bench import Bench, plain_slot
from test_sim_scenario_file import GOOD, refusal
from together import in_threads, patience

import laneproof
from laneproof.errors import DeviceLost, EndpointBusy
from laneproof_sim.damage.when import When
from laneproof_sim.faults import BitFlips, DropOff, ForeignChannel, RotatedChannels
from laneproof_sim.quantities import MAX_LANES
from laneproof_sim.scenario import BitErrorRates

MIB = 1 << 20
PAGE = 4096
NOISY = BitErrorRates(to_card=(1e-6,) * MAX_LANES, from_card=(1e-6,) * MAX_LANES)


def message(channel: int, nbytes: int = MIB) -> bytes:
    """Data that no other channel sends."""
    return np.random.default_rng(channel).integers(0, 256, nbytes, dtype=np.uint8).tobytes()


@pytest.fixture
def channels(bench) -> Callable[..., list[Bench]]:
    """`channels(count, **changes)`: a path for each channel of one card."""

    def open_card(count: int = 2, **changes: Any) -> list[Bench]:
        first = bench(card={"channels": count, **changes.pop("card", {})}, **changes)
        opened = first.opened
        return [first, *(Bench(opened.slot, 0, channel=number, opened=opened) for number in range(1, count))]

    return open_card


def at_once(paths: list[Bench], nbytes: list[int]) -> list[bytes]:
    """One message of each channel out at the same time, and what came back, from one thread."""
    targets = [bytearray(size) for size in nbytes]
    for number, (path, target) in enumerate(zip(paths, targets, strict=True)):
        path.path.submit(1, memoryview(message(number, len(target))), memoryview(target))
    for path in paths:
        (done,) = path.path.reap(path.deadline())
        assert done.status == "done"
    return [bytes(target) for target in targets]


# --- side by side


def test_each_channel_brings_back_its_own(channels):
    paths = channels(3)
    echoes = in_threads(*(lambda one=one, n=n: one.echo(message(n, 4 * MIB), MIB) for n, one in enumerate(paths)))
    assert [echo.received for echo in echoes] == [message(number, 4 * MIB) for number in range(3)]


def test_channels_share_the_link_s_ceiling(channels):
    paths, sent = channels(2), message(0, 8 * MIB)
    limit = paths[0].opened.echo_bytes_per_s
    alone = len(sent) / paths[0].echo(sent, MIB).seconds
    for path in paths:
        path.echo(sent[:4096], 4096)  # from here on each is waited for
    with patience():
        echoes = in_threads(*(lambda one=one: one.echo(sent, MIB) for one in paths))
    both = [len(sent) / echo.seconds for echo in echoes]
    assert alone == pytest.approx(limit, rel=0.02)
    assert sum(both) == pytest.approx(limit, rel=0.05)
    assert both[0] == pytest.approx(both[1], rel=0.1)


def test_channels_share_one_clock(channels):
    first, second = channels(2)
    first.echo(message(0), MIB)
    assert first.opened.channels[0].participant.clock is second.opened.channels[1].participant.clock
    assert second.echo(message(1), MIB).received == message(1)


def test_a_channel_has_a_queue_and_a_memory_of_its_own(channels):
    first, second = channels(2, card={"queue_depth": 1, "fifo": 4096})
    first.path.submit(1, memoryview(message(0)), None)
    second.path.submit(1, memoryview(b"small"), None)  # neither the ticket nor the queue is taken
    (done,) = second.path.reap(second.deadline())
    assert done.sent == 5
    target = bytearray(5)
    second.path.submit(2, None, memoryview(target))
    second.path.reap(second.deadline())
    assert target == b"small"


def test_a_stopped_channel_leaves_the_others_alone(channels):
    first, second = channels(2)
    targets = [bytearray(MIB), bytearray(MIB)]
    for number, path in enumerate((first, second)):
        path.path.submit(1, memoryview(message(number)), memoryview(targets[number]))
    (stopped,) = first.path.quiesce(first.deadline())
    (done,) = second.path.reap(second.deadline())
    assert (stopped.status, done.status) == ("stopped", "done")
    assert targets[1] == message(1)


def test_a_card_is_not_reset_under_a_transfer_of_any_channel(channels):
    first, second = channels(2)
    second.path.submit(1, memoryview(b"x"), None)
    with pytest.raises(EndpointBusy):
        first.opened.flush()


def test_a_card_that_drops_off_is_gone_for_all_its_channels(channels):
    first, second = channels(2, faults=(DropOff(after=MIB),))
    with pytest.raises(DeviceLost):
        first.echo(message(0, 4 * MIB), MIB)
    with pytest.raises(DeviceLost):
        second.path.submit(1, memoryview(b"x"), None)


def test_what_a_card_takes_in_before_it_fails_counts_for_all_channels(channels):
    first, second = channels(2, faults=(DropOff(after=3 * MIB),))
    first.echo(message(0, 2 * MIB), MIB)
    with pytest.raises(DeviceLost):
        second.echo(message(1, 2 * MIB), MIB)


def test_flips_fall_elsewhere_in_each_channel_and_where_they_were_in_the_first(channels, bench):
    fault = (BitFlips(probability=1e-5),)
    first, second = channels(2, faults=fault)
    sent = message(7)
    one = bench(faults=fault).echo(sent, MIB).received
    assert first.echo(sent, MIB).received == one
    assert second.echo(sent, MIB).received not in (one, sent)


pauses = st.lists(st.sampled_from((0.0, 0.001, 0.004)), min_size=1, max_size=4)


@settings(max_examples=10, deadline=None)
@given(waits=st.lists(pauses, min_size=2, max_size=2))
def test_channels_see_the_same_however_their_threads_are_scheduled(waits):
    def seen(waits: list[list[float]]) -> list[object]:
        plain = plain_slot()
        slot = attrs.evolve(plain, card=attrs.evolve(plain.card, channels=2), bit_error_rate=NOISY)
        first = Bench(slot, 1)
        paths = [first, Bench(slot, 1, channel=1, opened=first.opened)]
        for path in paths:
            path.echo(message(0, 4096), 4096)

        def work(number: int) -> list[object]:
            got: list[object] = []
            for turn, block in enumerate((100_000, MIB // 4)):
                time.sleep(waits[number][turn % len(waits[number])])
                echo = paths[number].echo(message(number, MIB // 2), block, depth=2)
                got.append((echo.received == message(number, MIB // 2), echo.seconds))
            return got

        with patience():
            results = in_threads(lambda: work(0), lambda: work(1))
        counts = first.counts("near"), first.counts("far"), first.opened.images()
        first.opened.close()
        return [*results, counts]

    assert seen(waits) == seen([[0.0], [0.0]])


# --- faults between them


def test_another_channel_s_data_arrive_while_it_is_in_use(channels):
    # Common practice in bringing up DMA engines: routing; confirmed by one channel at a time.
    paths = channels(2, faults=(ForeignChannel(),))
    assert at_once(paths, [MIB, MIB]) == [message(1), message(0)]
    for number, path in enumerate(paths):
        assert path.echo(message(number), MIB).received == message(number)
    assert paths[0].counts("near") == paths[0].counts("far") == {}


def test_a_shorter_message_of_another_channel_covers_what_it_can(channels):
    first, second = at_once(channels(2, faults=(ForeignChannel(),)), [MIB, PAGE])
    assert first == message(1, PAGE) + message(0)[PAGE:]
    assert second == message(0)[:PAGE]


def test_with_three_channels_it_is_the_next_one_s(channels):
    received = at_once(channels(3, faults=(ForeignChannel(),)), [MIB] * 3)
    assert received == [message(1), message(2), message(0)]


def test_rotated_channels_deal_out_pieces_of_all(channels):
    # Common practice: arbitration order; confirmed by unequal lengths.
    paths = channels(3, faults=(RotatedChannels(),))
    received = at_once(paths, [MIB, MIB, 2 * PAGE])
    for page in range(MIB // PAGE):
        place = slice(page * PAGE, (page + 1) * PAGE)
        source = page % 3
        piece = message(source, 2 * PAGE if source == 2 else MIB)[place]
        assert received[0][place] == (piece or message(0)[place])  # its own where another has no more
    assert paths[0].echo(message(0), MIB).received == message(0)
    assert paths[0].counts("near") == paths[0].counts("far") == {}


def test_faults_between_channels_cost_no_time_and_keep_to_their_conditions(channels):
    def seconds(**changes: Any) -> float:
        paths = channels(2, **changes)
        begin_s = paths[0].opened.clock.now_s()
        at_once(paths, [MIB, MIB])
        return paths[0].opened.clock.now_s() - begin_s

    assert seconds(faults=(ForeignChannel(),)) == seconds() == seconds(faults=(RotatedChannels(),))
    large = channels(2, faults=(ForeignChannel(when=When(size_from=2 * MIB)),))
    assert at_once(large, [MIB, MIB]) == [message(0), message(1)]


# --- through the endpoint


BENCH = GOOD.replace('fifo = "64 KiB"', 'fifo = "64 KiB"\nchannels = 2')


@pytest.mark.parametrize("fault", ["foreign-channel", "rotated-channels"])
def test_a_fault_between_channels_takes_several(fault):
    message = refusal(f'{GOOD}[[slot.fault]]\nkind = "{fault}"')
    expected = f'slot[0].fault[0].kind: "{fault}" takes a card with several channels; set channels = 2 or more'
    assert message == f"mine.toml: {expected}"


def test_an_endpoint_has_all_channels_and_each_checks_its_own(tmp_path):
    path = tmp_path / "two.toml"
    path.write_text(BENCH, "utf-8")
    with laneproof.open(f"sim:{path}#north") as card:
        assert [channel.name for channel in card.channels] == ["dma0", "dma1"]
        checks: list[Any] = [None, None]

        def check(number: int) -> None:
            checks[number] = card.channels[number].check("prbs31", MIB, depth=2)

        threads = [threading.Thread(target=check, args=(number,)) for number in range(2)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(60.0)
        assert [one.ok for one in checks] == [True, True]
