"""What a card must hold after any sequence of calls: a model beside the card, for each kind of path.

A model takes one action at a time, on the card and on itself, and raises Broken where they differ. Which actions come
in which order is chosen elsewhere.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from contextlib import ExitStack

from laneproof.clock import Deadline
from laneproof.conformance.finding import NotApplicable, require
from laneproof.conformance.memory import Lent, stretch_of
from laneproof.conformance.opened import Probe
from laneproof.conformance.trial import Trial
from laneproof.contract import QueuedPath, ResetLevel, Resettable, StreamPath, WindowPath

_HELD = 64
"""Granules that a model leaves in a stream's card at most."""
_SHORT_S = 0.005


class Model(ABC):
    """A card that is opened and closed, and what it has to hold. `done` lists the actions so far."""

    def __init__(self, trial: Trial) -> None:
        self._trial = trial
        self._opening = ExitStack()
        self.card = self._opening.enter_context(trial.opened())
        self._number = 0
        self.done: list[str] = []
        self._actions: Mapping[str, Callable[[int], None]] = {**self._moves(), "reopen": self._reopen}
        part = self.card.card.part(Resettable)
        if part is not None and ResetLevel.DATA in part.levels and ResetLevel.DATA in trial.rig.resets:
            self._actions = {**self._actions, "reset": self._reset}

    @property
    def probe(self) -> Probe:
        return self.card.probe

    @property
    def actions(self) -> tuple[str, ...]:
        """To choose from; what moves data more often than what begins anew."""
        return (*self._actions, *self._moves(), *self._moves())

    def act(self, action: str, size: int) -> None:
        """Take one action; `size` in granules, where it has one. Raises Broken."""
        self.done.append(f"{action} {size}" if action in self._moves() else action)
        self._actions[action](size)

    def close(self) -> None:
        self._opening.close()

    @abstractmethod
    def _moves(self) -> dict[str, Callable[[int], None]]: ...

    @abstractmethod
    def _forget(self) -> None:
        """What a card that was reset or opened anew holds."""

    @abstractmethod
    def _stop(self) -> None:
        """Leave nothing under way."""

    def _reopen(self, _: int) -> None:
        self.close()
        self.card = self._opening.enter_context(self._trial.opened())
        self._forget()

    def _reset(self, _: int) -> None:
        self._stop()
        self.card.control(self.card.part(Resettable).reset, ResetLevel.DATA)
        self._forget()

    def _next(self) -> int:
        self._number += 1
        return self._number

    def _bytes(self, size: int) -> int:
        grain = self.probe.limits.granularity
        return min(size * grain, self.probe.largest)


class StreamModel(Model):
    """Bytes wait in order, and come out once."""

    def __init__(self, trial: Trial) -> None:
        self._held = bytearray()
        super().__init__(trial)

    def _moves(self) -> dict[str, Callable[[int], None]]:
        return {"send": self._send, "receive": self._receive, "receive at once": self._receive_now}

    def _stop(self) -> None:
        return  # no call leaves anything under way

    def _forget(self) -> None:
        self._held.clear()

    def _send(self, size: int) -> None:
        nbytes = self._bytes(size)
        room = min(self.probe.limits.fifo_depth or _HELD, _HELD) * self.probe.limits.granularity
        if len(self._held) + nbytes > room:
            return
        out = Lent(nbytes)
        out.fill(stretch_of(self._next()))
        with Deadline(self.probe.time_for_s(nbytes), self.card.clock) as deadline:
            sent = self.probe.send_all(out.view, deadline)
        require(sent == nbytes, f"{sent} of {nbytes} bytes went")
        self._held += out.view

    def _receive(self, size: int) -> None:
        due = len(self._held)
        self._take(size, self.probe.time_for_s(due) if due else _SHORT_S)

    def _receive_now(self, size: int) -> None:
        self._take(size, 0.0)

    def _take(self, size: int, timeout_s: float) -> None:
        into = Lent(self._bytes(size))
        with Deadline(timeout_s, self.card.clock) as deadline:
            came = self.probe.receive_some(into.view, deadline)
        require(came <= len(self._held), f"{came} bytes came, and {len(self._held)} were due")
        require(
            came or not self._held or not timeout_s, f"nothing came in {timeout_s:.3g} s; {len(self._held)} were due"
        )
        require(
            bytes(into.view[:came]) == bytes(self._held[:came]),
            f"the {came} bytes that came are not those that were due",
        )
        into.require_guards()
        del self._held[:came]


class QueueModel(Model):
    """Each transfer brings back its own bytes."""

    def __init__(self, trial: Trial) -> None:
        self._out: dict[int, tuple[Lent, Lent, int]] = {}
        self._stopped = False
        super().__init__(trial)

    def _moves(self) -> dict[str, Callable[[int], None]]:
        return {"submit": self._submit, "reap": self._reap, "quiesce": self._quiesce}

    def _forget(self) -> None:
        self._out.clear()
        self._stopped = False

    def _submit(self, size: int) -> None:
        if self._stopped or len(self._out) >= self.probe.limits.queue_depth:
            return
        number, nbytes = self._next(), self._bytes(size)
        out, into = Lent(nbytes, size * self.probe.limits.alignment), Lent(nbytes)
        out.fill(stretch_of(number))
        into.fill_unlike(stretch_of(number))
        self._out[self.probe.submit(out.view, into.view)] = out, into, number

    def _reap(self, _: int) -> None:
        nbytes = sum(len(out) for out, _, _ in self._out.values())
        timeout_s = self.probe.time_for_s(nbytes) if self._out else _SHORT_S
        with Deadline(timeout_s, self.card.clock) as deadline:
            done = self.probe.reap(deadline)
        require(done or not self._out, f"nothing completed in {timeout_s:.3g} s with {len(self._out)} tickets out")
        for one in done:
            out, into, number = self._out.pop(one.ticket)
            require(one.status == "done", f"a ticket completed as {one.status}: {one.why or 'no reason given'}")
            require(one.received == len(out), f"a ticket received {one.received} of {len(out)} bytes")
            into.require(stretch_of(number), f"a ticket of {len(out)} bytes")
            into.require_guards()

    def _quiesce(self, _: int) -> None:
        had = bool(self._out)
        self.probe.quiesce()
        left = [(into, bytes(into.view)) for _, into, _ in self._out.values()]
        self._out.clear()
        # What a stopped transfer had sent may still be in the card: only a reset or a new opening makes sure.
        self._stopped = self._stopped or had
        for into, content in left:
            require(bytes(into.view) == content, "a buffer was written after quiesce")

    def _stop(self) -> None:
        if self._out:
            self._quiesce(0)


class WindowModel(Model):
    """Bytes stay where they were written."""

    def __init__(self, trial: Trial) -> None:
        self._content = bytearray()
        super().__init__(trial)
        self._forget()

    def _moves(self) -> dict[str, Callable[[int], None]]:
        moves = {"write": self._write, "read": self._read}
        return moves | ({"copy": self._copy} if self.probe.window.engine is not None else {})

    def _stop(self) -> None:
        return  # no call leaves anything under way

    def _forget(self) -> None:
        content = Lent(self._bytes(_HELD))
        content.fill(stretch_of(0))
        self._put(0, content)
        self._content = bytearray(content.view)

    def _put(self, offset: int, data: Lent) -> None:
        wrote = self.card.control(self.probe.window.write, offset, data.view[:])
        require(wrote == len(data), f"write says that it wrote {wrote!r} of {len(data)} bytes")

    def _place(self, size: int) -> tuple[int, int]:
        """An offset and a length within the model that follow from one number."""
        grain = self.probe.limits.granularity
        nbytes = min(self._bytes(1 + size % 17), len(self._content))
        return min(size * 7 * grain % len(self._content), len(self._content) - nbytes), nbytes

    def _write(self, size: int) -> None:
        offset, nbytes = self._place(size)
        data = Lent(nbytes)
        data.fill(stretch_of(self._next()))
        self._put(offset, data)
        self._content[offset : offset + nbytes] = data.view

    def _read(self, size: int) -> None:
        offset, nbytes = self._place(size)
        into = Lent(nbytes, size * self.probe.limits.alignment)
        read = self.card.control(self.probe.window.read_into, offset, into.view[:])
        require(read == nbytes, f"read_into says that it read {read!r} of {nbytes} bytes")
        require(
            bytes(into.view) == bytes(self._content[offset : offset + nbytes]),
            f"{nbytes} bytes at offset {offset} are wrong",
        )
        into.require_guards()

    def _copy(self, size: int) -> None:
        source, nbytes = self._place(size)
        destination = min(len(self._content) - nbytes, source + nbytes)
        engine = self.probe.window.engine
        if engine is None or destination < source + nbytes:
            return
        copied = self.card.control(engine.copy, source, destination, nbytes)
        require(copied == nbytes, f"a copy of {nbytes} bytes says that it copied {copied!r}")
        self._content[destination : destination + nbytes] = self._content[source : source + nbytes]


def model_for(trial: Trial) -> type[Model]:
    """The model of the card's first channel."""
    kinds: dict[type, type[Model]] = {StreamPath: StreamModel, QueuedPath: QueueModel, WindowPath: WindowModel}
    with trial.opened() as card:
        for kind, model in kinds.items():
            if isinstance(card.probe.channel.path, kind):
                return model
    raise NotApplicable("the channel has no path of the contract")
