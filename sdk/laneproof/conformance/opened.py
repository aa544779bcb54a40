"""`Opened`: a card that a rule has open, and `Probe`: one of its channels, driven directly, each answer examined.

A probe calls the driver's path with deadlines and slices of its own; whatever a call claims that no call may claim is
a broken rule at once. What a rule wants to know beyond that, it asks itself.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, TypeVar, cast

from laneproof.clock import SLICE_S, Clock, Deadline
from laneproof.conformance.finding import Broken, NotApplicable, NotDemonstrated, require
from laneproof.conformance.memory import GUARD
from laneproof.contract import Card, Channel, Completion, Path, QueuedPath, StreamPath, WindowPath

if TYPE_CHECKING:
    from laneproof.conformance.trial import Trial

CONTROL_S = 10.0
"""As an endpoint gives it to a part, in seconds."""
_STATUSES = ("done", "stopped", "failed", "held")
_T = TypeVar("_T")
_PartT = TypeVar("_PartT")


class Opened:
    """An open card: its parts, and a probe for each channel."""

    def __init__(self, card: Card, trial: Trial) -> None:
        self.card = card
        self.trial = trial
        self.probes = tuple(Probe(channel, self) for channel in card.channels)

    @property
    def clock(self) -> Clock:
        return self.card.clock

    @property
    def probe(self) -> Probe:
        """The first channel."""
        return self.probes[0]

    def part(self, kind: type[_PartT]) -> _PartT:
        """The part of that kind. Raises NotApplicable where the card has none."""
        part = self.card.part(kind)
        if part is None:
            raise NotApplicable(f"the card has no {kind.__name__}")
        return part

    def control(self, function: Callable[..., _T], *arguments: object, what: str = "") -> _T:
        """Call a method of a part, which takes a deadline last."""
        return self.within(CONTROL_S, function, *arguments, what=what)

    def within(self, timeout_s: float, function: Callable[..., _T], *arguments: object, what: str = "") -> _T:
        """Call a driver's method with a deadline of `timeout_s` by the card's clock, as its last argument."""
        with Deadline(timeout_s, self.clock) as deadline:
            return self.call(function, *arguments, deadline, deadline=deadline, what=what)

    def call(self, function: Callable[..., _T], *arguments: object, deadline: Deadline, what: str = "") -> _T:
        """Call a driver's method under a deadline that there is already."""
        given_s = 0.0 if self.clock.virtual else deadline.left_s()
        return self.trial.call(what or function.__name__, function, *arguments, given_s=given_s, deadline=deadline)


class Probe:
    """One channel. Times are seconds by the card's clock; sizes are bytes."""

    def __init__(self, channel: Channel, opened: Opened) -> None:
        self.channel = channel
        self.limits = channel.limits
        self.opened = opened
        self._tickets = itertools.count(1)
        self.out: dict[int, tuple[int, int]] = {}
        """Tickets that are out, with the bytes that each has to send, and room to receive."""

    # --- what it is

    def require_path(self, kind: type[Path]) -> None:
        """Raise NotApplicable where the channel has a path of another kind."""
        if not isinstance(self.channel.path, kind):
            raise NotApplicable(f"channel {self.channel.name} has no {kind.__name__}")

    @property
    def stream(self) -> StreamPath:
        self.require_path(StreamPath)
        return cast("StreamPath", self.channel.path)

    @property
    def queue(self) -> QueuedPath:
        self.require_path(QueuedPath)
        return cast("QueuedPath", self.channel.path)

    @property
    def window(self) -> WindowPath:
        self.require_path(WindowPath)
        return cast("WindowPath", self.channel.path)

    @property
    def holds_what_is_sent(self) -> bool:
        """Whether bytes wait in the card until they are taken, as in a window they do not."""
        return not isinstance(self.channel.path, WindowPath)

    def require_a_flow(self) -> None:
        """Raise NotApplicable for a window, through which nothing flows."""
        if not self.holds_what_is_sent:
            raise NotApplicable("through a WindowPath nothing flows: there is no waiting for bytes to come")

    @property
    def largest(self) -> int:
        """The largest transfer to try: in a quarter of a second, at the rate that the card is said to have."""
        grain, rig = self.limits.granularity, self.opened.trial.rig
        most = min(rig.largest, self.limits.max_transfer, int(self.limits.nominal_bytes_per_s / 4))
        if isinstance(self.channel.path, WindowPath):
            most = min(most, self.window.size // 2)
        return max(grain, most - most % grain)

    @property
    def few(self) -> int:
        """Bytes of a small transfer, which the card holds while nobody receives, as far as it says what it holds."""
        grain = self.limits.granularity
        return max(grain, min(64 * grain, self.largest, self.limits.fifo_depth or self.largest) // grain * grain)

    def time_for_s(self, nbytes: int) -> float:
        """Seconds after which a card owes nothing more: ten times nominal, and the rig's `quiet_s`."""
        return self.opened.trial.rig.quiet_s + 10 * nbytes / self.limits.nominal_bytes_per_s

    def _require_lendable(self) -> None:
        if self.limits.alignment > GUARD:
            raise NotDemonstrated(f"the kit lends memory that is aligned to {GUARD} bytes at most")

    # --- a stream's calls, examined

    def send_some(self, view: memoryview, deadline: Deadline) -> int:
        self._require_lendable()
        moved = self.opened.call(self.stream.send, view[:], deadline, deadline=deadline)
        return _examined("send", moved, len(view), deadline)

    def receive_some(self, view: memoryview, deadline: Deadline) -> int:
        self._require_lendable()
        moved = self.opened.call(self.stream.receive_into, view[:], deadline, deadline=deadline)
        return _examined("receive_into", moved, len(view), deadline)

    # --- a queue's calls, examined

    def submit(self, out: memoryview | None, into: memoryview | None, ticket: int = 0) -> int:
        """Queue one transfer; its ticket, of which the number may be chosen."""
        self._require_lendable()
        ticket = ticket or next(self._tickets)
        self.out[ticket] = (len(out or b""), len(into or b""))
        lent = (None if out is None else out[:], None if into is None else into[:])
        self.opened.trial.call("submit", self.queue.submit, ticket, *lent)
        return ticket

    def reap(self, deadline: Deadline) -> list[Completion]:
        done = self._settled("reap", self.opened.call(self.queue.reap, deadline, deadline=deadline))
        if not done and deadline.left_s() > SLICE_S and not deadline.cancelled:
            raise Broken(f"reap came back with nothing {deadline.left_s():.3g} s before its deadline")
        return done

    def quiesce(self) -> list[Completion]:
        with Deadline(CONTROL_S, self.opened.clock) as deadline:
            done = self._settled("quiesce", self.opened.call(self.queue.quiesce, deadline, deadline=deadline))
        if self.out:
            raise Broken(f"quiesce returned and tickets {sorted(self.out)} have not completed")
        return done

    def _settled(self, what: str, given: Sequence[Completion]) -> list[Completion]:
        done: list[Completion] = []
        claimed = cast("object", given)  # as given by a driver, whatever its types say
        if not isinstance(claimed, Iterable):
            raise Broken(f"{what} returned {type(claimed).__name__}, not completions")
        for one in cast("Iterable[object]", claimed):
            if not isinstance(one, Completion):
                raise Broken(f"{what} returned {type(one).__name__} among its completions")
            lengths = self.out.pop(one.ticket, None)
            if lengths is None:
                raise Broken(f"{what} completed ticket {one.ticket}, which is not out; each completes exactly once")
            for side, moved, length in (("sent", one.sent, lengths[0]), ("received", one.received, lengths[1])):
                if not _is_count(moved) or not 0 <= moved <= length:
                    raise Broken(f"{what} says that a ticket {side} {moved!r} of {length} bytes")
            if one.status not in _STATUSES:
                raise Broken(f"{what} gives a ticket the status {one.status!r}; there are {', '.join(_STATUSES)}")
            if one.status in ("failed", "held") and not one.why.strip():
                raise Broken(f"{what} says that a ticket {one.status} and not why")
            done.append(one)
        return done

    # --- whole transfers, whatever the path

    def send_all(self, view: memoryview, deadline: Deadline) -> int:
        """Send until all has gone, or the deadline; bytes sent. Streams only."""
        return self._all(self.send_some, view, deadline)

    def receive_all(self, view: memoryview, deadline: Deadline) -> int:
        """Receive until full, or the deadline; bytes received. Streams only."""
        return self._all(self.receive_some, view, deadline)

    def _all(self, some: Callable[[memoryview, Deadline], int], view: memoryview, deadline: Deadline) -> int:
        done, piece = 0, self.limits.max_transfer
        while done < len(view):
            moved = some(view[done : done + piece], deadline)
            if not moved:
                break
            done += moved
        return done

    def echo(self, out: memoryview, into: memoryview, timeout_s: float | None = None) -> int:
        """Send all of `out` and bring as many bytes into `into`, at most a largest transfer; bytes that came back."""
        path = self.channel.path
        with Deadline(self.time_for_s(len(out)) if timeout_s is None else timeout_s, self.opened.clock) as deadline:
            if isinstance(path, QueuedPath):
                return self._echo_ticket(out, into, deadline)
            if isinstance(path, WindowPath):
                written = self.opened.call(path.write, 0, out[:], deadline, deadline=deadline)
                require(written == len(out), f"write says that it wrote {written!r} of {len(out)} bytes")
                read = self.opened.call(path.read_into, 0, into[:], deadline, deadline=deadline)
                return _examined("read_into", read, len(into), deadline)
            if self.limits.full_duplex:
                sender = self.opened.trial.beside(lambda: self.send_all(out, deadline))
                try:
                    received = self.receive_all(into, deadline)
                except BaseException:
                    deadline.cancel()
                    sender.join()
                    raise
                sent = sender.result()
                require(sent == len(out) or received < len(into), f"{received} bytes came of {sent} that were sent")
                return received
            return self._echo_by_turns(out, into, deadline)

    def _echo_by_turns(self, out: memoryview, into: memoryview, deadline: Deadline) -> int:
        grain = self.limits.granularity
        turn = max(grain, (self.limits.fifo_depth or grain) // grain * grain)
        done = 0
        while done < len(out):
            sent = self.send_all(out[done : done + turn], deadline)
            got = self.receive_all(into[done : done + sent], deadline)
            done += got
            if got < sent or not sent:
                break
        return done

    def _echo_ticket(self, out: memoryview, into: memoryview, deadline: Deadline) -> int:
        ticket = self.submit(out, into)
        done = self.reap(deadline) or self.quiesce()
        (one,) = (completion for completion in done if completion.ticket == ticket)
        require(one.status in ("done", "stopped"), f"a transfer {one.status}: {one.why}")
        return one.received

    def put(self, view: memoryview) -> None:
        """Leave bytes in the card, for a later `take`. Raises NotDemonstrated where the card does not take them."""
        self.require_a_flow()
        if self.limits.fifo_depth is not None and self.limits.fifo_depth < len(view):
            raise NotApplicable(f"the card holds {self.limits.fifo_depth} bytes, so that nothing waits in it")
        with Deadline(self.time_for_s(len(view)), self.opened.clock) as deadline:
            if isinstance(self.channel.path, StreamPath):
                sent = self.send_all(view, deadline)
            else:
                self.submit(view, None)
                sent = sum(one.sent for one in self.reap(deadline) or self.quiesce())
        if sent < len(view):
            raise NotDemonstrated(f"the card took {sent} of {len(view)} bytes while nobody received")

    def take(self, view: memoryview, timeout_s: float) -> int:
        """Receive until `view` is full or the time is over; the bytes that came."""
        self.require_a_flow()
        with Deadline(timeout_s, self.opened.clock) as deadline:
            if isinstance(self.channel.path, StreamPath):
                return self.receive_all(view, deadline)
            self.submit(None, view)
            return sum(one.received for one in self.reap(deadline) or self.quiesce())


def _is_count(moved: object) -> bool:
    return isinstance(moved, int) and not isinstance(moved, bool)


def _examined(what: str, moved: int, asked: int, deadline: Deadline) -> int:
    if not _is_count(moved) or not 0 <= moved <= asked:
        raise Broken(f"{what} says that it moved {moved!r} of {asked} bytes")
    if not moved and deadline.left_s() > SLICE_S and not deadline.cancelled:
        raise Broken(f"{what} came back with nothing {deadline.left_s():.3g} s before its deadline")
    return moved
