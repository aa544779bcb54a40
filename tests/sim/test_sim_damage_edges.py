"""Whatever its parameters and however short the message: a fault stays inside of the buffer and leaves no error."""

from __future__ import annotations

from typing import get_args, get_type_hints

import attrs
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from laneproof_sim import quantities as q
from laneproof_sim.damage.delivery import Delivery
from laneproof_sim.damage.message import MessageFault
from laneproof_sim.faults import CATALOGUE

KINDS = [fault for fault in CATALOGUE if issubclass(fault, MessageFault)]
GUARD = 128


def _values(hint: object) -> st.SearchStrategy:
    reader = q.READERS.get(hint)
    if isinstance(reader, q.OneOf):
        return st.sampled_from(reader.allowed)
    if isinstance(reader, q.Between):
        return st.integers(reader.least, reader.most)
    if hint is q.Probability:
        return st.floats(0, 1, exclude_max=True)
    if hint in (q.ByteCount, q.ByteOffset):
        return st.one_of(st.integers(1, 600), st.integers(2**62 - 2, 2**62 - 1))
    if hint is q.Displacement:
        return st.integers(1, q.MAX_DISPLACEMENT)
    return st.booleans() if hint is bool else st.sampled_from(get_args(hint))


@st.composite
def faults(draw: st.DrawFn, kind: type) -> MessageFault:
    hints = get_type_hints(kind)
    keys = {field.name: draw(_values(hints[field.name])) for field in attrs.fields(kind) if field.name != "when"}
    if kind.kind == "repeated-beat":
        keys["beat"] = min(keys["beat"], max(1, keys["every"] // 2))
        keys["every"] = max(2, keys["every"])
    if kind.kind == "reversed-words":
        keys["word"], keys["unit"] = sorted((keys["word"], keys["unit"]))
        if keys["word"] == keys["unit"]:
            keys["word"], keys["unit"] = 2, 4
    if kind.kind == "byte-lane":
        keys["lane"] %= keys["width"]
    return kind(**keys)


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.kind)
@given(data=st.data(), sizes=st.lists(st.integers(1, 700), min_size=1, max_size=3), room=st.integers(0, 40))
@settings(max_examples=30, deadline=None)
def test_a_fault_stays_inside_of_the_buffer(kind, data, sizes, room):
    delivery = Delivery([data.draw(faults(kind))], 0, "north")
    beside = [np.full(300, 0xEE, np.uint8)]
    for size in sizes:
        memory = np.full(GUARD + size + room + GUARD, 0x5A, np.uint8)
        into = memory[GUARD : GUARD + size + room]
        before = into.copy()
        into[:size] = np.arange(size) % 251
        received = delivery.arrived(into, size, before, beside=beside)
        assert 0 <= received <= len(into)
        assert bool(np.all(into[received:] == 0x5A))
        assert bool(np.all(memory[:GUARD] == 0x5A))
        assert bool(np.all(memory[GUARD + len(into) :] == 0x5A))
        assert bool(np.all(beside[0] == 0xEE))
