"""A card as the contract has it, behind frames: HELLO, its channels, and the parts that it says it has.

How it is reached is its carrier's business.
"""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from attrs import evolve

from laneproof.clock import Deadline
from laneproof.contract import (
    Card,
    Channel,
    Completion,
    ErrorInjector,
    ErrorObserver,
    IdentitySource,
    Limits,
    LinkObserver,
    Part,
    PatternCount,
    PatternEngine,
    QueuedPath,
    ResetLevel,
    Resettable,
)
from laneproof.errors import BadInput, CannotOpen, DeviceLost, DriverFault, NotOffered
from laneproof.readings import ErrorReading, Identity, LinkReading
from laneproof_drivers.framing.carrier import Carrier
from laneproof_drivers.framing.host_side import HostSide, as_error
from laneproof_drivers.framing.link import FramedLink
from laneproof_drivers.framing.messages import CARD, MOST_TOKEN, Kind, Malformed, Offer, What, read_identity
from laneproof_drivers.framing.more_of_the_card import (
    DIRECTIONS,
    Engine,
    PatternOrder,
    Patterns,
    read_caveats,
    read_count,
)
from laneproof_drivers.framing.readings_on_the_wire import read_errors, read_link

HELLO_REPEAT_S = 0.5
"""A card may still be starting when its port is opened."""


def open_framed(carrier: Carrier, deadline: Deadline, token: bytes = b"") -> Card:
    """Say HELLO over a carrier, and return the card that answers; the carrier is closed with it, or on failure.

    Raises CannotOpen where nobody answers, or not as the specification has it.
    """
    try:
        side = HostSide(secrets.randbelow(1 << 31) + 1, carrier.window, token)
        link = FramedLink(carrier, side)
        offer = _hello(link, deadline)
        channels = tuple(
            Channel(name=channel.name, path=FramedPath(link, number), limits=_carried(channel.limits, carrier))
            for number, channel in enumerate(offer.channels)
        )
        return Card(
            channels=channels,
            close=carrier.close,
            parts=_parts(link, offer, _patterns(link, offer, deadline)),
            simulated=offer.simulated,
            caveats=_caveats(link, offer, deadline),
        )
    except DeviceLost as lost:
        carrier.close()
        raise CannotOpen(str(lost)) from lost
    except Malformed as error:
        carrier.close()
        raise CannotOpen(f"what the card says of itself makes no sense: {error}") from None
    except BaseException:
        carrier.close()
        raise


def _carried(limits: Limits, carrier: Carrier) -> Limits:
    most = limits.nominal_bytes_per_s if carrier.bytes_per_s is None else carrier.bytes_per_s
    return evolve(limits, nominal_bytes_per_s=min(limits.nominal_bytes_per_s, most), carrier=carrier.medium)


def _hello(link: FramedLink, deadline: Deadline) -> Offer:
    side, name = link.side, link.carrier.name

    def met() -> bool | None:
        if side.echoed:
            raise CannotOpen(
                f"{name} gives back what is sent without reading it: a loopback plug, or a card in another mode; "
                "a card that echoes bytes and not frames is opened as chardev:PATH"
            )
        return side.answer(side.hello) is not None or None

    if link.until(met, deadline, lambda: side.ask_again(side.hello), HELLO_REPEAT_S) is None:
        heard = f"{side.strange} bytes came that are no frames" if side.strange else "nothing came"
        raise CannotOpen(
            f"no card answers at {name}: {heard}; see that its firmware speaks frames (laneproof guide frames), and at "
            "this speed"
        )
    if side.offer is None:
        frame = side.answer(side.hello)
        assert frame is not None
        refusal = as_error(frame.payload)
        raise refusal if isinstance(refusal, CannotOpen) else CannotOpen(str(refusal))
    side.forget(side.hello)
    return side.offer


def _caveats(link: FramedLink, offer: Offer, deadline: Deadline) -> tuple[str, ...]:
    """What the card says, below what is true of every simulated card behind frames, whatever it says."""
    said = read_caveats(_more(link, What.CAVEATS, deadline)) if offer.caveats else ()
    if not offer.simulated:
        return said
    medium = link.carrier.medium
    return (
        f"The card behind {medium} is simulated, as it says itself: what is measured here is measured on simulated "
        f"faults, and is no real card's. Times and rates are those of {medium} and of the computers at its ends; the "
        "simulated time is not seen.",
        *said,
    )


def _patterns(link: FramedLink, offer: Offer, deadline: Deadline) -> Patterns | None:
    return Patterns.read(_more(link, What.PATTERNS, deadline)) if offer.patterns else None


def _more(link: FramedLink, what: What, deadline: Deadline) -> bytes:
    """What HELLO says that there is to READ."""
    try:
        return link.ask(Kind.READ, bytes((what,)), deadline).payload
    except (DriverFault, NotOffered) as error:
        raise CannotOpen(f"{link.carrier.name} announces {what.name.lower()} and does not give them: {error}") from None


class FramedPath(QueuedPath):
    """The tickets of one channel."""

    def __init__(self, link: FramedLink, channel: int) -> None:
        self._link = link
        self._channel = channel

    def submit(self, ticket: int, out: memoryview | None, into: memoryview | None) -> None:
        self._link.submit(self._channel, ticket, out, into)

    def reap(self, deadline: Deadline) -> Sequence[Completion]:
        side, channel = self._link.side, self._channel
        # Nothing comes of asking while nothing is out; a submit of another thread may be about to change that.
        idle = lambda: side.count(channel) if side.outstanding(channel) else None  # noqa: E731
        return self._link.until(lambda: side.completions(channel) or None, deadline, idle) or ()

    def quiesce(self, deadline: Deadline) -> Sequence[Completion]:
        link = self._link
        with link.changed:
            number = link.side.stop(self._channel)
        link.request(number, deadline)
        with link.changed:
            return link.side.stopped(self._channel)


def _parts(link: FramedLink, offer: Offer, patterns: Patterns | None) -> tuple[Part, ...]:
    parts: list[Part] = [_Identity(link)]
    if offer.link:
        parts.append(_Link(link))
    if offer.errors:
        parts.append(_Errors(link))
    if offer.resets:
        parts.append(_Resets(link, tuple(map(ResetLevel, offer.resets))))
    if patterns is not None:
        names = tuple(channel.name for channel in offer.channels)
        engine = _InjectingEngine if patterns.injects else _Engine
        parts.append(engine(link, names, patterns.names))
    return tuple(parts)


class _Reads:
    def __init__(self, link: FramedLink) -> None:
        self._link = link

    def _read(self, what: What, deadline: Deadline) -> bytes:
        return self._link.ask(Kind.READ, bytes((what,)), deadline).payload


class _Identity(_Reads, IdentitySource):
    def read_identity(self, deadline: Deadline) -> Identity:
        try:
            return read_identity(self._read(What.IDENTITY, deadline))
        except Malformed as error:
            raise DriverFault(f"the card's identity makes no sense: {error}") from None


class _Link(_Reads, LinkObserver):
    def read_link(self, deadline: Deadline) -> LinkReading:
        try:
            return read_link(self._read(What.LINK, deadline))
        except Malformed as error:
            raise DriverFault(f"the card's reading of its link makes no sense: {error}") from None


class _Errors(_Reads, ErrorObserver):
    def read_errors(self, deadline: Deadline) -> ErrorReading:
        try:
            return read_errors(self._read(What.ERRORS, deadline))
        except Malformed as error:
            raise DriverFault(f"the card's error counts make no sense: {error}") from None


class _Resets(Resettable):
    def __init__(self, link: FramedLink, levels: tuple[ResetLevel, ...]) -> None:
        self._link = link
        self.levels = levels

    def reset(self, level: ResetLevel, deadline: Deadline) -> None:
        self._link.ask(Kind.RESET, bytes((level,)), deadline)
        with self._link.changed:
            self._link.side.begin_all()


class _Engine(PatternEngine):
    """`channels` are their names, in order."""

    def __init__(self, link: FramedLink, channels: Sequence[str], patterns: tuple[str, ...]) -> None:
        self._link = link
        self._channels = channels
        self.patterns = patterns

    def start(self, channel: str, direction: Literal["to_card", "from_card"], pattern: str, deadline: Deadline) -> None:
        order = PatternOrder(Engine.START, DIRECTIONS.index(direction), pattern)
        self._order(order, deadline, self._channels.index(channel))

    def read(self, deadline: Deadline) -> PatternCount:
        try:
            return read_count(self._order(PatternOrder(Engine.COUNT), deadline))
        except Malformed as error:
            raise DriverFault(f"what the card's checker has counted makes no sense: {error}") from None

    def stop(self, deadline: Deadline) -> None:
        self._order(PatternOrder(Engine.STOP), deadline)

    def _order(self, order: PatternOrder, deadline: Deadline, channel: int = CARD) -> bytes:
        return self._link.ask(Kind.PATTERN, order.packed(), deadline, channel).payload


class _InjectingEngine(_Engine, ErrorInjector):
    def inject(self, bits: int, deadline: Deadline) -> None:
        self._order(PatternOrder(Engine.INJECT, bits=bits), deadline)


def read_token(path: str) -> bytes:
    """The token in a file, for a server that asks for one; none where no file is named. Raises BadInput."""
    if not path:
        return b""
    try:
        with Path(path).open("rb") as file:
            token = file.read(300).strip()
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else error
        raise BadInput(f"token_file {path}: {why}; name a file that holds the server's token") from None
    if not 1 <= len(token) <= MOST_TOKEN:
        raise BadInput(f"token_file {path}: a token has 1 to {MOST_TOKEN} bytes; make one of another length")
    return token
