"""Deadlines: time and cancellation in one, finite, never restarted, and with no descriptor left over."""

from __future__ import annotations

import os
import select
import threading
import time
from collections.abc import Iterator

import pytest

from laneproof.clock import SLICE_S, Clock, Deadline
from laneproof.errors import BadInput, Interrupted

AT_ONCE_S = 1.0
"""Far from the 30 s that the call would take otherwise, with room for a busy computer."""


class HandClock(Clock):
    """Moves when told."""

    virtual = True

    def __init__(self, now_s: float = 0.0) -> None:
        self.at_s = now_s

    def now_s(self) -> float:
        return self.at_s

    def sleep(self, seconds: float) -> None:
        self.at_s += seconds


@pytest.fixture
def pipe() -> Iterator[tuple[int, int]]:
    ends = os.pipe()
    yield ends
    for end in ends:
        os.close(end)


def descriptors() -> int:
    return len(os.listdir("/proc/self/fd"))


@pytest.mark.parametrize("timeout_s", [float("inf"), float("nan"), float("-inf"), -1, -1e-9, "5", None])
def test_a_timeout_is_finite_and_not_negative(timeout_s: float) -> None:
    with pytest.raises(BadInput, match="finite number of seconds"):
        Deadline(timeout_s)


def test_time_left_falls_to_zero_and_no_further() -> None:
    clock = HandClock()
    deadline = Deadline(2.0, clock)
    clock.at_s = 1.5
    assert (deadline.left_s(), deadline.expired) == (0.5, False)
    clock.at_s = 3.0
    assert (deadline.left_s(), deadline.expired) == (0.0, True)


def test_a_clock_that_has_come_to_the_deadline_by_sums_is_there() -> None:
    clock = HandClock()
    deadline = Deadline(0.8, clock)
    for _ in range(8):
        clock.at_s += 0.1
    assert clock.at_s < 0.8, "this sum ends a rounding short, or the test tests nothing"
    assert deadline.expired


def test_wait_returns_the_event_that_came(pipe: tuple[int, int]) -> None:
    os.write(pipe[1], b"x")
    with Deadline(30.0) as deadline:
        assert deadline.wait(pipe[0], select.POLLIN) == select.POLLIN


def test_wait_returns_hang_up_unasked() -> None:
    read, write = os.pipe()
    os.close(write)
    with Deadline(30.0) as deadline:
        assert deadline.wait(read, select.POLLIN) & select.POLLHUP
    os.close(read)


def test_wait_returns_nothing_at_the_deadline(pipe: tuple[int, int]) -> None:
    started_s = time.monotonic()
    with Deadline(0.1) as deadline:
        assert deadline.wait(pipe[0], select.POLLIN) == 0
        assert deadline.expired
    assert time.monotonic() - started_s >= 0.1


def test_wait_sees_what_is_ready_even_when_the_deadline_has_passed(pipe: tuple[int, int]) -> None:
    os.write(pipe[1], b"x")
    with Deadline(0.0) as deadline:
        assert deadline.wait(pipe[0], select.POLLIN) == select.POLLIN


@pytest.mark.parametrize("timeout_s", [30.0, 1e15])
def test_cancelling_ends_a_wait_at_once(pipe: tuple[int, int], timeout_s: float) -> None:
    with Deadline(timeout_s) as deadline:
        timer = threading.Timer(0.05, deadline.cancel)
        timer.start()
        started_s = time.monotonic()
        with pytest.raises(Interrupted):
            deadline.wait(pipe[0], select.POLLIN)
        assert time.monotonic() - started_s < AT_ONCE_S
        timer.join()


def test_cancelling_ends_a_pause_within_a_slice() -> None:
    with Deadline(30.0) as deadline:
        timer = threading.Timer(0.01, deadline.cancel)
        timer.start()
        started_s = time.monotonic()
        with pytest.raises(Interrupted):
            pause_for_ever(deadline)
        assert time.monotonic() - started_s < AT_ONCE_S
        timer.join()


def pause_for_ever(deadline: Deadline) -> None:
    while True:
        deadline.pause(30.0)


def test_a_pause_is_no_longer_than_a_slice_or_the_time_left() -> None:
    clock = HandClock()
    deadline = Deadline(1.5 * SLICE_S, clock)
    deadline.pause(30.0)
    assert clock.at_s == SLICE_S
    deadline.pause(30.0)
    assert clock.at_s == pytest.approx(1.5 * SLICE_S)


def test_a_cancelled_deadline_lets_nobody_wait(pipe: tuple[int, int]) -> None:
    os.write(pipe[1], b"x")
    with Deadline(30.0) as deadline:
        deadline.cancel()
        with pytest.raises(Interrupted):
            deadline.wait(pipe[0], select.POLLIN)
        with pytest.raises(Interrupted):
            deadline.pause()
        with pytest.raises(Interrupted):
            deadline.check()


def test_a_split_deadline_is_no_later_than_the_whole() -> None:
    clock = HandClock()
    whole = Deadline(2.0, clock)
    clock.at_s = 0.5
    assert whole.split().left_s() == 1.5
    assert whole.split(at_most_s=0.25).left_s() == 0.25
    assert whole.split(at_most_s=9.0).left_s() == 1.5


def test_cancelling_the_whole_cancels_its_parts_and_not_the_other_way(pipe: tuple[int, int]) -> None:
    with Deadline(30.0) as whole:
        part, other = whole.split(), whole.split()
        part.cancel()
        whole.check()
        other.check()
        threading.Timer(0.02, whole.cancel).start()
        with pytest.raises(Interrupted):
            other.wait(pipe[0], select.POLLIN)
        assert whole.split().cancelled, "a part split off after cancellation is cancelled"


def test_release_gives_back_every_descriptor(pipe: tuple[int, int]) -> None:
    before = descriptors()
    with Deadline(0.0) as whole:
        whole.wait(pipe[0], select.POLLIN)
        part = whole.split()
        part.wait(pipe[0], select.POLLIN)
        part.split().wait(pipe[0], select.POLLIN)
        assert descriptors() == before + 3
    assert descriptors() == before
    part.release()
    whole.release()


def test_a_deadline_released_while_waited_on_interrupts_the_wait(pipe: tuple[int, int]) -> None:
    deadline = Deadline(30.0)
    outcome: list[BaseException] = []

    def wait() -> None:
        try:
            deadline.wait(pipe[0], select.POLLIN)
        except Interrupted as error:
            outcome.append(error)

    waiting = threading.Thread(target=wait)
    waiting.start()
    time.sleep(0.05)
    deadline.release()
    waiting.join(AT_ONCE_S)
    assert not waiting.is_alive()
    assert outcome


def test_a_released_deadline_opens_no_descriptor_again(pipe: tuple[int, int]) -> None:
    deadline = Deadline(30.0)
    deadline.release()
    before = descriptors()
    with pytest.raises(Interrupted):
        deadline.wait(pipe[0], select.POLLIN)
    assert descriptors() == before
