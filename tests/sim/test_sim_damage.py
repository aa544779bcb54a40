"""Each kind of damage as a tester meets it, through the endpoint: what the data show, and that all else stays clean.

How each kind looks is common practice in bringing up DMA engines and links, from memory; no published table is behind
it. That a fault behind the link's CRC leaves link, counters and rate alone is by the base specification's layers: the
data link layer checks what crosses the link, and nothing before or behind it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import pytest
from attrs import frozen

import laneproof
from laneproof.integrity.origin import Past, trace
from laneproof_sim.faults import CATALOGUE
from laneproof_sim.transactions.packet import TransactionFault

SIZE = 64 * 1024
PAGE = 4096
BENCH = """\
schema = 1
name = "damage"
invented = "invented for a test"
description = "One slot with one fault."

[[slot]]
name = "north"
wiring = 8
near = { max_speed = "8 GT/s", max_width = 8 }
card = { max_speed = "8 GT/s", max_width = 8, model = "echo card", serial = "invented", fifo = "%s" }
"""


@frozen
class Row:
    """A fault's parameters, as which kinds of origin it shows, and where wrong bytes may lie."""

    keys: str
    origins: set[str]
    within: Callable[[np.ndarray], np.ndarray] = lambda places: places >= 0


ROWS = {
    "bit-flips": Row("probability = 1e-3", {"noise"}),
    "regular-flips": Row('every = "1000 B"', {"noise"}, lambda at: (at + 2 * SIZE) % 1000 == 999),
    "stuck-bit": Row("word = 32\nbyte = 19\nbit = 5\nlevel = 1", {"noise"}, lambda at: at % 32 == 19),
    "byte-lane": Row("width = 16\nlane = 3", {"noise"}, lambda at: at % 16 == 3),
    "host-bit-flips": Row('at = "20000 B"\nbit = 7', {"noise"}, lambda at: at == 20_000),
    "never-written": Row("", {"pre-fill"}),
    "all-ones": Row("", {"ones"}),
    "stale-message": Row("back = 2", {"stale"}),
    "early-completion": Row('behind = "16 KiB"', {"pre-fill"}, lambda at: at >= SIZE - 16 * 1024),
    "lost-pages": Row("count = 3", {"pre-fill"}),
    "swapped-pages": Row("count = 2", {"swapped"}),
    "stale-lines": Row("probability = 0.02", {"stale"}),
    "boundary-damage": Row("", {"stale"}, lambda at: (at >= PAGE) & (at % PAGE < 64)),
    "split-damage": Row('unit = "completion"\ncount = 4', {"pre-fill"}),
    "dropped-beats": Row('length = "640 B"', {"shifted", "pre-fill"}),
    "shifted": Row('by = "64 B"', {"shifted", "pre-fill"}),
    "unflushed-fifo": Row('length = "512 B"', {"stale"}, lambda at: at < 512),
    "short-tail": Row('length = "61 B"', {"pre-fill"}, lambda at: at >= SIZE - 61),
    "repeated-beat": Row('every = "1 KiB"', {"repeated"}, lambda at: at % 1024 >= 1016),
    "pointer-wrap": Row("", {"repeated"}, lambda at: at < 64),
    "stripped-header": Row("", {"zeros"}, lambda at: at < 16),
    "address-mask": Row("", {"repeated"}, lambda at: at < 256),
    "skipped-chunks": Row("count = 2", {"repeated"}),
    "half-width": Row("", {"zeros"}, lambda at: at % 8 >= 4),
    "reversed-words": Row("", {"reversed-bytes"}),
}
ELSEWHERE = {"extra-beat", "second-short", "spliced", "drop-off", "stall", "absent"}
ELSEWHERE |= {"failing-lane", "failing-speed", "bad-training", "config-lost", "not-ready"}
ELSEWHERE |= {"foreign-channel", "rotated-channels"}
ELSEWHERE |= {fault.kind for fault in CATALOGUE if issubclass(fault, TransactionFault)}
"""Kinds whose effect is not in the data of one message; what they do has tests of its own, here and of the path."""
WHOLE_UNITS = {
    "lost-pages": (PAGE, 3),
    "swapped-pages": (PAGE, 4),
    "split-damage": (256, 4),
    "skipped-chunks": (512, 2),
}
"""The unit of damage in bytes, and how many of them a message has."""


@frozen
class Echoed:
    """What came back of one buffer, and what should have."""

    right: np.ndarray
    back: np.ndarray
    origins: dict[str, int]
    seconds: float

    @property
    def wrong(self) -> np.ndarray:
        return np.flatnonzero(self.right != self.back)


@pytest.fixture
def open_bench(tmp_path) -> Iterator[Callable[..., laneproof.Endpoint]]:
    cards = []

    def one(fault: str = "", keys: str = "", seed: int = 0, fifo: str = "256 KiB") -> laneproof.Endpoint:
        path = tmp_path / f"bench-{len(cards)}.toml"
        table = f'[[slot.fault]]\nkind = "{fault}"\n{keys}\n' if fault else ""
        path.write_text(BENCH % fifo + table, "utf-8")
        cards.append(laneproof.open(f"sim:{path}?seed={seed}#north"))
        return cards[-1]

    yield one
    for card in cards:
        card.close()


def echo(card: laneproof.Endpoint, sequence: int) -> Echoed:
    """One buffer of the default pattern, out and back into memory that was filled with its complement."""
    pattern = laneproof.pattern("prbs31", seed=11, sequence=sequence)
    right, back = np.zeros(SIZE, np.uint8), np.zeros(SIZE, np.uint8)
    pattern.fill(right)
    pattern.fill_unlike(back)
    seconds = card.loopback(right, back).seconds
    found = trace(pattern, back, past=Past(nbytes=SIZE, earlier=8))
    assert not found.caution
    return Echoed(right, back, dict(found.wrong_bytes_by_kind), seconds)


def third(card: laneproof.Endpoint) -> Echoed:
    """The third buffer of a run: there are two to look back at."""
    return [echo(card, sequence) for sequence in (1, 2, 3)][-1]


def link_errors(card: laneproof.Endpoint) -> dict[str, int]:
    card.clock.sleep(1e-3)
    seen = card.read_errors()
    groups = [group for end in (seen.near, seen.far) for group in (end.correctable, end.nonfatal, end.fatal)]
    return {name: count.n for group in groups for name, count in group.items() if count.n}


def test_every_kind_of_the_catalogue_is_looked_at():
    assert {*ROWS, *ELSEWHERE} == {fault.kind for fault in CATALOGUE}


@pytest.mark.parametrize("kind", ROWS)
def test_the_data_show_what_the_fault_promises(open_bench, kind):
    row, seen = ROWS[kind], third(open_bench(kind, ROWS[kind].keys))
    assert seen.wrong.size
    assert set(seen.origins) == row.origins
    assert bool(np.all(row.within(seen.wrong)))
    unit, count = WHOLE_UNITS.get(kind, (SIZE, 1))
    assert np.unique(seen.wrong // unit).size == count


@pytest.mark.parametrize("kind", ROWS)
def test_link_counters_and_rate_stay_clean(open_bench, kind):
    healthy, faulty = open_bench(), open_bench(kind, ROWS[kind].keys)
    before = faulty.read_link()
    assert third(faulty).seconds == third(healthy).seconds
    assert faulty.read_link() == before
    assert link_errors(faulty) == {}


@pytest.mark.parametrize("kind", ROWS)
def test_damage_does_not_depend_on_the_segments_in_which_the_card_moves_data(open_bench, kind):
    keys = ROWS[kind].keys
    whole, pieces = (third(open_bench(kind, keys, fifo=fifo)) for fifo in ("256 KiB", "4 KiB"))
    assert np.array_equal(whole.back, pieces.back)


@pytest.mark.parametrize("kind", ROWS)
def test_a_check_finds_the_damage_and_says_where(open_bench, kind):
    card = open_bench(kind, ROWS[kind].keys)
    result = card.check("prbs31", 8 * SIZE, block=SIZE, depth=2)
    assert not result.ok
    assert result.mismatched_bytes
    assert result.bytes_received == 8 * SIZE
    assert not result.stalled
    assert not result.surplus_bytes
    assert result.regions[0].start == result.first


def test_a_clean_bench_shows_none_of_it(open_bench):
    card = open_bench()
    assert third(card).origins == {}
    assert card.check("prbs31", 8 * SIZE, block=SIZE, depth=4).ok


@pytest.mark.parametrize("kind", ["lost-pages", "early-completion", "stale-lines", "boundary-damage", "split-damage"])
def test_a_place_not_written_shows_what_was_there_or_the_transfer_before(open_bench, kind):
    for shows, origin in (("before", "pre-fill"), ("earlier", "stale")):
        keys = f'shows = "{shows}"' + ("\nprobability = 0.1" if kind == "stale-lines" else "")
        assert set(third(open_bench(kind, keys)).origins) == {origin}


def test_with_no_transfer_before_there_is_only_what_the_buffer_held(open_bench):
    assert set(echo(open_bench("lost-pages", 'shows = "earlier"'), 1).origins) == {"pre-fill"}
    for kind in ("stale-message", "unflushed-fifo"):
        assert echo(open_bench(kind), 1).origins == {}


def test_the_split_of_an_early_completion_moves(open_bench):
    card = open_bench("early-completion")
    assert len({int(echo(card, sequence).wrong[0]) for sequence in range(6)}) == 6


def test_words_are_reversed_on_a_wider_bus(open_bench):
    assert set(third(open_bench("reversed-words", "word = 4\nunit = 8")).origins) == {"reversed-words"}


def test_a_bad_cell_of_the_host_is_wrong_in_each_transfer_alike(open_bench):
    card = open_bench("host-bit-flips", 'at = "20000 B"\nbit = 7')
    masks = {tuple((seen.right ^ seen.back)[seen.wrong].tolist()) for seen in (echo(card, n) for n in range(3))}
    assert masks == {(0x80,)}


def test_damage_at_addresses_moves_against_the_buffer_when_the_buffer_is_moved(open_bench):
    card = open_bench("boundary-damage", 'counted_in = "addresses"\nshows = "before"')
    memory, right = np.zeros(SIZE + 2 * PAGE, np.uint8), np.ones(SIZE, np.uint8)
    aligned = -memory.ctypes.data % PAGE
    for moved in (0, 64, 100):
        back = memory[aligned + moved : aligned + moved + SIZE]
        back[:] = 0
        card.loopback(right, back)
        places = np.flatnonzero(back == 0) + moved
        assert set((places % PAGE).tolist()) == set(range(64))


# --- what shows in lengths, or needs more than one transfer at a time


def test_an_extra_beat_is_surplus_as_far_as_the_buffer_has_room(open_bench):
    result = open_bench("extra-beat").check("prbs31", SIZE, block=SIZE)
    assert (result.mismatched_bytes, result.surplus_bytes, result.ok) == (0, 1, False)


def test_an_extra_beat_is_never_written_beyond_the_buffer(open_bench):
    memory, right = np.full(2 * SIZE, 0x5A, np.uint8), np.ones(SIZE, np.uint8)
    open_bench("extra-beat").loopback(right, memory[:SIZE])
    assert bool(np.all(memory[:SIZE] == 1))
    assert bool(np.all(memory[SIZE:] == 0x5A))


def test_only_the_second_transfer_is_short(open_bench):
    card = open_bench("second-short")
    result = card.check("prbs31", 4 * SIZE, block=SIZE, depth=1)
    assert (result.mismatched_bytes, result.bytes_received, result.ok) == (0, 4 * SIZE - 64, False)


def test_the_second_transfer_is_short_again_after_a_data_reset(open_bench):
    card = open_bench("second-short")
    received = []
    for _ in range(2):
        for _ in range(3):
            received.append(card.check("prbs31", SIZE, block=SIZE).bytes_received)
            if not card.channels[0].in_step:
                card.recover()
        card.reset(laneproof.contract.ResetLevel.DATA)
    assert received.count(SIZE - 64) == 2


def test_a_short_tail_that_the_card_reports_is_a_short_transfer(open_bench):
    result = open_bench("short-tail", 'length = "60 B"\nreported = true').check("prbs31", SIZE, block=SIZE)
    assert (result.mismatched_bytes, result.bytes_received, result.ok) == (0, SIZE - 60, False)


def test_a_piece_of_another_transfer_turns_up_only_where_two_are_out(open_bench):
    card = open_bench("spliced")
    assert card.check("prbs31", 8 * SIZE, block=SIZE, depth=1).ok
    result = card.check("prbs31", 8 * SIZE, block=SIZE, depth=2)
    assert 7 * 250 < result.mismatched_bytes <= 7 * 256  # the last of them is alone
    assert len({region.start // SIZE for region in result.regions}) == 7


def test_several_faults_of_one_card_act_in_order(open_bench):
    keys = 'by = "4 B"\n[[slot.fault]]\nkind = "stripped-header"'
    seen = third(open_bench("shifted", keys))
    assert not seen.back[:16].any()
    assert np.array_equal(seen.back[16:], seen.right[12:-4])


# --- the seed


@pytest.mark.parametrize(
    "kind", ["bit-flips", "byte-lane", "lost-pages", "swapped-pages", "stale-lines", "dropped-beats"]
)
def test_the_seed_moves_what_varies_and_repeats_it(open_bench, kind):
    one, again, other = (third(open_bench(kind, ROWS[kind].keys, seed=seed)).back for seed in (1, 1, 2))
    assert np.array_equal(one, again)
    assert not np.array_equal(one, other)


@pytest.mark.parametrize(
    "kind",
    ["regular-flips", "stuck-bit", "host-bit-flips", "boundary-damage", "shifted", "half-width", "stale-message"],
)
def test_the_seed_leaves_alone_what_the_scenario_says(open_bench, kind):
    one, other = (third(open_bench(kind, ROWS[kind].keys, seed=seed)).wrong for seed in (1, 2))
    assert np.array_equal(one, other)
