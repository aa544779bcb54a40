"""`Endpoint`, the one object that a user holds, and `open()`, which makes it.

Here: one deadline a call, errors that name the endpoint, and getting back in step after a fault.
How bytes move is in `moving`; what a driver implements is in `contract`.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable
from types import TracebackType
from typing import Any, Literal, cast, final

from attrs import frozen

from laneproof import registry, safety
from laneproof.calls import Call, CallsUnderWay, PartsCall
from laneproof.channel import OpenChannel, Transfer
from laneproof.clock import Clock, Deadline
from laneproof.contract import (
    Card,
    ConditionObserver,
    ErrorInjector,
    ErrorObserver,
    IdentitySource,
    LaneMargining,
    Limits,
    LinkObserver,
    LinkTrainer,
    PatternEngine,
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
    EndpointClosed,
    NotOffered,
    named,
)
from laneproof.integrity import Comparison, DamageRecord, Pattern
from laneproof.margining import Margining
from laneproof.moving import in_driver
from laneproof.moving.blocks import aligned
from laneproof.moving.card_check import CardEngine
from laneproof.observing import near_shows_down, observed
from laneproof.readings import Conditions, ErrorReading, Identity, LinkReading, Retraining, Unavailable

OPEN_TIMEOUT_S = 10.0
CONTROL_TIMEOUT_S = 10.0
_RETURN_GRACE_S = 1.0
"""How long `close` waits for calls that it has interrupted to end, in seconds."""


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
    `SafetyCaution` warning, unless they are acknowledged: before it is touched, or, where it may turn out to be a
    simulated one behind a physical way, once it has not. Raises BadInput for a URI or option that makes no sense,
    CannotOpen (CardInUse) if the card is absent, not permitted or in use.
    """
    parsed = registry.parse_uri(uri)
    with named(uri, "open"):
        driver = registry.driver_for(parsed.scheme)
        chosen = registry.read_options(driver, parsed.options | (options or {}))

    def connect(deadline: Deadline) -> Card:
        with in_driver(os_error=CannotOpen):
            made = cast("object", driver.connect(parsed.address, chosen, deadline))
        if not isinstance(made, Card):
            raise DriverFault(f"the driver's connect returned {type(made).__name__}, not a laneproof.contract.Card")
        card = made
        if observe is None:
            return card
        try:
            return observed(card, observe, deadline)
        except BaseException:
            card.close()
            raise

    if driver.physical and not driver.may_be_simulated:
        safety.surface(acknowledged=acknowledge_cautions)
    with named(uri, "open"), Deadline(timeout) as deadline:
        opened = Endpoint(uri, connect(deadline), connect, physical=driver.physical, caveats=driver.caveats)
    if opened.physical and driver.may_be_simulated:
        try:
            safety.surface(acknowledged=acknowledge_cautions)
        except BaseException:  # a caution turned into an error
            opened.close()
            raise
    return opened


@final
class Endpoint:
    """A card at the far side of a path. Made by `laneproof.open`.

    `send`, `receive_into`, `loopback` and `check` mean channel 0; `channels[i]` has the same four. Every timeout is a
    finite number of seconds by the card's clock; left out, it follows from the card's nominal rate. One send and one
    receive_into may run at once on a channel, from two threads; any other second call raises EndpointBusy.
    """

    def __init__(
        self, uri: str, card: Card, connect: Callable[[Deadline], Card], *, physical: bool, caveats: tuple[str, ...]
    ) -> None:
        self.uri = uri
        self.physical = physical and not card.simulated
        self._simulated = card.simulated
        self._caveats = (*caveats, *card.caveats)
        self._connect = connect
        self._parts = threading.RLock()
        self._calls = CallsUnderWay(uri, card.clock, self._link_evidence)
        self._card = card
        # A simulated card starts empty; one behind a physical way may still hold what was sent before, which must not
        # pass.
        seed = secrets.randbits(32) if physical else 0
        allocate = None if card.part(RegionSource) is None else self._region
        try:
            self.channels = tuple(
                OpenChannel(self._calls, channel, number, seed, allocate, self._pattern_engine)
                for number, channel in enumerate(card.channels)
            )
        except BaseException:
            card.close()
            raise

    # --- what it is

    @property
    def limits(self) -> Limits:
        """The limits of channel 0."""
        return self.channels[0].limits

    @property
    def clock(self) -> Clock:
        """The card's clock; virtual for a simulated card."""
        return self._calls.clock

    @property
    def caveats(self) -> tuple[str, ...]:
        """Sentences that every result on this card must carry."""
        return self._caveats

    @property
    def identity(self) -> Identity | Unavailable:
        """What the card says that it is, read anew each time."""
        source = self._card.part(IdentitySource)
        if source is None:
            return Unavailable("the card has no IdentitySource")
        with PartsCall(self._calls, "identity", self._parts) as call, in_driver():
            return source.read_identity(call.begin(CONTROL_TIMEOUT_S))

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
        digest: bool = False,
        more_follows: bool = False,
        enough: threading.Event | None = None,
        damage: DamageRecord | None = None,
        timeout: float | None = None,
        progress: Callable[[int], Any] | None = None,
    ) -> Comparison:
        """Fill, loop back and verify `nbytes` in blocks of `block` bytes, `depth` of them under way at a time.

        Memory is block × depth. Each block carries its own stretch: by name, one that no other buffer of this card
        has; of a Pattern, from its own sequence number on; with a given state, the next part of one sequence.

        Damage, a missing tail, surplus bytes and a stall are in the result; errors that end the check carry it in
        `so_far`. A stream that falls silent for a quarter of the timeout (two seconds at least) after everything was
        sent has lost its tail. `progress` is called with the bytes verified so far. `digest` verifies each block by
        its CRC-32, `Pattern.verify_digest`: faster where zlib-ng is installed, with the escape that the result's
        `caution` and `escape_probability` say. Once all is back, a stream is listened to for 50 ms more, for bytes
        that were never sent; `more_follows` leaves that to the next check, where they show as damage. Once `enough` is
        set, from any thread, no other block is sent; those under way come back and are verified, and the result is of
        what was sent: its `bytes_expected` may be 0. `damage` keeps of the first wrong blocks what came back, for
        `DamageRecord.to_dict` to examine afterwards.

        `direction` "to_card" or "from_card" has the card's PatternEngine make and compare the pattern of that name,
        for `nbytes` at least; the result's `method` is then "card", and it knows no places. An error is injected
        afterwards, where the card can, to see that its checker counts; `caution` says what is not demonstrated.
        Raises NotOffered without such an engine, BadInput for a pattern that it does not have.
        """
        return self.channels[0].check(
            pattern,
            nbytes,
            block=block,
            depth=depth,
            direction=direction,
            digest=digest,
            more_follows=more_follows,
            enough=enough,
            damage=damage,
            timeout=timeout,
            progress=progress,
        )

    def allocate(self, nbytes: int) -> Region:
        """Memory that suits the card: its own Regions where it has them, aligned plain memory elsewhere."""
        if nbytes < 1:
            raise BadInput(f"{nbytes} bytes cannot be allocated; give at least 1", uri=self.uri, operation="allocate")
        source = self._card.part(RegionSource)
        if source is None:
            return _PlainRegion(nbytes, self.limits.alignment)
        with PartsCall(self._calls, "allocate", self._parts) as call, in_driver():
            return source.allocate(nbytes, call.begin(CONTROL_TIMEOUT_S))

    # --- link and errors

    def read_link(self, timeout: float = CONTROL_TIMEOUT_S) -> LinkReading:
        """The link at both partners; unavailable, with the reason, where it cannot be seen. May run during traffic."""
        observer = self._card.part(LinkObserver)
        if observer is None:
            why = Unavailable("the card has no LinkObserver; open it with observe=, for example pci:0000:65:00.0")
            return LinkReading(near=why, far=why)
        with PartsCall(self._calls, "read_link", self._parts) as call, in_driver():
            return observer.read_link(call.begin(timeout))

    def read_errors(self, timeout: float = CONTROL_TIMEOUT_S) -> ErrorReading:
        """Error counts at both partners; unavailable, with the reason, where they cannot be read."""
        observer = self._card.part(ErrorObserver)
        if observer is None:
            why = Unavailable("the card has no ErrorObserver; open it with observe=, for example pci:0000:65:00.0")
            return ErrorReading(near=why, far=why)
        with PartsCall(self._calls, "read_errors", self._parts) as call, in_driver():
            return observer.read_errors(call.begin(timeout))

    def read_conditions(self, timeout: float = CONTROL_TIMEOUT_S) -> Conditions:
        """Lanes and receivers of both partners, temperatures, host errors; unavailable where they cannot be read."""
        observer = self._card.part(ConditionObserver)
        if observer is None:
            why = Unavailable("the card has no ConditionObserver; open it with observe=, for example pci:0000:65:00.0")
            return Conditions(near=why, far=why, sensors=why, memory_errors=why, iommu_faults=why, reported=why)
        with PartsCall(self._calls, "read_conditions", self._parts) as call, in_driver():
            return observer.read_conditions(call.begin(timeout))

    # --- faults

    def interrupt(self) -> None:
        """End every call under way at once, from any thread; each raises Interrupted."""
        self._calls.interrupt()

    def recover(self, timeout: float = CONTROL_TIMEOUT_S) -> Recovery:
        """Bring every channel back in step: by a data reset, else by draining, else by connecting anew.

        Raises EndpointBusy while a call is under way, and CannotOpen where the card does not come back; recovery may
        then be tried again.
        """
        started_s = self.clock.now_s()
        how: Literal["reset", "drained", "reconnected"] = "drained"
        discarded = 0
        with self._alone("recover") as call:
            deadline = call.begin(timeout)
            try:
                part = self._card.part(Resettable)
                if part is not None and ResetLevel.DATA in part.levels:
                    how = "reset"
                    with in_driver():
                        part.reset(ResetLevel.DATA, deadline)
                for channel in self.channels:
                    discarded += channel.drain(deadline)
            except (DeviceLost, DriverFault, EndpointClosed):  # closed: an earlier recovery got no further than that
                how = "reconnected"
                self._reconnect(deadline)
            for channel in self.channels:
                channel.in_step = True
        return Recovery(how=how, discarded_bytes=discarded, seconds=max(0.0, self.clock.now_s() - started_s))

    def reconnect(self, timeout: float = OPEN_TIMEOUT_S) -> None:
        """Close the card and connect to it anew, as one that was lost needs; every channel is then in step.

        Raises EndpointBusy while a call is under way, and as `open` does; it may then be tried again.
        """
        with self._alone("reconnect") as call:
            self._reconnect(call.begin(timeout))
            for channel in self.channels:
                channel.in_step = True

    def reset(self, level: ResetLevel, timeout: float = CONTROL_TIMEOUT_S) -> None:
        """Reset the card. The errors that a link reset causes are yours to exclude. Raises NotOffered, EndpointBusy."""
        part = self._card.part(Resettable)
        if part is None or level not in part.levels:
            offered = ", ".join(f"ResetLevel.{one.name}" for one in sorted(part.levels)) if part is not None else "none"
            said = f"the card has no Resettable at level {level!r}; offered: {offered}"
            raise NotOffered(said, uri=self.uri, operation="reset")
        with self._alone("reset") as call, in_driver():
            part.reset(level, call.begin(timeout))

    def retrain(self, timeout: float = CONTROL_TIMEOUT_S) -> Retraining:
        """Have the near port retrain the link: this writes a register there. Raises NotOffered, EndpointBusy."""
        part = self._card.part(LinkTrainer)
        if part is None:
            raise NotOffered("the card has no LinkTrainer; open it with observe=", uri=self.uri, operation="retrain")
        with self._alone("retrain") as call, in_driver():
            return part.retrain(call.begin(timeout))

    def margining(self) -> Margining:
        """What margins the receivers of the link; its calls write registers at both ends. Raises NotOffered."""
        part = self._card.part(LaneMargining)
        if part is None:
            said = "the card has no LaneMargining; open it with observe="
            raise NotOffered(said, uri=self.uri, operation="margining")
        return Margining(part, self._alone)

    def close(self) -> None:
        """End calls under way and give the card back. May be called twice, and from any thread."""
        # A descriptor closed under a call could be another file's by the time that the call uses it.
        if self._calls.close(_RETURN_GRACE_S):
            with named(self.uri, "close"), in_driver():
                self._card.close()

    def __enter__(self) -> Endpoint:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"<Endpoint {self.uri}{' closed' if self._calls.closed else ''}>"

    def _alone(self, name: str) -> Call:
        """A call beside which there is no other, on any channel."""
        return Call(self._calls, name, tuple(turn for channel in self.channels for turn in channel.turns))

    def _reconnect(self, deadline: Deadline) -> None:
        with in_driver():
            self._card.close()
        self._card = self._connect(deadline)
        if self._calls.closed:
            self._card.close()
            raise EndpointClosed("the endpoint was closed while it reconnected")
        fresh = {channel.name: channel for channel in self._card.channels}
        if [channel.name for channel in self.channels] != list(fresh):
            raise DriverFault(f"the card came back with other channels: {', '.join(fresh)}")
        if self._card.simulated != self._simulated:
            raise DriverFault("a real card came back in place of a simulated one, or the reverse; open it anew")
        self._calls.clock = self._card.clock
        for channel in self.channels:
            channel.replace(fresh[channel.name])

    def _region(self, nbytes: int, deadline: Deadline) -> Region:
        """Memory of the card's own for a check that is under way, on any channel."""
        source = self._card.part(RegionSource)
        if source is None:
            raise DriverFault("the card came back without its RegionSource")
        with self._parts:
            return source.allocate(nbytes, deadline)

    def _pattern_engine(self) -> CardEngine | None:
        """The card's own engine, for a check in one direction on any channel."""
        engine = self._card.part(PatternEngine)
        if engine is None:
            return None
        return CardEngine(engine, self._card.part(ErrorInjector), self._parts)

    def _link_evidence(self) -> str:
        """What the near port shows of a lost card: a sentence, or nothing."""
        observer = self._card.part(LinkObserver)
        if observer is None:
            return ""
        if not self._parts.acquire(timeout=CONTROL_TIMEOUT_S):
            return ""
        try:
            with Deadline(CONTROL_TIMEOUT_S, self.clock) as deadline:
                return near_shows_down(observer, deadline)
        finally:
            self._parts.release()


class _PlainRegion(Region):
    """Ordinary memory at the alignment that the card asks for."""

    def __init__(self, nbytes: int, alignment: int) -> None:
        self.view = aligned(nbytes, alignment)

    def close(self) -> None:
        self.view.release()
