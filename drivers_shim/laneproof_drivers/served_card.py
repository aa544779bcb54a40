"""One open card, put behind frames: does what `framing.card_side` says is asked, with the card's own paths and parts.

All that is answered is one thread's; only the channels have threads that wait for the card, in `served_channel`. Who
connects, and how bytes reach here, is `serve`'s business.
"""

from __future__ import annotations

import queue
from collections.abc import Callable
from contextlib import suppress

from attrs import evolve

from laneproof.clock import Deadline
from laneproof.contract import (
    Card,
    Channel,
    ConditionObserver,
    Driver,
    ErrorObserver,
    IdentitySource,
    LinkObserver,
    PatternEngine,
    QueuedPath,
    RegionSource,
    ResetLevel,
    Resettable,
    WindowPath,
)
from laneproof.documents import printable
from laneproof.errors import DeviceLost, NotOffered
from laneproof.readings import Component, Identity
from laneproof_drivers.framing.card_side import Asked, CardSide, Greeted, Transfer
from laneproof_drivers.framing.frame import MOST_PAYLOAD
from laneproof_drivers.framing.messages import (
    MOST_CHANNELS,
    ChannelOffer,
    Kind,
    Offer,
    What,
    Why,
    packed_identity,
)
from laneproof_drivers.framing.more_of_the_card import packed_caveats
from laneproof_drivers.framing.readings_on_the_wire import packed_errors, packed_link
from laneproof_drivers.served_channel import CONTROL_S, Ended, Served, ServedQueue, ServedStream
from laneproof_drivers.served_engine import ServedEngine
from laneproof_drivers.window_stream import WindowStream

WINDOW = 1 << 20
"""Bytes of DATA that a channel has room for beyond what it has taken."""
_NOMINAL_BYTES_PER_S = 4e6
"""What frames in Python keep up with on a busy computer; default timeouts follow from it, whatever the card could."""
_MOST_TRANSFER = 1 << 20
_MOST_DEPTH = 16


def left_out(card: Card) -> str:
    """What a host will not have of a card, in a sentence, or nothing."""
    parts = {
        ConditionObserver: "conditions (lanes, sensors, host)",
        RegionSource: "memory of its own",
    }
    gone = [words for kind, words in parts.items() if card.part(kind) is not None]
    if any(isinstance(channel.path, WindowPath) for channel in card.channels):
        gone.append("its window as such, which hosts see as a stream that echoes")
    if len(card.channels) > MOST_CHANNELS:
        gone.append(f"channels beyond {MOST_CHANNELS}")
    return f"not passed on: {', '.join(gone)}" if gone else ""


class ServedCard:
    """A card behind frames, which `driver` has opened as `uri`.

    `wake` is called from other threads when there is something to send.
    """

    def __init__(self, card: Card, uri: str, driver: Driver, token: bytes, wake: Callable[[], object]) -> None:
        self._card = card
        self._uri = uri
        self._caveats = (*driver.caveats, *card.caveats)
        self._wake = wake
        self._ended: queue.SimpleQueue[Ended] = queue.SimpleQueue()
        channels = card.channels[:MOST_CHANNELS]
        resets = card.part(Resettable)
        engine = card.part(PatternEngine)
        self._engine = None if engine is None else ServedEngine(card, engine)
        self.side = CardSide(
            Offer(
                MOST_PAYLOAD,
                tuple(map(_offer, channels)),
                self._identity(),
                card.part(LinkObserver) is not None,
                card.part(ErrorObserver) is not None,
                () if resets is None else tuple(map(int, resets.levels)),
                simulated=not driver.physical or card.simulated,
                caveats=bool(self._caveats),
                patterns=engine is not None,
            ),
            token,
        )
        self._channels = [self._served(number, channel) for number, channel in enumerate(channels)]

    def take(self, data: bytes) -> None:
        """Do what these bytes ask for."""
        for asked in self.side.take(data):
            if isinstance(asked, Transfer):
                try:
                    self._channels[asked.channel].submit(asked)
                except Exception as error:  # as above
                    self._failed(asked.channel, error)
            elif isinstance(asked, Greeted):
                self._begin_anew()
            else:
                self._answer(asked)

    def settle(self) -> None:
        """Take in what the card has ended."""
        with suppress(queue.Empty):
            while True:
                ended = self._ended.get_nowait()
                if ended.round != self._channels[ended.channel].round:
                    continue
                if ended.done is not None:
                    self.side.complete(ended.channel, ended.done, ended.data)
                elif ended.error is not None:
                    self._failed(ended.channel, ended.error)

    def close(self) -> None:
        for channel in self._channels:
            channel.close()
        self._card.close()

    def _served(self, number: int, channel: Channel) -> Served:
        def post(ended: Ended) -> None:
            self._ended.put(ended)
            self._wake()

        path = channel.path
        if isinstance(path, QueuedPath):
            return ServedQueue(number, path, self._card.clock, post)
        return ServedStream(
            number,
            WindowStream(path, channel.limits.granularity) if isinstance(path, WindowPath) else path,
            self._card.clock,
            post,
            full_duplex=_duplex(channel),
            started=lambda: self.side.started(number),
        )

    def _answer(self, asked: Asked) -> None:
        try:
            payload = self._do(asked)
        except Exception as error:  # as above
            code = Why.NOT_OFFERED if isinstance(error, NotOffered) else _code(error)
            self.side.refuse(asked, code, printable(str(error)))
        else:
            self.side.answer(asked, payload)

    def _do(self, asked: Asked) -> bytes:
        if asked.kind == Kind.STOP:
            self._channels[asked.channel].stop()
            return b""
        if asked.order is not None:
            if self._engine is None:
                raise NotOffered("the card has no PatternEngine")
            return self._engine.do(asked.order, asked.channel)
        with Deadline(CONTROL_S, self._card.clock) as deadline:
            if asked.kind == Kind.RESET:
                resets = self._card.part(Resettable)
                if resets is None or asked.value not in map(int, resets.levels):
                    raise NotOffered(f"the card has no reset of level {asked.value}")
                for channel in self._channels:
                    channel.stop()
                resets.reset(ResetLevel(asked.value), deadline)
                return b""
            if asked.value == What.CAVEATS and self._caveats:
                return packed_caveats(self._caveats)
            if asked.value == What.PATTERNS and self._engine is not None:
                return self._engine.patterns.packed()
            if asked.value == What.IDENTITY:
                return packed_identity(self._identity())
            if asked.value == What.LINK and (link := self._card.part(LinkObserver)) is not None:
                return packed_link(link.read_link(deadline))
            if asked.value == What.ERRORS and (errors := self._card.part(ErrorObserver)) is not None:
                return packed_errors(errors.read_errors(deadline))
        raise NotOffered(f"the card has nothing to read of number {asked.value}")

    def _identity(self) -> Identity:
        """The card's own, and what a host should know of where it comes from."""
        source = self._card.part(IdentitySource)
        if source is None:
            identity = Identity(model=f"a card behind {self._uri}")
        else:
            with Deadline(CONTROL_S, self._card.clock) as deadline:
                identity = source.read_identity(deadline)
        return evolve(identity, components=(*identity.components, Component("served from", self._uri)))

    def _begin_anew(self) -> None:
        """Nothing of before a HELLO may come back after it; how else than by a reset, the card's driver knows."""
        resets = self._card.part(Resettable)
        try:
            if self._engine is not None:
                self._engine.rest()
            for channel in self._channels:
                channel.stop()
            if resets is not None and ResetLevel.DATA in resets.levels:
                with Deadline(CONTROL_S, self._card.clock) as deadline:
                    resets.reset(ResetLevel.DATA, deadline)
        except Exception as error:  # as above
            for number in range(len(self._channels)):
                self._failed(number, error)

    def _failed(self, channel: int, error: Exception) -> None:
        self.side.fail(channel, _code(error), printable(str(error)) or type(error).__name__)


def _code(error: Exception) -> Why:
    return Why.DEVICE_LOST if isinstance(error, DeviceLost) else Why.FAILED


def _duplex(channel: Channel) -> bool:
    """A window is a stream here that takes turns by itself."""
    return channel.limits.full_duplex or isinstance(channel.path, WindowPath)


def _offer(channel: Channel) -> ChannelOffer:
    limits = channel.limits
    is_queue = isinstance(channel.path, QueuedPath)
    grain = limits.granularity
    most = max(grain, min(limits.max_transfer, _MOST_TRANSFER) // grain * grain)
    depth = min(limits.queue_depth, _MOST_DEPTH) if is_queue else 4
    duplex = _duplex(channel)
    if not duplex:
        # A host that has one small ticket out at a time takes turns by itself.
        most, depth = max(grain, min(most, limits.fifo_depth or most) // grain * grain), 1
    # A ticket ends, whatever is behind it, so a transfer comes back as one unit.
    return ChannelOffer(
        printable(channel.name),
        evolve(
            limits,
            max_transfer=most,
            queue_depth=depth,
            full_duplex=duplex,
            alignment=1,
            boundary="message",
            nominal_bytes_per_s=min(limits.nominal_bytes_per_s, _NOMINAL_BYTES_PER_S),
        ),
        WINDOW,
    )
