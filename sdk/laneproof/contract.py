"""What a driver implements, and nothing else is asked of an integrator.

A **driver** is one object behind an entry point of the group `laneproof.endpoints`; the entry's name is the URI scheme.
Its `connect` returns a `Card`: channels to move bytes through, and the parts that this card has. Whether a card can do
a thing shows in its parts; how much, in `Limits`. Users hold an `Endpoint`, which is built on these and is no part of
this page.

Rules that hold for every method:

- One deadline a call. Wait only in `deadline.wait(fd, events)`; with no descriptor, in `deadline.pause()`. Let
  `Interrupted` pass. Reaching the deadline is no error here: return what was moved.
- The caller owns memory. Keep no view after the call; on return, for any reason, the hardware no longer writes to it.
  Bytes beside a buffer are another thread's: never written, not even with what stood there.
- `send` and `receive_into` of one path may be called at once from two threads, and `submit` and `quiesce` while
  another thread is in `reap`; a path's other calls never overlap. Parts are called during traffic, one at a time.
  No thread affinity.
- Leave the process as it is: no working directory, umask, environment or signal handler changed, and once `close` has
  returned no thread, child or descriptor left, not even for a moment.
- Raise `DeviceLost` when the device is known to be gone, `DriverFault` when a call failed, `CannotOpen` from
  `connect`. Any other exception that escapes is mapped to `DriverFault` with its cause, an `OSError` from `connect` to
  `CannotOpen`.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Sequence
from enum import IntEnum
from os import PathLike
from typing import Any, Literal, TypeVar, cast, get_args

from attrs import field, frozen, validators

from laneproof.clock import Clock, Deadline, MonotonicClock
from laneproof.errors import DriverFault
from laneproof.on_request import LaneMargining as LaneMargining
from laneproof.on_request import LinkTrainer as LinkTrainer
from laneproof.readings import Check, Conditions, ErrorReading, HostSurvey, Identity, LinkReading, Use

CONTRACT = 1
"""The number of this contract. A driver with this number, or the one before it, is accepted."""


# --- driver ---------------------------------------------------------------------------------------------------


@frozen
class Address:
    """Where a card is: what stands between the scheme and the options of a URI, and the slot after `#`.

    Both are percent-decoded. `slot` is empty where the URI names none; a driver whose address is one card ignores it.
    """

    text: str
    slot: str = ""


@frozen(kw_only=True)
class Found:
    """A card that `discover` saw; `address` can be opened, and written in a URI. `note` says what is known unopened."""

    address: Address
    note: str = ""


class Driver(ABC):
    """How cards of one kind are found and opened. Readable without touching hardware."""

    contract: int = CONTRACT
    options: type[Any]
    """A frozen attrs class; its fields are the options of the URI, converted and checked by their types."""
    physical: bool = True
    """False for a simulated card: no cautions on power and static, no process of its own."""
    may_be_simulated: bool = False
    """For a physical way to cards that say of themselves whether they are simulated: cautions wait for `connect`."""
    caveats: tuple[str, ...] = ()
    """Sentences that every result on such a card must carry: the first says the most (what a simulator leaves out)."""

    @abstractmethod
    def discover(self, deadline: Deadline) -> Iterable[Found]:
        """Cards that can be seen by the deadline, read-only. An empty answer is no error."""

    @abstractmethod
    def connect(self, address: Address, options: Any, deadline: Deadline) -> Card:
        """Open the card at `address`; it is ready when this returns. Not ready by the deadline is CannotOpen.

        `options` is an instance of the class that `options` names. Raises CannotOpen (absent, not permitted, not
        ready), CardInUse, or BadInput for an address or option that makes no sense.
        """


# --- paths: one kind is required ------------------------------------------------------------------------------


class StreamPath(ABC):
    """Bytes out, bytes in, as through a pipe."""

    @abstractmethod
    def send(self, view: memoryview, deadline: Deadline) -> int:
        """Send from the front of `view`; return how many bytes went, at least one, or 0 at the deadline."""

    @abstractmethod
    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        """Fill the front of `view`; return how many bytes came, at least one, or 0 at the deadline."""


@frozen(kw_only=True)
class Completion:
    """The end of one ticket. `sent`, and `received` (into `into`), are bytes; `why` explains any status but done."""

    ticket: int
    sent: int
    received: int
    status: Literal["done", "stopped", "failed", "held"] = "done"
    """`stopped`: by `quiesce`. `held`: the hardware may still write; the Region stays mapped until a reset."""
    why: str = ""


class QueuedPath(ABC):
    """Transfers handed to an engine, completed in any order; always in the order of `submit` is right too."""

    @abstractmethod
    def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        """Queue one transfer; never blocks. Either side may be None: `out` alone sends, `into` alone receives.

        At most `Limits.queue_depth` tickets are out at a time. `ticket` is a whole number from 1 to 2^63 - 1, no other
        that is out has it, and it may be used again once it has completed. With both sides, the echo of `out` arrives
        in `into`, which may be longer, so that surplus shows; one that is shorter may be refused with BadInput. A
        message that is longer than the `into` that takes it fills that; the rest comes to the next one, or is dropped.
        What is sent alone is received alone in the order of `submit`.
        """

    @abstractmethod
    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        """Completions as they come, at least one; empty only at the deadline."""

    @abstractmethod
    def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
        """Stop the engine; no buffer is touched afterwards. Each ticket that was out completes here, or in a `reap`.

        One of another thread is not waited for: it goes on with what is submitted then, of which as many can be out.
        """


class CopyEngine(ABC):
    """An engine on the card that copies between two places in its window."""

    @abstractmethod
    def copy(self, source: int, destination: int, nbytes: int, deadline: Deadline) -> int:
        """Copy within the window; offsets and count in bytes. Returns the bytes copied, fewer at the deadline.

        What was begun may go on after that, in the destination alone; the next copy waits for it.
        """


class WindowPath(ABC):
    """A memory window: bytes written at an offset can be read back there."""

    size: int
    """Bytes."""
    engine: CopyEngine | None = None

    @abstractmethod
    def write(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        """Write all of `view` at `offset`; return the bytes written, fewer at the deadline."""

    @abstractmethod
    def read_into(self, offset: int, view: memoryview, deadline: Deadline) -> int:
        """Fill `view` from `offset`; return the bytes read, fewer at the deadline."""


Path = StreamPath | QueuedPath | WindowPath


@frozen(kw_only=True)
class Limits:
    """How much a channel can do.

    `alignment` is that of a buffer's address, `granularity` that of a transfer's length, both in bytes. A `message`
    channel returns each transfer as one unit, so that surplus is seen at once; a `stream` has no such boundary.
    `fifo_depth` is how many bytes the card holds between out and in (None: unknown). Default timeouts and the
    built-in plan's sizes follow from `nominal_bytes_per_s`. `carrier` names what else than the card's link bytes pass
    on their way, and are slowed by ("a serial line"): the rate then says nothing about the link.
    """

    max_transfer: int = field(validator=validators.ge(1))
    alignment: int = field(default=1, validator=validators.ge(1))
    granularity: int = field(default=1, validator=validators.ge(1))
    fifo_depth: int | None = None
    queue_depth: int = field(default=1, validator=validators.ge(1))
    full_duplex: bool = True
    boundary: Literal["stream", "message"] = field(default="stream", validator=validators.in_(("stream", "message")))
    nominal_bytes_per_s: float = field(default=100e6, validator=validators.gt(0.0))
    carrier: str = field(default="", validator=validators.instance_of(str))


@frozen(kw_only=True)
class Channel:
    """One independent way through the card. Channels share the card's link, errors, reset and identity."""

    name: str
    path: Path
    limits: Limits


# --- parts: present or absent ---------------------------------------------------------------------------------


class Region(ABC):
    """Memory that the card reaches without a copy. Closing one in flight is refused with EndpointBusy.

    One that is open when its card is closed stays memory, which the hardware does not reach, until it is closed itself.
    """

    view: memoryview

    @abstractmethod
    def close(self) -> None: ...

    def __enter__(self) -> Region:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class RegionSource(ABC):
    """Where Regions come from. Without it plain memory is copied, and the result says so."""

    @abstractmethod
    def allocate(self, nbytes: int, deadline: Deadline) -> Region: ...


class LinkObserver(ABC):
    """Reads the card's link at both partners."""

    @abstractmethod
    def read_link(self, deadline: Deadline) -> LinkReading: ...


class ErrorObserver(ABC):
    """Reads error counts at both partners of the card's link as they stand; one at its register's end is AtLeast."""

    @abstractmethod
    def read_errors(self, deadline: Deadline) -> ErrorReading: ...


class ConditionObserver(ABC):
    """Reads what is around a measurement: lanes and receivers of both partners, temperatures, host errors."""

    @abstractmethod
    def read_conditions(self, deadline: Deadline) -> Conditions: ...


class IdentitySource(ABC):
    """Says what the card is; read again at each step and after each fault. No two cards have one serial, or it is None.

    What cannot change while the card is open may be kept from `connect` on.
    """

    @abstractmethod
    def read_identity(self, deadline: Deadline) -> Identity: ...


@frozen(kw_only=True)
class PatternCount:
    """What a card's checker has counted since `start`: bits compared, wrong bits, lock now, locks lost, saturated."""

    bits: int
    errors: int
    locked: bool
    lock_losses: int
    saturated: bool


class PatternEngine(ABC):
    """A generator and checker on the card, for tests in one direction."""

    patterns: tuple[str, ...]

    @abstractmethod
    def start(
        self, channel: str, direction: Literal["to_card", "from_card"], pattern: str, deadline: Deadline
    ) -> None: ...

    @abstractmethod
    def read(self, deadline: Deadline) -> PatternCount: ...

    @abstractmethod
    def stop(self, deadline: Deadline) -> None: ...


class ErrorInjector(ABC):
    """Injects a known number of bit errors into a running pattern, so that the checker is seen to count."""

    @abstractmethod
    def inject(self, bits: int, deadline: Deadline) -> None: ...


class ResetLevel(IntEnum):
    """From mild to harsh. Only `DATA` is ever used without being asked for."""

    DATA = 1
    FUNCTION = 2
    LINK = 3


class Resettable(ABC):
    """Resets that the card offers. The errors that a link reset causes are excluded events."""

    levels: tuple[ResetLevel, ...]

    @abstractmethod
    def reset(self, level: ResetLevel, deadline: Deadline) -> None: ...


_Observer = LinkObserver | ErrorObserver | ConditionObserver | IdentitySource
Part = RegionSource | _Observer | PatternEngine | ErrorInjector | Resettable | LinkTrainer | LaneMargining
_PARTS = get_args(Part)
_P = TypeVar("_P")


@frozen(kw_only=True, eq=False)
class Card:
    """An open card, as `connect` returns it. `close` is idempotent and never raises for a card that is gone.

    It is called with no other call under way; once it has returned, the hardware writes to no buffer and no Region.

    One object may be several parts; two objects for one part are refused. `simulated` and `caveats` are what was not
    known of it before: that it is no real card, and sentences to add to the driver's.
    """

    channels: tuple[Channel, ...]
    close: Callable[[], None]
    clock: Clock = field(factory=MonotonicClock)
    parts: tuple[Part, ...] = ()
    simulated: bool = False
    caveats: tuple[str, ...] = ()

    def __attrs_post_init__(self) -> None:
        names = [channel.name for channel in self.channels]
        if not names or len(set(names)) < len(names):
            raise DriverFault(f"the driver's card needs channels with names of their own, not {names}")
        if not all(isinstance(caveat, str) for caveat in cast("tuple[object, ...]", self.caveats)):
            raise DriverFault(f"the caveats of the driver's card are sentences, not {self.caveats!r}")
        parts = cast("tuple[object, ...]", self.parts)  # as given by a driver, whatever its types say
        for kind in _PARTS:
            if sum(isinstance(part, kind) for part in parts) > 1:
                raise DriverFault(f"the driver's card has more than one {kind.__name__}")
        if unknown := [type(part).__name__ for part in parts if not isinstance(part, _PARTS)]:
            raise DriverFault(f"{unknown[0]} is no part that the contract knows")

    def part(self, kind: type[_P]) -> _P | None:
        """The part of that kind, or None where the card has none."""
        return next((part for part in self.parts if isinstance(part, kind)), None)


# --- beside the card ------------------------------------------------------------------------------------------


class ObserverSource(ABC):
    """Parts for a card whose link is seen from elsewhere; an entry point of the group `laneproof.observers`.

    The entry's name is the scheme of `observe=`; the parts replace none of the card's own.
    """

    contract: int = CONTRACT

    @abstractmethod
    def attach(self, address: str, deadline: Deadline) -> tuple[Part, ...]:
        """Observers for the device at `address`. Raises CannotOpen or BadInput. Reads only."""

    def trainer(self, address: str, deadline: Deadline) -> LinkTrainer | None:
        """What retrains the link of that device, where it can; it too writes nothing until it is used."""
        return None

    def margining(self, address: str, deadline: Deadline) -> LaneMargining | None:
        """What margins the receivers of that device's link, where it can; likewise."""
        return None


class Host(ABC):
    """A computer's own view of its PCI Express links; an entry point of the group `laneproof.hosts`."""

    contract: int = CONTRACT

    @abstractmethod
    def survey(self, deadline: Deadline) -> HostSurvey:
        """Every link that the host shows, both partners, read-only and without privilege."""

    def readiness(self, uses: Sequence[Use], deadline: Deadline) -> tuple[Check, ...]:
        """Whether the host is ready for a run over these cards, or, with none, in general; reads only, opens none."""
        return ()


class RecordingHost(Host):
    """A host reader that can also record what its survey reads, and survey such a recording on another computer."""

    @abstractmethod
    def within(self, recording: PathLike[str]) -> RecordingHost:
        """The reader of a recording: a folder, or a file of what `record` returned. Raises BadInput."""

    @abstractmethod
    def record(self, deadline: Deadline, *, with_serials: bool = False) -> bytes:
        """What a survey reads, and nothing else, as the bytes of a tar file; serial numbers only if asked for."""
