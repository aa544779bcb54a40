"""What comes back over the path of a simulated card, when, and what happens at the edges."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from laneproof import pcie
from laneproof.clock import Deadline
from laneproof.errors import BadInput, DeviceLost, EndpointBusy, EndpointClosed, Interrupted
from laneproof.readings import Unavailable
from laneproof_sim.faults import BitFlips, DropOff, Stall
from laneproof_sim.packets import link_timing
from laneproof_sim.quantities import MAX_LANES
from laneproof_sim.scenario import BitErrorRates
from laneproof_sim.training import train

MIB = 1 << 20


def errors(to_card: float = 0.0, from_card: float = 0.0) -> BitErrorRates:
    return BitErrorRates(to_card=(to_card,) * MAX_LANES, from_card=(from_card,) * MAX_LANES)


# --- data


@pytest.mark.parametrize(("block", "depth"), [(1, 1), (4097, 1), (100_000, 16), (MIB, 2)])
def test_what_goes_out_comes_back(bench, data, block, depth):
    sent = data(min(3 * MIB, 200 * block))
    assert bench().echo(sent, block, depth).received == sent


def test_link_errors_cost_time_and_no_data(bench, data):
    # Base specification: a packet that fails its LCRC is refused and replayed.
    sent = data(8 * MIB)
    clean = bench().echo(sent, MIB)
    for rates in (errors(to_card=1e-5), errors(from_card=1e-5), errors(1e-5, 1e-5)):
        damaged = bench(bit_error_rate=rates).echo(sent, MIB)
        assert damaged.received == sent
        assert damaged.seconds > 1.3 * clean.seconds


def test_flips_in_card_memory_damage_data_and_leave_the_counters_clean(bench, data):
    sent = data(4 * MIB)
    one = bench(faults=(BitFlips(probability=1e-5),))
    assert one.echo(sent, MIB).received != sent
    assert one.counts("near") == one.counts("far") == {}


@pytest.mark.parametrize("block", [4096, 300_000, 4 * MIB])
def test_payload_damage_does_not_depend_on_transfer_sizes(bench, data, block):
    fault = (BitFlips(probability=1e-5),)
    whole = bench(faults=fault).echo(data(4 * MIB), MIB).received
    assert bench(faults=fault).echo(data(4 * MIB), block).received == whole


# --- counters


@pytest.mark.parametrize("speed", [5.0, 8.0])
def test_an_end_s_errors_accuse_the_path_into_it(bench, data, speed):
    body = "BadTLP" if speed == 8.0 else "RxErr"
    for rates, hit, other in ((errors(to_card=1e-5), "far", "near"), (errors(from_card=1e-5), "near", "far")):
        one = bench(speed=speed, bit_error_rate=rates)
        one.echo(data(8 * MIB), MIB)
        assert one.counts(hit)[body] > 10
        # The sender's timer runs out where a replay was refused too, or where nothing followed a packet never seen.
        assert set(one.counts(other)) <= {"Timeout"}


def test_answers_to_the_card_s_writes_can_be_hit_on_their_way(bench, data):
    # Base specification: a damaged Ack is a BadDLLP at the end that it was for.
    one = bench(card={"fifo": 4 * MIB}, bit_error_rate=errors(to_card=1e-4))
    sent, target = data(4 * MIB), bytearray(4 * MIB)
    one.path.submit(1, memoryview(sent), None)
    one.path.reap(one.deadline())
    before = one.counts("far")
    one.path.submit(2, None, memoryview(target))
    one.path.reap(one.deadline())
    after = one.counts("far")
    assert after["BadDLLP"] > before["BadDLLP"]
    assert after["BadTLP"] == before["BadTLP"]


def test_errors_are_counted_while_nobody_reaps(bench, data):
    one, target = bench(bit_error_rate=errors(to_card=1e-5)), bytearray(MIB)
    one.path.submit(1, memoryview(data(MIB)), memoryview(target))
    one.opened.clock.sleep(1.0)
    assert one.counts("far")["BadTLP"] > 0


def test_8b10b_counts_bad_tlp_only_where_a_packet_is_missing(bench, data):
    # A packet whose start symbol is hit, one of some hundred, is never seen; the next shows that it is missing. The
    # kernel counts several RxErr as one here, but hardly any BadTLP.
    one = bench(speed=5.0, bit_error_rate=errors(1e-5, 1e-5))
    one.echo(data(4 * MIB), MIB)
    for counts in (one.counts("near"), one.counts("far")):
        assert set(counts) <= {"RxErr", "BadTLP", "Timeout"}
        assert counts.get("BadTLP", 0) < 0.1 * counts["RxErr"]


def test_a_hopeless_link_goes_down(bench, data):
    one = bench(bit_error_rate=errors(to_card=0.01))
    with pytest.raises(DeviceLost) as caught:
        one.echo(data(MIB), MIB)
    (failed,) = one.path.quiesce(one.deadline())
    assert (failed.status, failed.sent, failed.received) == ("failed", 0, 0)
    assert "link layer not active" in caught.value.link_evidence
    assert one.opened.read_errors().near.correctable["Rollover"].n > 0


# --- time


@pytest.mark.parametrize(
    ("speed", "width", "payload"),
    [(2.5, 1, 128), (5.0, 4, 256), (8.0, 8, 256), (8.0, 4, 128), (16.0, 16, 256), (32.0, 16, 512)],
)
def test_long_transfers_reach_the_ceiling_and_do_not_pass_it(bench, data, speed, width, payload):
    one = bench(speed=speed, width=width, near={"max_payload": payload}, card={"max_payload": payload})
    sent = data(16 * MIB)
    rate = len(sent) / one.echo(sent, 4 * MIB).seconds
    # A ceiling counts Acks as late as they may be, the bench a little earlier; and a transfer has a start and an end.
    assert 0.97 < rate / float(pcie.ceiling(speed, width, payload, direction="both")) <= 1.0


def test_the_nominal_rate_is_the_one_that_long_transfers_have(bench, data):
    one = bench()
    sent = data(32 * MIB)
    assert len(sent) / one.echo(sent, 4 * MIB).seconds == pytest.approx(one.opened.echo_bytes_per_s, rel=0.01)


def test_ack_limits_are_those_of_the_specification(slot):
    # Ack latency at 2.5 GT/s, 128 bytes, x1: 237 symbol times; replay timer 711 (base specification tables as quoted
    # in public IP manuals). A symbol at 2.5 GT/s lasts 4 ns.
    one = slot(speed=2.5, width=1, near={"max_payload": 128}, card={"max_payload": 128})
    timing = link_timing(one, train(one))
    assert timing.replay_timer_s == pytest.approx(711 * 4e-9)
    assert timing.nak_round_trip_s == pytest.approx(2 * 237 * 4e-9)


def test_small_transfers_measure_latency(bench, data):
    one = bench()
    small = one.echo(data(4096), 4096, depth=1).seconds
    assert small > 4 * 4096 / one.opened.echo_bytes_per_s


def test_one_way_is_not_slower_than_both_ways(bench, data):
    one = bench()
    sent = data(4 * MIB)
    both_s = one.echo(sent, MIB).seconds
    begin_s = one.opened.clock.now_s()
    received = bytearray(len(sent))
    one.path.submit(1, memoryview(sent), None)
    one.path.submit(2, None, memoryview(received))
    while one.opened.channels[0].engine.tickets:
        one.path.reap(one.deadline())
    assert received == sent
    assert one.opened.clock.now_s() - begin_s <= both_s * 1.01


# --- the same again


def test_scenario_and_seed_settle_bytes_counts_and_times(bench, data):
    def run(seed: int) -> tuple:
        one = bench(seed=seed, bit_error_rate=errors(1e-5, 1e-6), faults=(BitFlips(probability=1e-6),))
        echo = one.echo(data(4 * MIB), MIB)
        return echo, one.counts("near"), one.counts("far")

    assert run(3) == run(3)
    assert run(3) != run(4)


def test_slots_in_threads_do_not_influence_each_other(bench, data):
    def run(name: str) -> tuple:
        one = bench(name=name, bit_error_rate=errors(1e-5, 1e-6))
        return one.echo(data(4 * MIB), MIB), one.counts("far")

    names = ["north", "middle", "south", "west"]
    alone = [run(name) for name in names]
    with ThreadPoolExecutor(4) as threads:
        assert list(threads.map(run, names)) == alone


def test_reading_in_between_changes_nothing(bench, data):
    quiet, watched = bench(bit_error_rate=errors(1e-5)), bench(bit_error_rate=errors(1e-5))
    for _ in range(4):
        assert quiet.echo(data(MIB), MIB) == watched.echo(data(MIB), MIB)
        watched.opened.read_errors()
        watched.opened.read_link()
    assert quiet.counts("far") == watched.counts("far")


# --- messages and the card's memory


def test_a_message_ends_its_transfer_where_the_buffer_is_longer(bench, data):
    one, sent, target = bench(), data(5000), bytearray(b"\xee" * 6000)
    one.path.submit(1, memoryview(sent), memoryview(target))
    (done,) = one.path.reap(one.deadline())
    assert (done.status, done.sent, done.received) == ("done", 5000, 5000)
    assert target == sent + b"\xee" * 1000


def test_what_was_left_in_the_card_comes_first_until_it_is_reset(bench, data):
    for reset, expected in ((False, b"old"), (True, b"new")):
        one, target = bench(), bytearray(3)
        one.path.submit(1, memoryview(b"old"), None)
        one.path.reap(one.deadline())
        if reset:
            one.opened.flush()
        one.path.submit(2, memoryview(b"new"), memoryview(target))
        one.path.reap(one.deadline())
        assert bytes(target) == expected


def test_a_full_card_takes_no_more_until_somebody_reads(bench, data):
    one, sent = bench(card={"fifo": 64 * 1024}), data(100_000)
    one.path.submit(1, memoryview(sent), None)
    deadline = one.deadline(2.0)
    assert one.path.reap(deadline) == []
    assert deadline.expired
    target = bytearray(len(sent))
    one.path.submit(2, None, memoryview(target))
    done = [*one.path.reap(one.deadline()), *one.path.reap(one.deadline())]
    assert {(completion.ticket, completion.status) for completion in done} == {(1, "done"), (2, "done")}
    assert target == sent


def test_a_reader_waits_a_while_for_a_sender_in_another_thread(bench, data, monkeypatch):
    monkeypatch.setattr("laneproof_sim.path.GRACE_S", 10.0)
    one, sent, target = bench(card={"fifo": 4096}), data(MIB), bytearray(MIB)
    one.path.submit(1, None, memoryview(target))
    feeder = threading.Timer(0.02, lambda: one.path.submit(2, memoryview(sent), None))
    feeder.start()
    deadline = one.deadline()
    done = [*one.path.reap(deadline), *one.path.reap(deadline)]
    feeder.join()
    assert len(done) == 2
    assert target == sent


def test_memory_is_not_reset_under_a_transfer(bench):
    one = bench()
    one.path.submit(1, memoryview(b"x"), None)
    with pytest.raises(EndpointBusy, match="transfers are out"):
        one.opened.flush()


# --- stops, stalls and losses


def test_a_stall_ends_at_the_virtual_deadline(bench, data):
    one = bench(faults=(Stall(after=MIB),))
    begin_s = one.opened.clock.now_s()
    echo = one.echo(data(2 * MIB), 256 * 1024, timeout_s=30.0)
    assert echo.unfinished
    assert one.opened.clock.now_s() - begin_s == pytest.approx(30.0, rel=0.01)
    assert one.opened.read_link().near.active is True


def test_a_stalled_card_moves_no_more_than_it_took_in(bench, data):
    one, sent, target = bench(faults=(Stall(after=100_000),)), data(MIB), bytearray(MIB)
    one.path.submit(1, memoryview(sent), memoryview(target))
    assert one.path.reap(one.deadline()) == []
    (stopped,) = one.path.quiesce(one.deadline())
    assert stopped.status == "stopped"
    assert stopped.sent == 100_000
    assert stopped.received <= 100_000
    assert target[: stopped.received] == sent[: stopped.received]
    assert not any(target[stopped.received :])


def test_nothing_is_written_after_quiesce(bench, data):
    one, sent, target = bench(), data(MIB), bytearray(MIB)
    one.path.submit(1, memoryview(sent), memoryview(target))
    one.path.quiesce(one.deadline())
    before = bytes(target)
    assert one.path.reap(one.deadline(1.0)) == []
    assert bytes(target) == before


def test_a_card_that_drops_off_is_lost_with_evidence(bench, data):
    one = bench(faults=(DropOff(after=MIB),))
    with pytest.raises(DeviceLost) as caught:
        one.echo(data(4 * MIB), 256 * 1024)
    assert caught.value.link_evidence == "root port of slot north: data link layer not active"


def test_a_card_lost_out_of_sight_is_lost_without_evidence(bench, data):
    one = bench(faults=(DropOff(after=MIB),), observable=False)
    with pytest.raises(DeviceLost) as caught:
        one.echo(data(4 * MIB), 256 * 1024)
    assert caught.value.link_evidence == ""
    link, counts = one.opened.read_link(), one.opened.read_errors()
    assert all(isinstance(end, Unavailable) for end in (link.near, link.far, counts.near, counts.far))


def test_a_loss_completes_what_was_out_and_leaves_the_buffers(bench, data):
    one, sent = bench(faults=(DropOff(after=1),)), data(MIB)
    targets = [bytearray(MIB) for _ in range(3)]
    for ticket, target in enumerate(targets):
        one.path.submit(ticket, memoryview(sent), memoryview(target))
    with pytest.raises(DeviceLost):
        one.path.reap(one.deadline())
    assert sorted((c.ticket, c.status, c.received) for c in one.path.quiesce(one.deadline())) == [
        (ticket, "failed", 0) for ticket in range(3)
    ]
    assert not any(map(any, targets))


def test_what_is_under_way_when_the_card_leaves_does_not_arrive(bench, data):
    one, sent, target = bench(faults=(DropOff(after=MIB),)), data(2 * MIB), bytearray(2 * MIB)
    one.path.submit(1, memoryview(sent), memoryview(target))
    with pytest.raises(DeviceLost):
        one.path.reap(one.deadline())
    (failed,) = one.path.quiesce(one.deadline())
    segment = 64 * 1024
    assert failed.received <= MIB - 2 * segment  # the last one taken in, and the one being written back
    assert not any(target[failed.received :])


def test_transfers_finished_before_a_loss_are_still_done(bench, data):
    one, target = bench(faults=(DropOff(after=2 * MIB),)), bytearray(MIB)
    for ticket in range(3):
        one.path.submit(ticket, memoryview(data(MIB)), memoryview(target))
    (done,) = one.path.reap(one.deadline())
    assert (done.ticket, done.status) == (0, "done")
    assert one.opened.read_link().near.active is True
    with pytest.raises(DeviceLost):
        one.path.reap(one.deadline())


def test_a_lost_card_takes_no_transfer(bench, data):
    one = bench(faults=(DropOff(after=1000),))
    with pytest.raises(DeviceLost):
        one.echo(data(4096), 4096)
    with pytest.raises(DeviceLost):
        one.path.submit(9, memoryview(b"x"), None)


def test_cancelling_ends_a_reap_that_has_nothing_to_wait_for(bench):
    one = bench()
    deadline = Deadline(1e6, one.opened.clock)
    deadline.cancel()
    with pytest.raises(Interrupted):
        one.path.reap(deadline)


def test_an_expired_deadline_still_hands_over_what_is_finished(bench, data):
    one, target = bench(), bytearray(100)
    one.path.submit(1, memoryview(data(100)), memoryview(target))
    one.opened.clock.sleep(1.0)
    (done,) = one.path.reap(one.deadline(0.0))
    assert done.status == "done"


# --- refusals


@pytest.mark.parametrize(
    ("out", "into", "problem"),
    [
        (None, None, "neither side"),
        (b"", None, "at least one byte"),
        (None, b"fixed", "cannot be written"),
        (b"abcdef"[::1], memoryview(bytearray(8))[::2], "one stretch"),
    ],
)
def test_a_transfer_that_makes_no_sense_is_refused(bench, out, into, problem):
    views = [None if side is None else memoryview(side) for side in (out, into)]
    with pytest.raises(BadInput, match=problem):
        bench().path.submit(1, *views)


def test_a_ticket_that_is_out_and_one_too_many_are_refused(bench):
    one = bench(card={"queue_depth": 2})
    one.path.submit(1, memoryview(b"x"), None)
    with pytest.raises(BadInput, match="out already"):
        one.path.submit(1, memoryview(b"x"), None)
    one.path.submit(2, memoryview(b"x"), None)
    with pytest.raises(BadInput, match="2 transfers at a time"):
        one.path.submit(3, memoryview(b"x"), None)


def test_a_closed_card_says_so_and_can_be_closed_again(bench):
    one = bench()
    one.opened.close()
    one.opened.close()
    with pytest.raises(EndpointClosed):
        one.path.submit(1, memoryview(b"x"), None)
    with pytest.raises(EndpointClosed):
        one.opened.read_link()
