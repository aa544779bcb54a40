"""What must hold of data: what was sent comes back, whatever its size, its address and its pattern, counted rightly."""

from __future__ import annotations

from laneproof.clock import Deadline
from laneproof.conformance.finding import NotApplicable, NotDemonstrated, require
from laneproof.conformance.memory import Lent, stretch_of
from laneproof.conformance.opened import Probe
from laneproof.conformance.rule import rule
from laneproof.conformance.trial import Trial
from laneproof.conformance.words import times
from laneproof.contract import Limits, QueuedPath, StreamPath

_PATTERNS = ("prbs31", "prbs7", "tagged", "counter", "walking-one", "fixed")
_BYTES = (0x00, 0xFF, 0x03, 0x04, 0x0A, 0x0D, 0x11, 0x13, 0x1A, 0x1B, 0x7E, 0x7F, 0xC0, 0xDB)
"""Which lines, terminals and framings take for something else than data, and what a bus without an answer reads as."""
_RATE_S = 10.0
_LONG_ENOUGH_S = 0.05
"""A transfer that takes as long tells the rate, in seconds."""
_TRIES = 5
_PERIODS, _FLOOD = (1 << 16, 3 << 14), 32 << 20
"""Bytes of what is sent again and again, and after which a card that takes more is not going to be full."""
_FLOOD_S = 10.0
_LARGE = 1 << 18
"""And one of so many bytes."""
_LINE = 64
"""Addresses are tried at each place in a cache line."""


def _require_echo(
    probe: Probe, nbytes: int, number: int, out_at: int = 0, into_at: int = 0, name: str = "prbs31"
) -> None:
    """Send `nbytes` from and to addresses of the given offsets, and require that they come back, and nothing else."""
    stretch = stretch_of(number, name)
    out, into = Lent(nbytes, out_at), Lent(nbytes, into_at)
    out.fill(stretch)
    into.fill_unlike(stretch)
    came = probe.echo(out.view, into.view)
    what = f"{nbytes} bytes of {name} at address offset {out_at}, received at {into_at}"
    require(came == nbytes, f"{what}: {came} came back")
    into.require(stretch, what)
    into.require_guards()


@rule(
    "card",
    "see where the first wrong byte is, and whether it was never written, late, or another byte's",
    essential=True,
)
def data_come_back_unchanged(trial: Trial) -> str:
    """What is sent comes back byte for byte, in order, once, on every channel."""
    with trial.opened() as card:
        for probe in card.probes:
            grain = probe.limits.granularity
            nbytes = max(grain, probe.largest // (4 * grain) * grain)
            for number, name in enumerate(_PATTERNS):
                _require_echo(probe, nbytes, number, name=name)
        shown = max(card.probe.limits.granularity, card.probe.largest // 4)
    return f"{times(len(_PATTERNS), 'pattern')} of about {shown} bytes on {times(len(card.probes), 'channel')}"


@rule("card", "look for bytes that mean something on the way: all ones for a loss, zeros for an end, XON, an escape")
def any_bytes_come_back(trial: Trial) -> str:
    """Data that are one byte again and again, or end in many of it, come back like any other, on every channel."""
    with trial.opened() as card:
        for probe in card.probes:
            grain = probe.limits.granularity
            nbytes = max(grain, min(64 * grain, probe.largest))
            out, into = Lent(nbytes), Lent(nbytes)
            for value in _BYTES:
                for first in (0, nbytes // 2 // grain * grain):
                    out.fill(stretch_of(value))
                    out.view[first:] = bytes([value]) * (nbytes - first)
                    into.view[:] = bytes(byte ^ 0xFF for byte in out.view)
                    came = probe.echo(out.view, into.view)
                    what = f"{nbytes} bytes, {value:#04x} from byte {first} on"
                    require(came == nbytes, f"{what}: {came} came back")
                    require(into.view == out.view, f"{what}: {bytes(into.view[-8:]).hex(' ')} came back at their end")
    return f"{len(_BYTES)} values, on {times(len(card.probes), 'channel')}"


def boundary_sizes(limits: Limits, largest: int) -> list[int]:
    """Sizes at which drivers err: one granule, and a granule to either side of each power of two, FIFO and transfer."""
    grain = limits.granularity
    marks = {grain, limits.fifo_depth or grain, largest, limits.max_transfer} | {1 << bit for bit in range(31)}
    near = {mark // grain * grain + step * grain for mark in marks for step in (-1, 0, 1)}
    return sorted(size for size in near if grain <= size <= min(largest + grain, limits.max_transfer))


@rule(
    "card",
    "look at how the last, partial piece of a transfer is cut, and at sizes just beyond a page or chunk",
    essential=True,
)
def every_size_comes_back(trial: Trial) -> str:
    """Transfers of one granule, around each power of two, around FIFO depth and largest transfer come back whole."""
    with trial.opened() as card:
        probe = card.probe
        sizes = boundary_sizes(probe.limits, probe.largest)
        for number, size in enumerate(sizes):
            _require_echo(probe, size, number)
    return f"{times(len(sizes), 'size')} from {sizes[0]} to {sizes[-1]} bytes"


@rule("card", "state the alignment that the card needs in Limits, or copy by way of memory that has it", essential=True)
def every_permitted_address_works(trial: Trial) -> str:
    """Buffers at every address that the alignment permits, and across the end of a page, are sent and filled right."""
    with trial.opened() as card:
        probe, step = card.probe, card.probe.limits.alignment
        grain, most = probe.limits.granularity, probe.largest
        offsets = list(range(0, _LINE, step)) or [0]
        offsets += [4096 - step * count for count in (1, 2) if step * count < 4096]
        sizes = sorted({min(most, size * grain) for size in (7, 72)})
        for number, offset in enumerate(offsets):
            mirrored = offsets[-1 - number]
            for size in sizes:
                _require_echo(probe, size, number, offset, mirrored)
    return f"{len(offsets)} address offsets, in transfers of {' and '.join(map(str, sizes))} bytes"


@rule("card", "return what the device says that it moved, not what was asked for", essential=True)
def counts_are_honest(trial: Trial) -> str:
    """A call that moved fewer bytes than it was asked for says so; none says more."""
    with trial.opened() as card:
        probe = card.probe
        if not probe.holds_what_is_sent:
            return _honest_window(probe)
        grain = probe.limits.granularity
        few = 3 * grain
        room = min(8 * grain, probe.limits.max_transfer)
        if room <= few:
            raise NotApplicable(f"a largest transfer of {probe.limits.max_transfer} bytes leaves no room to come short")
        stretch = stretch_of(0)
        out, into = Lent(few), Lent(room)
        out.fill(stretch)
        into.fill_unlike(stretch)
        probe.put(out.view)
        came = probe.take(into.view, trial.rig.wait_s)
        require(came == few, f"{few} bytes were sent, and a buffer of {room} bytes was given: {came} came")
        into.require(stretch, f"{few} bytes into a buffer of {room}", few)
        if isinstance(probe.channel.path, QueuedPath) and probe.limits.boundary == "message":
            came = probe.echo(out.view, into.view)
            require(came == few, f"the echo of {few} bytes into a buffer of {room} bytes is said to be {came} bytes")
    return f"{few} bytes into a buffer of {room} are {came}"


def _honest_window(probe: Probe) -> str:
    nbytes = probe.largest
    out, into = Lent(nbytes), Lent(nbytes)
    with Deadline(0, probe.opened.clock) as deadline:
        out.fill(stretch_of(0))
        wrote = probe.opened.call(probe.window.write, 0, out.view[:], deadline, deadline=deadline)
        require(0 <= wrote <= nbytes, f"write says that it wrote {wrote!r} of {nbytes} bytes")
    into.fill_unlike(stretch_of(0))
    read = probe.opened.control(probe.window.read_into, 0, into.view[:])
    require(read == nbytes, f"read_into says that it read {read!r} of {nbytes} bytes before its deadline")
    into.require(stretch_of(0), f"the {wrote} bytes that write says it wrote", wrote)
    return f"{wrote} of {nbytes} bytes written at a deadline of 0, and {read} read"


@rule("card", "give the rate that the card reaches, in bytes per second; default timeouts are ten times as long")
def nominal_rate_is_of_the_right_order(trial: Trial) -> str:
    """The nominal rate is neither ten times what the card reaches, nor less than a thousandth of it."""
    with trial.opened() as card:
        probe, grain = card.probe, card.probe.limits.granularity
        most = max(grain, min(trial.rig.largest, probe.limits.max_transfer) // grain * grain)
        nbytes, best = min(64 * grain, most), 0.0
        while True:  # small transfers are slow for reasons of their own
            took_s = _echo_time_s(probe, nbytes)
            best = max(best, nbytes / max(took_s, 1e-9))
            if took_s >= _LONG_ENOUGH_S or nbytes == most:
                break
            nbytes = min(2 * nbytes, most)
        nominal = probe.limits.nominal_bytes_per_s
        seen = f"nominal_bytes_per_s is {nominal:.3g}, and the best of transfers to {nbytes} bytes was {best:.3g}"
        if took_s >= _LONG_ENOUGH_S or nbytes >= _LARGE:
            for _ in range(_TRIES):  # a busy computer is not the card's
                if best * 10 < nominal:
                    best = max(best, nbytes / max(_echo_time_s(probe, nbytes), 1e-9))
            require(best * 10 >= nominal, seen)
        require(best <= nominal * 1000, seen)
    return f"{best:.3g} bytes per second, nominal {nominal:.3g}"


def _echo_time_s(probe: Probe, nbytes: int) -> float:
    """Seconds that so many bytes take out and back, by the card's clock."""
    out, into = Lent(nbytes), Lent(nbytes)
    out.fill(stretch_of(nbytes))
    began_s = probe.opened.clock.now_s()
    came = probe.echo(out.view, into.view, timeout_s=_RATE_S)
    if came < nbytes:
        raise NotDemonstrated(f"{came} of {nbytes} bytes came back in {_RATE_S:g} s")
    return probe.opened.clock.now_s() - began_s


@rule(
    "card", "count what went of each send, also of one that ends at its deadline; what is counted must be in the card"
)
def a_full_card_has_what_was_counted(trial: Trial) -> str:
    """Of a stream that is sent until the card takes no more, as many bytes come back as send says that went."""
    with trial.opened() as card:
        card.probe.require_path(StreamPath)
        if card.clock.virtual:
            raise NotApplicable("in virtual time nothing waits long enough")
        taken = [_fill_and_empty(card.probe, period) for period in _PERIODS]
    return f"{' and '.join(map(str, taken))} bytes went, and came back"


def _fill_and_empty(probe: Probe, period: int) -> int:
    """Send the same `period` bytes again and again, each time as many as the card takes; how many it took in all."""
    grain, clock, wait_s = probe.limits.granularity, probe.opened.clock, probe.opened.trial.rig.wait_s
    period = max(grain, min(period, probe.limits.max_transfer) // grain * grain)
    out, into, taken, came = Lent(period), Lent(period), 0, 0
    out.fill(stretch_of(period))
    until_s = clock.now_s() + _FLOOD_S
    while taken < _FLOOD and clock.now_s() < until_s:
        with Deadline(wait_s, clock) as deadline:
            sent = probe.send_some(out.view[taken % period :], deadline)
        if not sent:
            break
        taken += sent
    else:
        raise NotDemonstrated(f"the card took {taken} bytes while nobody received, and has room for more")
    while came <= taken:
        with Deadline(probe.time_for_s(period) if came < taken else wait_s, clock) as deadline:
            got = probe.receive_some(into.view[: period - came % period], deadline)
        if not got:
            break
        expected = out.view[came % period : came % period + got]
        require(into.view[:got] == expected, f"from byte {came} of {taken} on, other bytes came than were sent")
        came += got
    require(came == taken, f"send says that {taken} bytes went, and {came} came back")
    return taken


@rule("card", "let the card hold what fifo_depth says, or say None")
def the_fifo_holds_what_it_says(trial: Trial) -> str:
    """A stream takes as many bytes as its FIFO is deep while nobody receives."""
    with trial.opened() as card:
        probe = card.probe
        depth = probe.limits.fifo_depth
        probe.require_path(StreamPath)
        if not depth:
            raise NotApplicable("the limits name no fifo_depth")
        depth -= depth % probe.limits.granularity
        out = Lent(depth)
        out.fill(stretch_of(0))
        with Deadline(probe.time_for_s(depth), card.clock) as deadline:
            sent = probe.send_all(out.view, deadline)
        require(sent == depth, f"of {depth} bytes, as many as fifo_depth says, it took {sent}")
        into = Lent(depth)
        into.fill_unlike(stretch_of(0))
        came = probe.take(into.view, probe.time_for_s(depth))
        require(came == depth, f"of {depth} bytes that it took, {came} came back")
        into.require(stretch_of(0), "the FIFO's content")
    return f"{depth} bytes"
