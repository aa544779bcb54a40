"""The scheme `window`: a card's memory, mapped into this process, where what is written can be read back.

    window:/sys/bus/pci/devices/0000:65:00.0/resource2?size=1MiB&word=8
    window:/dev/uio0?size=64KiB            any device or file that can be mapped

With a copy engine on the card, whose registers the options name, the engine copies from one half to the other. Nothing
is written before an address was given, and only between `offset` and `offset` + `size`; nor is a device taken from a
driver. How words are moved is in `mapped_words`, what the engine's registers do in `register_engine`.
"""

from __future__ import annotations

import fcntl
import os
import stat
from collections.abc import Iterable
from contextlib import ExitStack, closing, suppress
from pathlib import Path

from attrs import field, frozen, validators

from laneproof.clock import Deadline
from laneproof.contract import (
    Address,
    Card,
    Channel,
    CopyEngine,
    Driver,
    Found,
    Limits,
    ObserverSource,
    WindowPath,
)
from laneproof.documents import Rate, Size
from laneproof.errors import BadInput, CannotOpen, CardInUse, DriverFault
from laneproof_drivers.device_node import cannot_open
from laneproof_drivers.mapped_words import WIDTHS, MappedWords, require_file, require_order, require_words
from laneproof_drivers.pci_claims import IOMEM, Bar, Function, bar_at
from laneproof_drivers.pci_observer import observers
from laneproof_drivers.register_engine import EngineOptions, RegisterEngine, Registers

_ALL_MEMORY = (1, 1)
"""Major and minor number of /dev/mem (Linux Documentation/admin-guide/devices.txt)."""


@frozen(kw_only=True)
class WindowOptions(EngineOptions):
    """`offset`, `size`: which part of the file is the window; all from `offset` on, unless said. `word`: bytes of each
    access. `rate`: what to expect, from which default timeouts follow.

    `registers_file`: the file that holds the engine's registers, where it is another one. `card_address`: where the
    window begins, as the engine counts. `go`: what the control register is given.
    """

    offset: int = field(default=0, validator=validators.ge(0))
    size: Size | None = None
    word: int = field(default=4, validator=validators.in_(WIDTHS))
    rate: Rate = field(default=Rate(100e6), validator=[validators.gt(Rate(0.0)), validators.le(Rate(1e12))])
    registers_file: str = ""
    card_address: int = field(default=0, validator=validators.ge(0))
    go: int = field(default=1, validator=validators.ge(0))


class WindowDriver(Driver):
    """Maps memory of cards. `iomem` is where the kernel says who has claimed which memory; `observed` gives a PCI
    function the parts that Linux has for it: link, errors, conditions, identity."""

    options = WindowOptions

    def __init__(self, iomem: Path = IOMEM, observed: ObserverSource = observers) -> None:
        self._iomem = iomem
        self._observed = observed

    def discover(self, deadline: Deadline) -> Iterable[Found]:
        """Nothing: whether memory is there to be written to cannot be known without being told."""
        return ()

    def connect(self, address: Address, options: WindowOptions, deadline: Deadline) -> Card:
        places = options.registers()
        with ExitStack() as undo:
            memory = _open(address.text, options.offset, options.size, options.word, deadline, undo, self._iomem)
            path = MappedWindow(memory)
            if places is not None:
                registers = _registers(address.text, memory, places, options, deadline, undo, self._iomem)
                engine = RegisterEngine(_MappedRegisters(registers), options, places)
                path.engine = _WindowEngine(path, engine, options)
            function = memory.function
            parts = () if function is None else self._observed.attach(function.address, deadline)
            close = undo.pop_all().close
        limits = Limits(
            max_transfer=max(options.word, path.size // 2 if path.engine else path.size),
            granularity=options.word,
            full_duplex=False,
            nominal_bytes_per_s=options.rate,
            carrier="the processor's own reads and writes of the window",
        )
        return Card(channels=(Channel(name="window", path=path, limits=limits),), close=close, parts=parts)


class _Memory:
    """A part of an open file, mapped; and what tells whether its device is still there."""

    def __init__(self, fd: int, path: str, at: int, nbytes: int, word: int, bar: Bar | None) -> None:
        self.words = MappedWords(fd, path, at, nbytes, word)
        self.function: Function | None = None if bar is None else bar.function
        self._path = path
        self._fd = fd
        self._bar = bar
        self._end = at + nbytes if stat.S_ISREG(os.fstat(fd).st_mode) else 0

    def another(self, at: int, nbytes: int, word: int, undo: ExitStack) -> _Memory:
        """Another part of the same file."""
        _require_within(self._fd, self._path, at, nbytes)
        made = _Memory(self._fd, self._path, at, nbytes, word, self._bar)
        undo.callback(made.words.close)
        return made

    def require(self) -> None:
        """Raise where touching it would end the process, as far as that can be known. DeviceLost, DriverFault."""
        if self.function is not None:
            self.function.require_answer()
        elif self._end:
            try:
                require_file(self._fd, self._path, self._end)
            except OSError as error:
                raise DriverFault(f"{self._path} is closed; open it again") from error

    def examine(self, all_ones: bool) -> None:
        """What reads as all ones may be data, or what is left of a device that is gone. Raises DeviceLost."""
        if all_ones and self.function is not None:
            self.function.require_answer()


class MappedWindow(WindowPath):
    """Every call looks first whether the device is there, and last whether what it read was an answer."""

    def __init__(self, memory: _Memory) -> None:
        self._memory = memory
        self.size = memory.words.nbytes
        self.engine: CopyEngine | None = None

    def write(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        words = self._before(offset, len(view))
        moved = words.write(offset, view, deadline)
        if moved:
            back = words.flush(offset + moved - words.word)
            self._memory.examine(back == 256**words.word - 1)
        return moved

    def read_into(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        words = self._before(offset, len(view))
        moved = words.read_into(offset, view, deadline)
        self._memory.examine(bool(moved) and words.all_ones(view[:moved]))
        return moved

    def _before(self, offset: int, nbytes: int) -> MappedWords:
        self.require_within("bytes", offset, nbytes)
        self._memory.require()
        return self._memory.words

    def require_within(self, what: str, offset: int, nbytes: int) -> None:
        """Raise BadInput for what is not in the window, or not in whole words."""
        word = self._memory.words.word
        if offset < 0 or nbytes < 0 or offset + nbytes > self.size:
            raise BadInput(f"{nbytes} {what} at offset {offset} are not within the window of {self.size} bytes")
        if offset % word or nbytes % word:
            raise BadInput(f"{nbytes} {what} at offset {offset} are not words of {word} bytes")


class _MappedRegisters(Registers):
    def __init__(self, memory: _Memory) -> None:
        self._memory = memory

    def get(self, offset: int) -> int:
        self._memory.require()
        words = self._memory.words
        value = words.get(offset)
        self._memory.examine(value == 256**words.word - 1)
        return value

    def put(self, offset: int, value: int) -> None:
        self._memory.require()
        self._memory.words.put(offset, value)


class _WindowEngine(CopyEngine):
    """Copies between two places in the window. One that did not end in time is waited for before the next."""

    def __init__(self, window: MappedWindow, engine: RegisterEngine, options: WindowOptions) -> None:
        self._window = window
        self._engine = engine
        self._options = options

    def copy(self, source: int, destination: int, nbytes: int, deadline: Deadline) -> int:
        for place in (source, destination):
            self._window.require_within("bytes to copy", place, nbytes)
        if abs(source - destination) < nbytes:
            raise BadInput(f"a copy of {nbytes} bytes from {source} to {destination} overlaps itself; copy it in parts")
        base = self._options.card_address
        if not nbytes or not self._engine.wait(deadline):
            return 0
        self._engine.start(base + source, base + destination, nbytes, self._options.go)
        return nbytes if self._engine.wait(deadline) else 0


def _open(path: str, at: int, size: int | None, word: int, deadline: Deadline, undo: ExitStack, iomem: Path) -> _Memory:
    """Map a part of the file at `path`, having looked whether that takes it from anybody. Raises CannotOpen."""
    if "\0" in path:
        raise BadInput(f"{path!r} is no path")
    require_order(path)
    bar = bar_at(path)
    if bar is not None:
        bar.range()
        bar.function.require_ready(deadline)
        bar.function.require_memory_on()
        bar.require_free(iomem)
    try:
        fd = os.open(path, os.O_RDWR | os.O_SYNC | os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOCTTY)
    except OSError as error:
        raise cannot_open(path, error) from error
    undo.callback(_close, fd)
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise CardInUse(f"{path} is open in another laneproof; end that one first") from None
    except OSError as error:
        raise CannotOpen(f"{path} cannot be locked against a second user: {error.strerror}") from error
    nbytes = _require_within(fd, path, at, size)
    require_words(path, at, nbytes, word)
    if bar is None and stat.S_ISREG(os.fstat(fd).st_mode):
        try:
            os.posix_fallocate(fd, at, nbytes)  # a hole that cannot be filled would be a SIGBUS
        except OSError as error:
            raise CannotOpen(f"{path} has no room for what is to be written to it: {error.strerror}") from error
    memory = _Memory(fd, path, at, nbytes, word, bar)
    undo.enter_context(closing(memory.words))
    return memory


def _registers(
    path: str,
    memory: _Memory,
    places: tuple[int, ...],
    options: WindowOptions,
    deadline: Deadline,
    undo: ExitStack,
    iomem: Path,
) -> _Memory:
    """The engine's registers, in the window's file or in another one."""
    other, nbytes = options.registers_file or path, max(places) + options.register_word
    try:
        same = os.path.samefile(other, path)
    except OSError as error:
        raise cannot_open(other, error) from error
    if same or (bar_at(other) is not None and bar_at(other) == bar_at(path)):  # resource2 and resource2_wc are one BAR
        _require_apart(places, options, memory.words.nbytes)
    if same:
        return memory.another(0, nbytes, options.register_word, undo)
    return _open(other, 0, nbytes, options.register_word, deadline, undo, iomem)


def _require_within(fd: int, path: str, at: int, size: int | None) -> int:
    """The bytes from `at` on that are meant, `size` or the rest. Raises BadInput, CannotOpen."""
    status = os.fstat(fd)
    if stat.S_ISCHR(status.st_mode):
        if (os.major(status.st_rdev), os.minor(status.st_rdev)) == _ALL_MEMORY:
            raise BadInput(f"{path} is all of this computer's memory; name a function's own, /sys/bus/pci/…/resource0")
        if size is None:
            raise BadInput(f"{path} does not say how large its memory is; add ?size=, for example size=64KiB")
        return size
    if not stat.S_ISREG(status.st_mode):
        raise CannotOpen(f"{path} is neither a file nor a character device, so it cannot be mapped")
    left = status.st_size - at
    if left <= 0 or (size is not None and size > left):
        wanted = f"{size} bytes at {at:#x}" if size is not None else f"what is at {at:#x}"
        raise BadInput(f"{path} has {status.st_size} bytes: {wanted} is not within; check offset and size")
    return left if size is None else size


def _require_apart(places: tuple[int, ...], options: WindowOptions, size: int) -> None:
    """Raise BadInput for a register that lies in the window, whose test would write to it."""
    for place in places:
        if options.offset < place + options.register_word and place < options.offset + size:
            raise BadInput(f"options: the register at {place:#x} lies within the window, which is written to; move one")


def _close(fd: int) -> None:
    with suppress(OSError):
        os.close(fd)


driver = WindowDriver()
