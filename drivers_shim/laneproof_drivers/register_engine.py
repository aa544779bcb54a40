"""A DMA engine that five registers drive: where from, where to, how much, go, and how it stands.

How the registers are reached, and what the addresses mean, is said by those who use it: addresses in a card's own
memory (`window`), or DMA addresses of the computer (`vfio`).
"""

from __future__ import annotations

from abc import ABC, abstractmethod

from attrs import field, fields, frozen, validators

from laneproof.clock import Deadline
from laneproof.errors import BadInput, DriverFault

_EAGER_LOOKS = 20
"""Looks at the status without a pause: an engine may be done within microseconds."""
_FIRST_PAUSE_S, _LONGEST_PAUSE_S = 20e-6, 0.005
_REGISTERS = ("source_register", "destination_register", "length_register", "control_register", "status_register")


class Registers(ABC):
    """Registers of a card, by offset, each accessed in one go."""

    @abstractmethod
    def get(self, offset: int) -> int: ...

    @abstractmethod
    def put(self, offset: int, value: int) -> None: ...


_PLACE = validators.optional(validators.ge(0))


@frozen(kw_only=True)
class EngineOptions:
    """The map of an engine's registers: offsets in bytes; all five, or none where the card has no engine.

    It is done once `status` & `done_mask` is `done`, and has failed where `status` & `error_mask` is not 0.
    `clear_status` is written to the status register before each start, where it is not 0. `register_word` is the width
    of every access, in bytes.
    """

    source_register: int | None = field(default=None, validator=_PLACE)
    destination_register: int | None = field(default=None, validator=_PLACE)
    length_register: int | None = field(default=None, validator=_PLACE)
    control_register: int | None = field(default=None, validator=_PLACE)
    status_register: int | None = field(default=None, validator=_PLACE)
    register_word: int = field(default=4, validator=validators.in_((4, 8)))
    done_mask: int = field(default=1, validator=validators.ge(1))
    done: int = field(default=0, validator=validators.ge(0))
    error_mask: int = field(default=0, validator=validators.ge(0))
    clear_status: int = field(default=0, validator=validators.ge(0))

    def registers(self) -> tuple[int, int, int, int, int] | None:
        """The five offsets, or None where there are none. Raises BadInput for some of them, or one that is odd."""
        given = {name: getattr(self, name) for name in _REGISTERS}
        missing = [name for name, value in given.items() if value is None]
        if len(missing) == len(given):
            return None
        if missing:
            raise BadInput(f"options: the engine lacks {', '.join(missing)}; give all five registers, or none")
        for name, value in given.items():
            if value % self.register_word:
                raise BadInput(
                    f"options: {name} {value:#x} is not aligned to register_word, {self.register_word} bytes"
                )
        for name in ("done_mask", "done", "error_mask", "clear_status"):
            if getattr(self, name) >> 8 * self.register_word:
                raise BadInput(f"options: {name} does not fit a register of {self.register_word} bytes")
        if self.done & ~self.done_mask:
            raise BadInput(f"options: done {self.done:#x} has bits that done_mask {self.done_mask:#x} lacks")
        source, destination, length, control, status = given.values()
        return source, destination, length, control, status


ENGINE_KEYS = tuple(one.name for one in fields(EngineOptions))


class RegisterEngine:
    """One engine, one transfer at a time. Not safe for two threads."""

    def __init__(self, registers: Registers, options: EngineOptions, places: tuple[int, int, int, int, int]) -> None:
        self._registers = registers
        self._options = options
        self._source, self._destination, self._length, self._control, self._status = places
        self.busy = False
        """It was started, and has not been seen to be done."""

    def start(self, source: int, destination: int, nbytes: int, go: int) -> None:
        """Hand it a transfer; the last write sets it going."""
        put = self._registers.put
        self.busy = True  # from here on, whatever goes wrong
        if self._options.clear_status:
            put(self._status, self._options.clear_status)
        put(self._source, source)
        put(self._destination, destination)
        put(self._length, nbytes)
        put(self._control, go)

    def finished(self) -> bool:
        """Whether it is at rest. Raises DriverFault where it says that it failed."""
        if not self.busy:
            return True
        options, status = self._options, self._registers.get(self._status)
        if status & options.error_mask:
            self.busy = False
            raise DriverFault(f"the card's engine says that it failed: its status is {status:#x}")
        if status & options.done_mask == options.done:
            self.busy = False
        return not self.busy

    def wait(self, deadline: Deadline) -> bool:
        """Look until it is at rest; False at the deadline."""
        pause_s, looks = _FIRST_PAUSE_S, 0
        while not self.finished():
            deadline.check()
            if deadline.expired:
                return False
            looks += 1
            if looks > _EAGER_LOOKS:
                deadline.pause(pause_s)
                pause_s = min(_LONGEST_PAUSE_S, 2 * pause_s)
        return True

    def forget(self) -> None:
        """It was reset: nothing is under way."""
        self.busy = False
