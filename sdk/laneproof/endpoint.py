"""`Endpoint`, the one object that a user holds, and `open()`, which makes it.

Here: who may call when, one deadline a call, errors that name the endpoint, and getting back in step after a fault.
How bytes move is in `moving`; what a driver implements is in `contract`.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Generator
from contextlib import contextmanager
from types import TracebackType
from typing import Any, Literal, final

import attrs
import numpy as np
from attrs import frozen

from laneproof import registry, safety
from laneproof.clock import Clock, Deadline
from laneproof.contract import (
    Card,
    Channel,
    Driver,
    ErrorObserver,
    IdentitySource,
    Limits,
    LinkObserver,
    Part,
    Region,
    RegionSource,
    ResetLevel,
    Resettable,
)
from laneproof.errors import (
    BadInput,
    CannotOpen,
    DeviceLost,
    DriverFault,
    EndpointBusy,
    EndpointClosed,
    Interrupted,
    LaneproofError,
    NotOffered,
    OutOfStep,
    TransferTimeout,
)
from laneproof.integrity import Comparison, Pattern
from laneproof.integrity import pattern as make_pattern
from laneproof.moving import CheckJob, Mover, mover_for
from laneproof.moving.blocks import aligned
from laneproof.readings import ErrorReading, Identity, LinkReading, Unavailable, known

OPEN_TIMEOUT_S = 10.0
CONTROL_TIMEOUT_S = 10.0
DEFAULT_BLOCK = 1 << 20
"""Bytes that a check moves at a time, unless the card's largest transfer is smaller."""


@frozen(kw_only=True)
class Transfer:
    """One buffer out and back: bytes each way, and seconds by the card's clock."""

    bytes_sent: int
    bytes_received: int
    seconds: float


@frozen(kw_only=True)
class Recovery:
    """How a card was brought back in step, and how many bytes of the failed call were discarded."""

    how: Literal["reset", "drained", "reconnected"]
    discarded_bytes: int
    seconds: float


def open(  # noqa: A001 - the frozen name; laneproof.open reads as what it does
    uri: str,
    *,
    options: dict[str, str] | None = None,
    observe: str | None = None,
    timeout: float = OPEN_TIMEOUT_S,
    acknowledge_cautions: bool = False,
) -> Endpoint:
    """Open the card at `uri` (SCHEME:ADDRESS[?option=value…][#SLOT]); use it as a context manager.

    `options` add to those in the URI. `observe` names where its link is seen, for example "pci:0000:65:00.0".
    `timeout` in seconds. Opening a physical card shows the cautions of `laneproof.safety` once per process, as a
    `SafetyCaution` warning, unless they are acknowledged. Raises BadInput for a URI or option that makes no sense,
    CannotOpen (CardInUse) if the card is absent, not permitted or in use.
    """
    parsed = registry.parse_uri(uri)
    with _named(uri, "open"):
        driver = registry.driver_for(parsed.scheme)
        chosen = registry.read_options(driver, parsed.options | (options or {}))

    def connect() -> Card:
        with _named(uri, "open"), Deadline(timeout) as deadline:
            try:
                card = driver.connect(parsed.address, chosen, deadline)
            except OSError as error:
                raise CannotOpen(f"{error.strerror or error}") from error
            if observe is None:
                return card
            try:
                return _observed(card, observe, deadline)
            except BaseException:
                card.close()
                raise

    if driver.physical:
        safety.surface(acknowledged=acknowledge_cautions)
    return Endpoint(uri, driver, connect)


def _observed(card: Card, observe: str, deadline: Deadline) -> Card:
    scheme, colon, address = observe.partition(":")
    if not colon:
        raise BadInput(f'observe="{observe}" names no device; write for example observe="pci:0000:65:00.0"')
    parts: list[Part] = list(card.parts)
    for part in registry.observers_for(scheme).attach(address, deadline):
        parts.append(part)
    return attrs.evolve(card, parts=tuple(parts))


@final
class Endpoint:
    """A card at the far side of a path. Made by `laneproof.open`.

    `send`, `receive_into`, `loopback` and `check` mean channel 0; `channels[i]` has the same four. Every timeout is a
    finite number of seconds by the card's clock; left out, it follows from the card's nominal rate. One send and one
    receive_into may run at once on a channel, from two threads; any other second call raises EndpointBusy.
    """

    def __init__(self, uri: str, driver: Driver, connect: Callable[[], Card]) -> None:
        self.uri = uri
        self.physical = driver.physical
        self._connect = connect
        self._live: set[Deadline] = set()
        self._lock = threading.Lock()
        self._control = threading.Lock()
        self._closed = False
        self._card = connect()
        try:
            self.channels = tuple(OpenChannel(self, channel) for channel in self._card.channels)
        except BaseException:
            self._card.close()
            raise

    # --- what it is

    @property
    def limits(self) -> Limits:
        """The limits of channel 0."""
        return self.channels[0].limits

    @property
    def clock(self) -> Clock:
        """The card's clock; virtual for a simulated card."""
        return self._card.clock

    @property
    def caveats(self) -> tuple[str, ...]:
        """Sentences that every result on this card must carry."""
        return self._card.caveats

    @property
    def identity(self) -> Identity | Unavailable:
        """What the card says that it is, read anew each time."""
        source = self._card.part(IdentitySource)
        if source is None:
            return Unavailable("the card has no IdentitySource")
        with self._operation("identity", CONTROL_TIMEOUT_S) as deadline:
            return source.read_identity(deadline)

    # --- moving bytes, on channel 0

    def send(self, data: Any, timeout: float | None = None) -> int:
        """Send all of `data` (any contiguous buffer); return its length in bytes.

        Raises TransferTimeout with the bytes moved, DeviceLost, DriverFault, OutOfStep, EndpointBusy.
        """
        return self.channels[0].send(data, timeout)

    def receive_into(self, buffer: Any, timeout: float | None = None) -> int:
        """Fill all of `buffer` (contiguous, writable); return its length in bytes. Raises as `send` does."""
        return self.channels[0].receive_into(buffer, timeout)

    def loopback(self, data: Any, buffer: Any, timeout: float | None = None) -> Transfer:
        """Send `data` and receive as many bytes into `buffer`, draining while filling. Raises as `send` does."""
        return self.channels[0].loopback(data, buffer, timeout)

    def check(
        self,
        pattern: str | Pattern,
        nbytes: int,
        *,
        block: int | None = None,
        depth: int | None = None,
        direction: Literal["both", "to_card", "from_card"] = "both",
        timeout: float | None = None,
        progress: Callable[[int], Any] | None = None,
    ) -> Comparison:
        """Fill, loop back and verify `nbytes` in blocks of `block` bytes, `depth` of them under way at a time.

        Memory is block × depth. Each block carries its own stretch of the pattern. Damage, a missing tail, surplus
        bytes and a stall are in the result; errors that end the check carry it in `so_far`. `progress` is called with
        the bytes verified so far. One direction alone needs a PatternEngine.
        """
        return self.channels[0].check(
            pattern, nbytes, block=block, depth=depth, direction=direction, timeout=timeout, progress=progress
        )

    def allocate(self, nbytes: int) -> Region:
        """Memory that suits the card: its own Regions where it has them, aligned plain memory elsewhere."""
        source = self._card.part(RegionSource)
        if source is None:
            return _PlainRegion(nbytes, self.limits.alignment)
        with self._operation("allocate", CONTROL_TIMEOUT_S) as deadline:
            return source.allocate(nbytes, deadline)

    # --- link and errors

    def read_link(self, timeout: float = CONTROL_TIMEOUT_S) -> LinkReading:
        """The link at both partners; unavailable, with the reason, where it cannot be seen. May run during traffic."""
        observer = self._card.part(LinkObserver)
        if observer is None:
            why = Unavailable("the card has no LinkObserver; open it with observe=, for example pci:0000:65:00.0")
            return LinkReading(near=why, far=why)
        with self._exclusive(self._control, "read_link"), self._operation("read_link", timeout) as deadline:
            return observer.read_link(deadline)

    def read_errors(self, timeout: float = CONTROL_TIMEOUT_S) -> ErrorReading:
        """Error counts at both partners; unavailable, with the reason, where they cannot be read."""
        observer = self._card.part(ErrorObserver)
        if observer is None:
            why = Unavailable("the card has no ErrorObserver; open it with observe=, for example pci:0000:65:00.0")
            return ErrorReading(near=why, far=why)
        with (
            self._exclusive(self._control, "read_errors"),
            self._operation("read_errors", timeout) as deadline,
        ):
            return observer.read_errors(deadline)

    # --- faults

    def interrupt(self) -> None:
        """End every call under way at once, from any thread; each raises Interrupted."""
        with self._lock:
            live = list(self._live)
        for deadline in live:
            deadline.cancel()

    def recover(self, timeout: float = CONTROL_TIMEOUT_S) -> Recovery:
        """Bring every channel back in step: by a data reset, else by draining, else by connecting anew."""
        started_s = self.clock.now_s()
        how: Literal["reset", "drained", "reconnected"]
        discarded = 0
        part = self._card.part(Resettable)
        try:
            with self._operation("recover", timeout) as deadline:
                if part is not None and ResetLevel.DATA in part.levels:
                    part.reset(ResetLevel.DATA, deadline)
                    how = "reset"
                else:
                    discarded = sum(channel.drain(deadline) for channel in self.channels)
                    how = "drained"
        except (DeviceLost, DriverFault):
            self._card.close()
            self._card = self._connect()
            for channel, fresh in zip(self.channels, self._card.channels, strict=True):
                channel.replace(fresh)
            how = "reconnected"
        for channel in self.channels:
            channel.in_step = True
        return Recovery(how=how, discarded_bytes=discarded, seconds=max(0.0, self.clock.now_s() - started_s))

    def reset(self, level: ResetLevel, timeout: float = CONTROL_TIMEOUT_S) -> None:
        """Reset the card. The errors that a link reset causes are yours to exclude. Raises NotOffered."""
        part = self._card.part(Resettable)
        if part is None or level not in part.levels:
            raise NotOffered(f"the card has no Resettable at level {level.name}", uri=self.uri, operation="reset")
        with self._operation("reset", timeout) as deadline:
            part.reset(level, deadline)

    def close(self) -> None:
        """End calls under way and give the card back. May be called twice."""
        if not self._closed:
            self._closed = True
            self.interrupt()
            self._card.close()

    def __enter__(self) -> Endpoint:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"<Endpoint {self.uri}{' closed' if self._closed else ''}>"

    # --- for the channels

    @contextmanager
    def _operation(self, name: str, timeout: float) -> Generator[Deadline]:
        """One call: a deadline that `interrupt` reaches, and errors that name the endpoint."""
        if self._closed:
            raise EndpointClosed("the endpoint was closed", uri=self.uri, operation=name)
        with _named(self.uri, name), Deadline(timeout, self.clock) as deadline:
            with self._lock:
                self._live.add(deadline)
            try:
                yield deadline
            except DeviceLost as lost:
                if not lost.link_evidence:
                    lost.link_evidence = self._link_evidence()
                raise
            except OSError as error:
                if isinstance(error, LaneproofError):
                    raise
                raise DriverFault(f"the driver failed: {error.strerror or error}") from error
            finally:
                with self._lock:
                    self._live.discard(deadline)

    @contextmanager
    def _exclusive(self, lock: threading.Lock, name: str) -> Generator[None]:
        if not lock.acquire(blocking=False):
            raise EndpointBusy("a call of this kind is under way", uri=self.uri, operation=name)
        try:
            yield
        finally:
            lock.release()

    def _link_evidence(self) -> str:
        """What the near port shows of a lost card: a sentence, or nothing."""
        observer = self._card.part(LinkObserver)
        if observer is None:
            return ""
        try:
            with Deadline(CONTROL_TIMEOUT_S, self.clock) as deadline:
                near = known(observer.read_link(deadline).near)
        except (LaneproofError, OSError):
            return ""
        return f"{near.name} shows its link down" if near is not None and near.active is False else ""


@final
class OpenChannel:
    """One channel of an open card, with the same four calls as the endpoint has."""

    def __init__(self, endpoint: Endpoint, channel: Channel) -> None:
        self.name = channel.name
        self.limits = channel.limits
        self.in_step = True
        """False after a fault, until `recover()`."""
        self._endpoint = endpoint
        self._mover: Mover = mover_for(channel)
        self._outward = threading.Lock()
        self._inward = threading.Lock()
        self._next_sequence = 0

    def default_timeout_s(self, nbytes: int) -> float:
        """Seconds that moving `nbytes` may take unless the caller says otherwise: ten times nominal, and five."""
        return 5.0 + 10.0 * nbytes / self.limits.nominal_bytes_per_s

    def send(self, data: Any, timeout: float | None = None) -> int:
        """As `Endpoint.send`."""
        view = self._view(data, writable=False)
        with self._call("send", len(view), timeout, self._outward) as deadline:
            moved = self._mover.send(view, deadline)
            self._whole(moved, len(view), "sent", deadline)
        return moved

    def receive_into(self, buffer: Any, timeout: float | None = None) -> int:
        """As `Endpoint.receive_into`."""
        view = self._view(buffer, writable=True)
        with self._call("receive_into", len(view), timeout, self._inward) as deadline:
            moved = self._mover.receive_into(view, deadline)
            self._whole(moved, len(view), "received", deadline)
        return moved

    def loopback(self, data: Any, buffer: Any, timeout: float | None = None) -> Transfer:
        """As `Endpoint.loopback`."""
        out, into = self._view(data, writable=False), self._view(buffer, writable=True)
        if len(out) != len(into):
            raise BadInput(f"{len(out)} bytes out do not fit {len(into)} bytes in; give buffers of one length")
        if np.shares_memory(np.frombuffer(out, np.uint8), np.frombuffer(into, np.uint8)):
            raise BadInput("data and buffer overlap; receive into memory of its own")
        with self._call("loopback", len(out), timeout, self._outward, self._inward) as deadline:
            started_s = self._endpoint.clock.now_s()
            sent, received = self._mover.loopback(out, into, deadline)
            self._whole(received, len(out), "returned", deadline)
            seconds = self._endpoint.clock.now_s() - started_s
        return Transfer(bytes_sent=sent, bytes_received=received, seconds=seconds)

    def check(
        self,
        pattern: str | Pattern,
        nbytes: int,
        *,
        block: int | None = None,
        depth: int | None = None,
        direction: Literal["both", "to_card", "from_card"] = "both",
        timeout: float | None = None,
        progress: Callable[[int], Any] | None = None,
    ) -> Comparison:
        """As `Endpoint.check`."""
        if direction != "both":
            raise NotOffered("one direction alone needs a PatternEngine", uri=self._endpoint.uri, operation="check")
        job = self._job(pattern, nbytes, block, depth, progress)
        with self._call("check", nbytes, timeout, self._outward, self._inward) as deadline:
            result = self._mover.check(job, deadline)
        if result.stalled or result.surplus_bytes or result.bytes_received < nbytes:
            self.in_step = False
        return result

    def take_sequences(self, count: int) -> int:
        """The first of `count` sequence numbers that no earlier buffer of this channel had."""
        first = self._next_sequence
        self._next_sequence += count
        return first

    def drain(self, deadline: Deadline) -> int:
        """Discard what a failed call left under way; for `Endpoint.recover`."""
        return self._mover.drain(deadline)

    def replace(self, channel: Channel) -> None:
        """Go on over a new connection; for `Endpoint.recover`."""
        self._mover = mover_for(channel)
        self.limits = channel.limits

    def _job(
        self,
        pattern: str | Pattern,
        nbytes: int,
        block: int | None,
        depth: int | None,
        progress: Callable[[int], Any] | None,
    ) -> CheckJob:
        limits = self.limits
        chosen = make_pattern(pattern) if isinstance(pattern, str) else pattern
        size = block if block is not None else min(DEFAULT_BLOCK, limits.max_transfer)
        size = size if block is not None else max(limits.granularity, size - size % limits.granularity)
        under_way = depth if depth is not None else limits.queue_depth
        if nbytes < 0 or size < 1 or under_way < 1:
            raise BadInput(f"nbytes {nbytes}, block {size}, depth {under_way}: give at least 0, 1 and 1")
        for name, value in (("nbytes", nbytes), ("block", size)):
            if value % limits.granularity:
                raise BadInput(f"{name} {value} is no multiple of the card's granularity, {limits.granularity}")
        if size > limits.max_transfer:
            raise BadInput(f"block {size} is more than the card's largest transfer, {limits.max_transfer}")
        first = self.take_sequences(-(-nbytes // size))
        return CheckJob(
            nbytes=nbytes,
            block=size,
            depth=under_way,
            stretch=lambda number: (chosen.for_sequence(first + number), 0),
            progress=progress,
        )

    @contextmanager
    def _call(self, name: str, nbytes: int, timeout: float | None, *locks: threading.Lock) -> Generator[Deadline]:
        taken: list[threading.Lock] = []
        try:
            for lock in locks:
                if not lock.acquire(blocking=False):
                    raise EndpointBusy(
                        f"channel {self.name} has a call of this direction under way",
                        uri=self._endpoint.uri,
                        operation=name,
                    )
                taken.append(lock)
            if not self.in_step:
                raise OutOfStep(
                    f"channel {self.name} may hold bytes of a call that failed; call recover() first",
                    uri=self._endpoint.uri,
                    operation=name,
                )
            limit_s = self.default_timeout_s(nbytes) if timeout is None else timeout
            try:
                with self._endpoint._operation(name, limit_s) as deadline:  # pyright: ignore[reportPrivateUsage]
                    yield deadline
            except (TransferTimeout, DriverFault, DeviceLost, Interrupted):
                self.in_step = False
                raise
        finally:
            for lock in taken:
                lock.release()

    def _whole(self, moved: int, wanted: int, verb: str, deadline: Deadline) -> None:
        if moved == wanted:
            return
        if deadline.expired:
            raise TransferTimeout(f"{verb} {moved} of {wanted} bytes before the deadline", moved=moved)
        raise DriverFault(f"the card {verb} {moved} of {wanted} bytes and ended the transfer")

    def _view(self, data: Any, *, writable: bool) -> memoryview:
        try:
            view = memoryview(data)
        except TypeError:
            raise BadInput(f"{type(data).__name__} is no buffer; give bytes, a bytearray or an array") from None
        if not view.c_contiguous:
            raise BadInput("the buffer is not contiguous; copy it first")
        if writable and view.readonly:
            raise BadInput("the buffer is read-only; receive into a bytearray or a writable array")
        flat = view.cast("B")
        if len(flat) % self.limits.granularity:
            raise BadInput(f"{len(flat)} bytes is no multiple of the card's granularity, {self.limits.granularity}")
        return flat


class _PlainRegion(Region):
    """Ordinary memory at the alignment that the card asks for."""

    def __init__(self, nbytes: int, alignment: int) -> None:
        self.view = aligned(nbytes, alignment)

    def close(self) -> None:
        self.view.release()


@contextmanager
def _named(uri: str, operation: str) -> Generator[None]:
    try:
        yield
    except LaneproofError as error:
        error.uri, error.operation = error.uri or uri, error.operation or operation
        raise
