"""Acknowledgement and replay, against the base specification's tables."""

from __future__ import annotations

import pytest

from laneproof.errors import BadInput
from laneproof.pcie import ack_factor, ack_limit_symbols, replay_timer_symbols

WIDTHS = (1, 2, 4, 8, 12, 16, 32)


# Base specification tables as quoted in public IP manuals, payload 128 bytes, by width, in symbol times.
@pytest.mark.parametrize(
    ("speed_gtps", "limits"),
    [
        (2.5, {1: 237, 2: 128, 4: 73, 8: 67, 12: 58, 16: 48, 32: 33}),
        (5.0, {1: 288, 2: 179, 4: 124, 8: 118, 16: 99}),
        (8.0, {1: 333, 2: 224, 4: 169, 8: 163, 16: 144}),
        (32.0, {1: 333, 2: 224, 4: 169, 8: 163, 16: 144}),
    ],
)
def test_acks_are_due_when_the_published_tables_say(speed_gtps: float, limits: dict[int, int]) -> None:
    assert {width: ack_limit_symbols(speed_gtps, width, 128) for width in limits} == limits


def test_the_replay_timer_is_the_published_one() -> None:
    # The same manuals, 2.5 GT/s and 128 bytes.
    assert [replay_timer_symbols(2.5, width, 128) for width in WIDTHS] == [711, 384, 219, 201, 174, 144, 99]


# The rest of the base specification's table at 2.5 GT/s, from memory.
@pytest.mark.parametrize(
    ("payload", "limits"),
    [
        (256, [416, 217, 118, 107, 90, 72, 45]),
        (512, [559, 289, 154, 86, 109, 86, 52]),
        (1024, [1071, 545, 282, 150, 194, 150, 84]),
        (2048, [2095, 1057, 538, 278, 365, 278, 148]),
        (4096, [4143, 2081, 1050, 534, 706, 534, 276]),
    ],
)
def test_larger_payloads_are_acknowledged_as_the_table_says(payload: int, limits: list[int]) -> None:
    assert [ack_limit_symbols(2.5, width, payload) for width in WIDTHS] == limits


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [((7.0, 1, 128), "no link speed"), ((8.0, 3, 128), "no link width"), ((8.0, 1, 64), "no payload size")],
)
def test_what_the_tables_do_not_have_is_refused(arguments, complaint: str) -> None:
    for call in (ack_limit_symbols, replay_timer_symbols):
        with pytest.raises(BadInput, match=complaint):
            call(*arguments)
    if arguments[0] == 8.0:
        with pytest.raises(BadInput, match=complaint):
            ack_factor(*arguments[1:])
