"""What must hold of a window and the copy engine in it: every offset, its ends, and the bytes to either side."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from contextlib import suppress
from functools import partial

from laneproof.clock import Deadline
from laneproof.conformance.finding import Broken, NotApplicable, NotDemonstrated, require
from laneproof.conformance.memory import Lent, stretch_of
from laneproof.conformance.opened import CONTROL_S, Probe
from laneproof.conformance.rule import rule
from laneproof.conformance.trial import Trial, refused
from laneproof.contract import CopyEngine, WindowPath
from laneproof.errors import Interrupted, LaneproofError

_LONG = 1 << 26
"""Bytes of the longest write or read that is made to see whether it ends."""
_LONG_TURN = 16
"""Of so many writes one is nearly as long as may be."""
_OFFSETS = 64
"""Offsets are tried at each place in a cache line, in steps of the granularity."""


def _write(probe: Probe, offset: int, view: memoryview) -> None:
    wrote = probe.opened.control(probe.window.write, offset, view[:])
    require(wrote == len(view), f"write at offset {offset} says that it wrote {wrote!r} of {len(view)} bytes")


def _read(probe: Probe, offset: int, nbytes: int) -> memoryview:
    into = Lent(nbytes)
    into.fill_unlike(stretch_of(0))
    read = probe.opened.control(probe.window.read_into, offset, into.view[:])
    require(read == nbytes, f"read_into at offset {offset} says that it read {read!r} of {nbytes} bytes")
    into.require_guards()
    return into.view


def _filled(probe: Probe) -> bytearray:
    """Fill the front of the window with a pattern; what stands there."""
    content = bytearray()
    for number in range(2):
        half = Lent(probe.largest)
        half.fill(stretch_of(number))
        _write(probe, len(content), half.view)
        content += half.view
    return content


def _require_content(probe: Probe, content: bytearray, what: str) -> None:
    half = probe.largest
    for at in range(0, len(content), half):
        read = _read(probe, at, min(half, len(content) - at))
        expected = memoryview(content)[at : at + len(read)]
        if read != expected:
            first = next(place for place, (one, two) in enumerate(zip(read, expected, strict=True)) if one != two)
            raise Broken(f"{what}: byte {at + first} of the window is {read[first]:#04x}, not {expected[first]:#04x}")


@rule("card", "add the offset once, in bytes, on both ways; see whether it counts in words somewhere")
def a_window_holds_what_was_written_where(trial: Trial) -> str:
    """A byte that was written at an offset is read there and nowhere else, at every offset and size."""
    with trial.opened() as card:
        probe = card.probe
        probe.require_path(WindowPath)
        grain = probe.limits.granularity
        content = _filled(probe)
        _require_content(probe, content, "as it was filled")
        generator = random.Random(len(content))  # noqa: S311 - which sizes are tried is no secret
        for number in range(_OFFSETS):
            nbytes = min(len(content), generator.choice((1, 3, 8, 65)) * grain)
            if number % _LONG_TURN == _LONG_TURN - 1:
                nbytes = probe.largest - number * grain % probe.largest
            offset = min(number * grain, len(content) - nbytes)
            patch = Lent(nbytes, offset=number * probe.limits.alignment % 64)
            patch.fill(stretch_of(100 + number))
            _write(probe, offset, patch.view)
            content[offset : offset + nbytes] = patch.view
            around = max(0, offset - 8 * grain), min(len(content), offset + nbytes + 8 * grain)
            read = _read(probe, around[0], around[1] - around[0])
            require(
                bytes(read) == bytes(content[slice(*around)]),
                f"around {nbytes} bytes written at {offset} the window is wrong",
            )
        _require_content(probe, content, f"after {_OFFSETS} writes")
    return f"{len(content)} bytes, {_OFFSETS} writes at as many offsets"


@rule("card", "check offset and length against the window's size before anything is written")
def a_window_ends_where_it_says(trial: Trial) -> str:
    """The last granule of a window can be used; beyond either end nothing is written, and the call is refused."""
    with trial.opened() as card:
        probe = card.probe
        size, grain = probe.window.size, probe.limits.granularity
        last = Lent(grain)
        last.fill(stretch_of(1))
        front = Lent(grain)
        front.view[:] = bytes([0x5A]) * grain
        _write(probe, 0, front.view)
        kept = bytes(_read(probe, 0, grain))
        at_end = size // grain * grain - grain
        _write(probe, at_end, last.view)
        require(
            _read(probe, at_end, grain) == last.view, f"the last {grain} bytes hold something else than was written"
        )
        for offset in (at_end + grain, size + 4096 * grain, -grain):
            for what, call in (("write", probe.window.write), ("read_into", probe.window.read_into)):
                refused(
                    partial(card.control, call, offset, Lent(grain).view[:]),
                    f"{what} of {grain} bytes at offset {offset} of a window of {size}",
                )
        require(
            bytes(_read(probe, 0, grain)) == kept, "the front of the window has changed: an offset beyond the end wraps"
        )
        require(_read(probe, at_end, grain) == last.view, "the end of the window has changed")
    return f"{size} bytes, and not one more"


@rule("card", "look at the deadline after each piece, on the fast path too: of at most some milliseconds' bytes")
def a_window_keeps_its_deadline(trial: Trial) -> str:
    """A long write or read ends soon after its deadline, or after it was cancelled, wherever it begins and ends."""
    with trial.opened() as card:
        probe, rig = card.probe, trial.rig
        if card.clock.virtual or not probe.limits.granularity < probe.window.size:
            raise NotApplicable("in virtual time, or in one granule, nothing takes long")
        grain, long_s = probe.limits.granularity, rig.slack_s + rig.wait_s
        most = min(
            probe.window.size, probe.limits.max_transfer, _LONG, int(3 * long_s * probe.limits.nominal_bytes_per_s)
        )
        whole, odd = most // grain * grain, (most // grain - 1) * grain
        buffer, longest_s = Lent(whole), 0.0
        for offset, nbytes in ((0, whole), (grain, odd)):
            for call in (probe.window.write, probe.window.read_into):
                began_s = time.monotonic()
                moved = card.within(probe.time_for_s(nbytes), call, offset, buffer.view[:nbytes])
                took_s = time.monotonic() - began_s
                longest_s = max(longest_s, took_s)
                if moved == nbytes and took_s <= long_s:
                    continue
                for cancelled in (False, True):
                    late_s = _ended_s(probe, call, offset, buffer.view[:nbytes], cancelled=cancelled)
                    when = "was cancelled" if cancelled else "was to end"
                    seen = f"{call.__name__} of {nbytes} bytes at {offset} came back {late_s:.2g} s after it {when}"
                    require(late_s <= rig.slack_s, seen)
    if longest_s <= long_s:
        raise NotDemonstrated(f"{whole} bytes take {longest_s:.2g} s, so that a deadline that is ignored costs nothing")
    return f"{whole} bytes, which take {longest_s:.2g} s, ended at the deadline and when they were cancelled"


def _ended_s(probe: Probe, call: Callable[..., int], offset: int, view: memoryview, *, cancelled: bool) -> float:
    """How many seconds a call came back after its deadline, or after it was cancelled."""
    wait_s = probe.opened.trial.rig.wait_s
    with Deadline(CONTROL_S if cancelled else wait_s, probe.opened.clock) as deadline:
        began_s = time.monotonic()
        moving = probe.opened.trial.beside(lambda: probe.opened.call(call, offset, view, deadline, deadline=deadline))
        moving.join(wait_s)
        if cancelled:
            deadline.cancel()
        with suppress(Interrupted):
            moved = moving.result()
            require(0 <= moved <= len(view), f"{call.__name__} says that it moved {moved!r} of {len(view)} bytes")
    return moving.ended_s - began_s - wait_s


def _engine(probe: Probe) -> CopyEngine:
    engine = probe.window.engine
    if engine is None:
        raise NotApplicable("the window has no CopyEngine")
    return engine


@rule("card", "give the engine offsets and a count in bytes; split a copy where the engine cannot cross a boundary")
def a_copy_engine_copies(trial: Trial) -> str:
    """The engine copies every byte from where it is told to where it is told, and no other."""
    with trial.opened() as card:
        probe = card.probe
        engine, grain = _engine(probe), probe.limits.granularity
        content = _filled(probe)
        half = len(content) // 2
        sizes = sorted({min(half, size * grain) for size in (1, 3, 64, 65, 4096, 4097)})
        for number, nbytes in enumerate(sizes):
            source = min(number * grain, half - nbytes)
            destination = half + min(3 * number * grain, half - nbytes)
            copied = card.control(engine.copy, source, destination, nbytes)
            require(copied == nbytes, f"a copy of {nbytes} bytes says that it copied {copied!r}")
            content[destination : destination + nbytes] = content[source : source + nbytes]
            _require_content(probe, content, f"after a copy of {nbytes} bytes from {source} to {destination}")
    return f"copies of {sizes[0]} to {sizes[-1]} bytes"


@rule("card", "copy from the end backwards, or refuse, where source and destination overlap; check both ends before")
def a_copy_engine_knows_its_bounds(trial: Trial) -> str:
    """A copy beyond the window is refused; one onto itself is right as if by way of other memory, or refused."""
    with trial.opened() as card:
        probe = card.probe
        engine, grain, size = _engine(probe), probe.limits.granularity, probe.window.size
        content = _filled(probe)
        nbytes = min(64 * grain, len(content) // 2)
        for source, destination in ((size - size % grain, 0), (0, size - size % grain), (-grain, 0), (0, -grain)):
            refused(
                partial(card.control, engine.copy, source, destination, nbytes),
                f"a copy of {nbytes} bytes from {source} to {destination} in a window of {size}",
            )
        _require_content(probe, content, "after copies that were refused")
        for source, destination in ((0, grain), (grain, 0)):
            with suppress(LaneproofError):
                copied = card.control(engine.copy, source, destination, nbytes)
                require(copied == nbytes, f"an overlapping copy of {nbytes} bytes says that it copied {copied!r}")
                content[destination : destination + nbytes] = content[source : source + nbytes]
            _require_content(probe, content, f"after an overlapping copy of {nbytes} bytes")
    return f"refused beyond {size} bytes; overlapping copies leave the window right"
