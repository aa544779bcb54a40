"""Each kind of damage that shows in the data: the default pattern tells it, and fixed patterns miss some.

The kinds of damage are common practice in bringing up DMA engines and links, from memory; no published table is behind
them. What shows outside the data (surplus bytes, errors counters, an absent card) is not here.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from laneproof.integrity import pattern
from laneproof.integrity.origin import Past, trace

SIZE = 65_536
PAGE = 4096


class Scene:
    """One buffer of a run, what was in it before, and other buffers' data. `received` starts out right."""

    def __init__(self, name: str) -> None:
        numbers = {"seed": 11, "slot": 3, "channel": 1, "sequence": 40}
        self.pattern = pattern(name, **numbers)
        self.expected = self._of(numbers)
        self.stale = self._of({**numbers, "sequence": 36})  # the ring holds four buffers
        self.foreign = self._of({**numbers, "channel": 0})
        self.earlier_run = self._of({**numbers, "seed": 10})
        self.prefill = np.zeros(SIZE, np.uint8)
        self.pattern.fill_unlike(self.prefill)
        self.received = self.expected.copy()
        self.past = Past(nbytes=SIZE, earlier=8, channels=(0, 1, 2))

    def _of(self, numbers: dict[str, int]) -> np.ndarray:
        data = np.zeros(SIZE, np.uint8)
        pattern(self.pattern.name, **numbers).fill(data)
        return data


def never_written(scene: Scene) -> None:
    scene.received[:] = scene.prefill


def all_ones(scene: Scene) -> None:
    scene.received[:] = 0xFF


def previous_transfer(scene: Scene) -> None:
    scene.received[:] = scene.stale


def head_new_tail_old(scene: Scene) -> None:
    scene.received[20_017:] = scene.stale[20_017:]


def stale_pages(scene: Scene) -> None:
    for page in (3, 9, 10):
        scene.received[page * PAGE : (page + 1) * PAGE] = scene.stale[page * PAGE : (page + 1) * PAGE]


def lost_page(scene: Scene) -> None:
    scene.received[2 * PAGE : 3 * PAGE] = scene.prefill[2 * PAGE : 3 * PAGE]


def pages_in_each_others_place(scene: Scene) -> None:
    pages, right = scene.received.reshape(-1, PAGE), scene.expected.reshape(-1, PAGE)
    pages[4], pages[11] = right[11], right[4]


def overflow(scene: Scene) -> None:
    scene.received[8192:-640] = scene.expected[8192 + 640 :]
    scene.received[-640:] = scene.prefill[-640:]


def shift_by_4(scene: Scene) -> None:
    scene.received[4:] = scene.expected[:-4]


def shift_by_64(scene: Scene) -> None:
    scene.received[64:] = scene.expected[:-64]


def tail_of_an_earlier_run(scene: Scene) -> None:
    scene.received[:512] = scene.earlier_run[-512:]


def end_missing(scene: Scene) -> None:
    scene.received[-61:] = scene.prefill[-61:]


def damage_at_every_page(scene: Scene) -> None:
    scene.received.reshape(-1, PAGE)[1:, :64] = scene.stale.reshape(-1, PAGE)[1:, :64]


def eight_bytes_repeated(scene: Scene) -> None:
    scene.received.reshape(-1, 16)[:, 8:] = scene.expected.reshape(-1, 16)[:, :8]


def first_equal_last(scene: Scene) -> None:
    scene.received[:64] = scene.expected[-64:]


def header_stripped(scene: Scene) -> None:
    scene.received[:16] = 0


def address_mask(scene: Scene) -> None:
    scene.received[:256] = scene.expected[256:512]


def alternate_words_zero(scene: Scene) -> None:
    scene.received.view(np.uint32)[1::2] = 0


def bytes_reversed(scene: Scene) -> None:
    scene.received[:] = scene.expected.view(np.uint32).byteswap().view(np.uint8)


def words_reversed(scene: Scene) -> None:
    scene.received[:] = scene.expected.reshape(-1, 2, 4)[:, ::-1].reshape(-1)


def another_channel(scene: Scene) -> None:
    scene.received[:] = scene.foreign


def spliced_completion(scene: Scene) -> None:
    scene.received[10_240:10_496] = scene.expected[30_720:30_976]


def chunk_repeated(scene: Scene) -> None:
    scene.received[1536:2048] = scene.expected[1024:1536]


def stuck_line(scene: Scene) -> None:
    scene.received[19::64] |= 0x20


def random_bits(scene: Scene) -> None:
    random = np.random.default_rng(5)
    scene.received[random.choice(SIZE, 40, replace=False)] ^= 0x10


def stale_cache_lines(scene: Scene) -> None:
    for line in (64, 128, 6400):
        scene.received[line : line + 64] = scene.stale[line : line + 64]


def lost_payload(scene: Scene) -> None:
    scene.received[768:1024] = scene.prefill[768:1024]


# What each has to be called, all of it.
DAMAGE: dict[Callable[[Scene], None], set[str]] = {
    never_written: {"pre-fill"},
    all_ones: {"ones"},
    previous_transfer: {"stale"},
    head_new_tail_old: {"stale"},
    stale_pages: {"stale"},
    lost_page: {"pre-fill"},
    pages_in_each_others_place: {"swapped"},
    overflow: {"shifted", "pre-fill"},
    shift_by_4: {"shifted"},
    shift_by_64: {"shifted"},
    tail_of_an_earlier_run: {"elsewhere"},
    end_missing: {"pre-fill"},
    damage_at_every_page: {"stale"},
    eight_bytes_repeated: {"repeated"},
    first_equal_last: {"repeated"},
    header_stripped: {"zeros"},
    address_mask: {"repeated"},
    alternate_words_zero: {"zeros"},
    bytes_reversed: {"reversed-bytes"},
    words_reversed: {"reversed-words"},
    another_channel: {"foreign"},
    spliced_completion: {"repeated"},
    chunk_repeated: {"repeated"},
    stuck_line: {"noise"},
    random_bits: {"noise"},
    stale_cache_lines: {"stale"},
    lost_payload: {"pre-fill"},
}


def missed(name: str) -> set[str]:
    """What a pattern does not notice at all: the damaged buffer verifies as right."""
    unnoticed: set[str] = set()
    for damage in DAMAGE:
        scene = Scene(name)
        damage(scene)
        if scene.pattern.verify(scene.received).ok:
            unnoticed.add(damage.__name__)
    return unnoticed


def told(name: str) -> set[str]:
    """What a pattern tells for what it is, with one buffer only that the data can have come from."""
    right: set[str] = set()
    for damage, kinds in DAMAGE.items():
        scene = Scene(name)
        damage(scene)
        found = trace(scene.pattern, scene.received, past=scene.past)
        one = all(len({source.sequence for source in origin.candidates}) <= 1 for origin in found.origins)
        one &= all(len(origin.candidates) <= 1 for origin in found.origins)
        if set(found.wrong_bytes_by_kind) == kinds and one:
            right.add(damage.__name__)
    return right


@pytest.mark.parametrize("damage", DAMAGE, ids=lambda damage: damage.__name__)
def test_the_default_pattern_tells_each_damage_for_what_it_is(damage):
    scene = Scene("prbs31")
    damage(scene)
    assert not scene.pattern.verify(scene.received).ok
    found = trace(scene.pattern, scene.received, past=scene.past)
    assert set(found.wrong_bytes_by_kind) == DAMAGE[damage]
    assert sum(found.wrong_bytes_by_kind.values()) == np.count_nonzero(scene.received != scene.expected)


# Of the 27 kinds of damage: how many pass unnoticed, and how many are told for what they are. The docs give these
# numbers; a change of them is a change of what the patterns are worth.
WORTH = {
    "fixed": (17, 8),
    "walking-one": (4, 9),
    "walking-zero": (4, 8),
    "counter": (0, 25),
    "prbs7": (0, 9),
    "prbs9": (0, 9),
    "prbs15": (0, 9),
    "prbs23": (0, 27),
    "prbs29": (0, 27),
    "prbs31": (0, 27),
    "tagged": (0, 24),
}


@pytest.mark.parametrize("name", WORTH)
def test_patterns_miss_and_tell_as_many_as_the_docs_say(name):
    unnoticed, right = missed(name), told(name)
    print(f"{name}: unnoticed {len(unnoticed)} ({', '.join(sorted(unnoticed))}), told {len(right)} of {len(DAMAGE)}")
    assert len(DAMAGE) == 27
    assert (len(unnoticed), len(right)) == WORTH[name]


def test_a_fixed_word_does_not_notice_data_that_are_old_displaced_or_of_another_channel():
    assert missed("fixed") >= {
        "previous_transfer",
        "stale_pages",
        "pages_in_each_others_place",
        "shift_by_4",
        "another_channel",
        "spliced_completion",
    }


def test_a_walking_bit_does_not_notice_pages_in_each_others_place():
    assert missed("walking-one") == {
        "pages_in_each_others_place",
        "address_mask",
        "chunk_repeated",
        "spliced_completion",
    }
