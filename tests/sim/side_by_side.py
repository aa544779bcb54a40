"""The simulator and the slow model of a link on the same work with the same wrong bits, and what each of them saw.

The latencies that the standard leaves open are the simulator's in both. Nothing here judges; the tests do.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping

import attrs
from attrs import frozen
from sim_bench import Bench, Planted, plain_slot
from slow_link import Result, Setting, Sites, run
from slow_wire import Grid

from laneproof_sim.chance import Places
from laneproof_sim.engine import CARD_LATENCY_S, DONE_S, START_S
from laneproof_sim.line import RETRAIN_S, ErrorSites, Line
from laneproof_sim.packets import DLLP_NBYTES, WRITE_OVERHEAD_NBYTES, LinkTiming, Load, link_timing
from laneproof_sim.scenario import DEFAULT_READ_LATENCY, Slot
from laneproof_sim.training import train

SEGMENT_NBYTES = 64 * 1024
"""What the simulated card fetches before it begins to write it back, with a FIFO of four such."""
SEGMENTS_IN_HAND = 4
PACKET_NBYTES = 256
ENDS = ("near", "far")
FIRST_SEEN = ("RxErr", "BadTLP", "BadDLLP")
"""What a wrong bit is reported as where it arrives; the rest follows at the other end."""


@frozen
class Seen:
    """What one of the two models saw: how often each (end, name), whether all arrived intact, and how long it took."""

    counts: Counter[tuple[str, str]]
    intact: bool
    seconds: float

    def first_seen(self, end: str) -> int:
        return sum(self.counts[end, name] for name in FIRST_SEEN)


def slot_of(speed: float, width: int, payload: int, read_request: int) -> Slot:
    """A healthy slot with partners of these sizes."""
    plain = plain_slot()
    partner = {"max_speed": speed, "max_width": width, "max_payload": payload}
    return attrs.evolve(
        plain,
        wiring=width,
        near=attrs.evolve(plain.near, **partner),
        card=attrs.evolve(plain.card, **partner, read_request=read_request),
    )


def setting_of(timing: LinkTiming) -> Setting:
    """The slow model's setting with the simulator's latencies: Acks as often as it sends them, half a Nak's round trip
    at each end, tags without number."""
    symbol_s = Grid(timing.speed_gtps, timing.width).symbol_ui / (timing.speed_gtps * 1e9)
    one_way = timing.nak_round_trip_s / 2 / symbol_s
    packet = (timing.max_payload + WRITE_OVERHEAD_NBYTES) / timing.bytes_per_s / symbol_s
    return Setting(
        speed_gtps=timing.speed_gtps,
        width=timing.width,
        max_payload=timing.max_payload,
        read_request=timing.read_request,
        tags=100_000,
        open_items=SEGMENTS_IN_HAND,
        # It waits for one packet before it begins to count.
        ack_latency_symbols=max(0.0, timing.answer_interval_s / symbol_s - packet),
        nak_latency_symbols=one_way,
        sender_latency_symbols=one_way - DLLP_NBYTES / timing.width,
        replay_timer_symbols=timing.replay_timer_s / symbol_s,
        host_latency_s=DEFAULT_READ_LATENCY,
        card_turn_s=CARD_LATENCY_S,
        recovery_s=RETRAIN_S,
    )


def of_slow(result: Result, wanted: Mapping[str, int]) -> Seen:
    """`wanted` bytes at each end, each once and in order within its work item."""
    got: dict[tuple[str, int], int] = {}
    in_order = True
    for end in ENDS:
        for item, offset, nbytes in result.pieces[end]:
            in_order = in_order and offset == got.get((end, item), 0)
            got[end, item] = offset + nbytes
    whole = all(result.delivered[end] == wanted[end] for end in ENDS)
    return Seen(Counter((event.end, event.name) for event in result.events), in_order and whole, result.last_s)


Lanes = Mapping[str, Mapping[int, list[int]]]
"""For each end that sends, for each lane, the numbers of its wrong bits since the work began."""


def drawn(slot: Slot, rate: float, seed: int, first: int, last: int) -> Lanes:
    """What the simulator's own generators draw for a link in that slot at bits `first` to `last` from link up."""

    def lane_bits(receiver: str, lane: int) -> list[int]:
        places = Places(rate, seed, slot.name, receiver, lane)
        places.skip_to(first)
        return [int(bit) for bit in places.take_before(last)]

    lanes = range(slot.wiring)
    return {"near": {n: lane_bits("far", n) for n in lanes}, "far": {n: lane_bits("near", n) for n in lanes}}


def echo(slot: Slot, data: bytes, lanes: Lanes) -> Seen:
    """The simulator echoes `data` in one transfer over its whole path. Events to the last byte back are counted."""
    bench = Bench(slot, seed=0)
    notes: list[tuple[float, str, str]] = []
    opened = bench.opened
    start_s = opened.clock.now_s()
    begin = int((start_s + START_S) * opened.link.timing.line_bits_per_s)
    for line, sender in zip(opened.link.lines, ENDS, strict=True):
        line._note = lambda *note: notes.append(note)
        line._sites = Planted(lanes[sender], begin)
    done = bench.echo(data, len(data))
    opened.read_errors()  # the line that was idle at the end is looked at too
    opened.close()
    seconds = done.seconds - START_S - DONE_S
    return Seen(Counter((end, name) for _, end, name in notes), done.received == data and not done.unfinished, seconds)


def slow_echo(timing: LinkTiming, nbytes: int, lanes: Lanes) -> tuple[Seen, Result]:
    """The slow model echoes as many bytes, in the segments in which the card takes them."""
    work = [("echo", min(SEGMENT_NBYTES, nbytes - at)) for at in range(0, nbytes, SEGMENT_NBYTES)]
    result = run(setting_of(timing), work, Sites(**lanes))
    return of_slow(result, dict.fromkeys(ENDS, nbytes)), result


class OneWay:
    """`count` writes of a card over one x1 link, in both models, with wrong bits of that direction or its answers.

    The simulator's begin at `START_BIT`, past the ordered sets with which its line begins.
    """

    START_BIT = 2080

    def __init__(self, speed: float, count: int) -> None:
        slot = slot_of(speed, 1, PACKET_NBYTES, 512)
        self.count = count
        self.timing = link_timing(slot, train(slot))
        self.setting = setting_of(self.timing)
        self.start_s = self.START_BIT / self.timing.line_bits_per_s
        nbytes = PACKET_NBYTES + WRITE_OVERHEAD_NBYTES
        self.packet_s = nbytes / self.timing.bytes_per_s
        self.load = Load(kind="tlp", count=count, nbytes=count * nbytes)

    def fast(self, writes: ErrorSites | Iterable[int] = (), answers: Iterable[int] = ()) -> Seen:
        """The simulator's line, with wrong bits among the writes and among what answers them."""
        notes: list[tuple[str, str]] = []

        def note(at_s: float, end: str, name: str) -> None:
            notes.append((end, name))

        sites = writes if isinstance(writes, ErrorSites) else Planted(writes)
        from_card = Line(self.timing, "near", sites, note)
        Line.join(from_card, Line(self.timing, "far", Planted(answers), note))
        _, end_s = from_card.carry(self.start_s, self.load)
        from_card.end_burst(end_s)
        return Seen(Counter(notes), True, end_s - self.start_s)

    def slow(self, writes: Iterable[int] = (), answers: Iterable[int] = ()) -> tuple[Seen, Result]:
        nbytes = self.count * PACKET_NBYTES
        sites = Sites(far={0: list(writes)}, near={0: list(answers)})
        result = run(self.setting, [("write", nbytes)], sites)
        return of_slow(result, {"near": nbytes, "far": 0}), result

    def slow_bit(self, result: Result, kind: str, which: int, offset: int) -> int:
        """The middle bit of byte `offset` of the `which`th packet of that kind."""
        end = "far" if kind == "MWr" else "near"
        sent = [one for one in result.sent[end] if one.kind == kind][which]
        return Grid(self.timing.speed_gtps, 1).bit_of(sent.start + offset, 4)[1]

    def fast_bit(self, at_s: float, offset: int) -> int:
        """The middle bit of byte `offset` of a packet that starts `at_s` after the first, beside any sync header."""
        seconds = self.start_s + at_s + (offset + 0.5) / self.timing.bytes_per_s
        bit = int(seconds * self.timing.line_bits_per_s)
        return bit + 2 if self.timing.speed_gtps > 5 and bit % 130 < 2 else bit
