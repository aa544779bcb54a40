"""What is kept of wrong blocks: bounded, right about places and origins, and complete in its counts."""

from __future__ import annotations

import json
from collections.abc import Callable

import numpy as np
import pytest

import laneproof
from laneproof.integrity import DamageRecord, WrongPiece
from laneproof.integrity.buffers import Bytes
from laneproof.integrity.damage import EXAMINED_BYTES, MAX_EXAMINED

BLOCK = 1 << 16
PATTERN = laneproof.pattern("prbs31", seed=3, slot=2, channel=1, sequence=40)


def sent(sequence: int = 40, nbytes: int = BLOCK, at: int = 0) -> Bytes:
    block = np.empty(nbytes, np.uint8)
    PATTERN.for_sequence(sequence).fill(block, at)
    return block


def keep(record: DamageRecord, received: Bytes, *, number: int = 0, start: int = 0) -> None:
    comparison = PATTERN.verify(received, start)
    record.keep(
        WrongPiece(number=number, start=start, pattern=PATTERN, at=start, received=received, comparison=comparison)
    )


def flipped(at: int) -> Callable[[], Bytes]:
    def make() -> Bytes:
        block = sent()
        block[at] ^= 0x10
        return block

    return make


def test_a_record_of_nothing_wrong_is_empty() -> None:
    record = DamageRecord()
    keep(record, sent())
    assert not record
    assert record.to_dict() == {}


def test_old_data_name_the_buffer_that_they_stood_in() -> None:
    record = DamageRecord()
    received = sent()
    received[8192:12288] = sent(37)[8192:12288]
    keep(record, received, number=5)
    (block,) = record.to_dict()["blocks"]
    (found,) = block["origins"]
    assert (block["number"], block["first"] // 4096, block["last"] // 4096) == (5, 2, 2)
    assert (found["kind"], found["start"], found["stop"]) == ("stale", 8192, 12288)
    assert found["source"] == {"slot": 2, "channel": 1, "sequence_delta": -3, "position_delta": 0}


def test_displaced_data_say_by_how_much() -> None:
    record = DamageRecord()
    received = sent()
    received[1024:2048] = received[1032:2056].copy()
    keep(record, received)
    (found,) = record.to_dict()["blocks"][0]["origins"]
    assert found["kind"] == "shifted"
    assert found["source"]["position_delta"] == 8


def test_another_channels_data_are_told() -> None:
    other, received = laneproof.pattern("prbs31", seed=3, slot=2, channel=0, sequence=41), sent()
    other.fill(received)
    record = DamageRecord()
    keep(record, received)
    source = record.to_dict()["blocks"][0]["origins"][0]["source"]
    assert (source["channel"], source["sequence_delta"]) == (0, 1)


def test_counts_are_those_of_all_that_was_examined() -> None:
    record = DamageRecord()
    for number in range(3):
        keep(record, flipped(64 * number + 7)(), number=number)
    found = record.to_dict()
    assert [found[name] for name in ("wrong_bytes", "wrong_bits", "wrong_lines", "wrong_pages")] == [3, 3, 3, 3]
    assert found["masks"] == [[0x10 << 24, 3]]
    assert found["bit_of_dword"][28] == 3
    assert found["byte_of_64"][7] == 3
    assert found["by_kind"] == {"noise": 3}
    assert found["zero_to_one"] + found["one_to_zero"] == 3


def test_how_ranges_lie_is_told_by_what_they_are_multiples_of() -> None:
    record = DamageRecord()
    received = sent()
    for start in (64, 4096, 8192 + 128):
        received[start : start + 64] = 0
    keep(record, received)
    found = record.to_dict()
    assert found["runs"] == 3
    assert found["run_bytes"] == {"least": 64, "median": 64, "most": 64}
    assert found["starts_modulo"]["64"] == found["lengths_modulo"]["64"] == 1.0
    assert found["starts_modulo"]["4096"] == pytest.approx(1 / 3)


def test_only_the_first_blocks_are_examined_and_all_are_counted() -> None:
    record = DamageRecord()
    for number in range(MAX_EXAMINED + 90):
        keep(record, flipped(9)(), number=number)
    found = record.to_dict()
    assert found["blocks_damaged"] == MAX_EXAMINED + 90
    assert found["blocks_examined"] == len(found["blocks"]) == found["wrong_bytes"] == MAX_EXAMINED


def test_examining_ends_when_it_is_told_to_and_says_how_far_it_came() -> None:
    record = DamageRecord()
    for number in range(5):
        keep(record, flipped(9)(), number=number)
    asked = iter([True, True, False, False, False])
    found = record.to_dict(lambda: next(asked))
    assert (found["blocks_damaged"], found["blocks_examined"], len(found["blocks"])) == (5, 2, 2)
    assert record.to_dict(lambda: False)["blocks_examined"] == 1


def test_pieces_of_one_block_are_one_block() -> None:
    record = DamageRecord()
    for start in (0, BLOCK):
        received = sent(nbytes=BLOCK, at=start)
        received[100] ^= 1
        keep(record, received, number=4, start=start)
    found = record.to_dict()
    assert found["blocks_damaged"] == 1
    assert [block["first"] for block in found["blocks"]] == [100, BLOCK + 100]


def test_a_long_block_is_examined_from_the_page_of_its_first_wrong_byte() -> None:
    nbytes = 2 * EXAMINED_BYTES
    received = sent(nbytes=nbytes)
    received[5000:] ^= 0xFF
    record = DamageRecord()
    keep(record, received)
    (block,) = record.to_dict()["blocks"]
    assert block["examined"] == [4096, 4096 + EXAMINED_BYTES]
    assert (block["first"], block["last"], block["wrong_bytes"]) == (5000, nbytes - 1, nbytes - 5000)
    assert block["origins"][0]["kind"] == "pre-fill"


def test_what_is_kept_is_as_it_came_though_the_buffer_is_used_again() -> None:
    record = DamageRecord()
    received = flipped(300)()
    keep(record, received)
    received[:] = 0
    assert record.to_dict()["wrong_bytes"] == 1


def test_a_record_is_plain_data() -> None:
    record = DamageRecord()
    keep(record, flipped(1)())
    found = record.to_dict()
    assert json.loads(json.dumps(found)) == found


@pytest.mark.parametrize("block", [4096, 1 << 20])
def test_a_check_fills_a_record(block: int) -> None:
    record = DamageRecord()
    with laneproof.open("sim:flipping-card#north") as card:
        result = card.check("prbs31", 16 << 20, block=block, damage=record)
    found = record.to_dict()
    assert not result.ok
    assert found["blocks_damaged"] == len({region.start // block for region in result.regions})
    where = {(region.start // block, region.start % block) for region in result.regions}
    assert {(one["number"], one["first"]) for one in found["blocks"]} <= where
