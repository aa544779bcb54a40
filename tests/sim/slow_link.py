"""A second model of one PCI Express link, packet by packet and event by event, to hold the simulator against.

Written from the base specification's rules alone, and slow on purpose: every packet is an object, every wrong bit finds
what is on the wire in its unit interval. `run` takes a `Setting`, the card's work and the wrong bits, and says what
each end saw. It knows no kernel and no sticky flags: every event counts. What an end does is in `slow_port`, time on
the wire in `slow_wire`; here are the card's work, the host's memory and the order of events.

Left out: lack of credits, power states, FLIT mode, hits on training sequences. Propagation is part of the latencies.
"""

from __future__ import annotations

import heapq
import itertools
from collections import Counter, deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from attrs import field, frozen
from slow_port import DUE, SEND, SITE, Port
from slow_wire import Grid, Sent, Tlp

from laneproof.pcie.packets import ack_limit_symbols, replay_timer_symbols

ENDS = ("near", "far")


@frozen(kw_only=True)
class Setting:
    """One link and the latencies around it. What is None is the base specification's limit; SKP intervals its longest.

    `nak_latency_symbols` is from the end of a bad packet to its Nak, `sender_latency_symbols` from the end of an Ack or
    Nak until its receiver acts on it, `host_latency_s` from the end of a read request to its first completion,
    `card_turn_s` from the last byte read of an echo to its first write. `open_items` is how many work items the card
    has in hand at once.
    """

    speed_gtps: float
    width: int
    max_payload: int = 256
    read_request: int = 512
    tags: int = 32
    open_items: int = 4
    ack_latency_symbols: float | None = None
    replay_timer_symbols: float | None = None
    nak_latency_symbols: float = 0
    sender_latency_symbols: float = 0
    host_latency_s: float = 500e-9
    card_turn_s: float = 0.0
    recovery_s: float = 10e-6
    skp_interval: int | None = None


@frozen
class Event:
    """An error reported at an end, by its AER short name."""

    ui: int
    end: str
    name: str


@frozen
class LaneMark:
    """What the receiver at an end lays to one lane: a block that it cannot read, or a mismatch of data parity."""

    ui: int
    end: str
    lane: int
    parity: bool


@frozen(kw_only=True)
class Result:
    """What happened; the mappings have a key for each end. Bytes and packets count at the end that sends them, but
    for what was delivered and the duplicates, which are counted where they arrive. `pieces` are (item, offset, nbytes)
    in the order delivered. `last_s` is when the last piece arrived, since link up.
    """

    events: tuple[Event, ...]
    marks: tuple[LaneMark, ...]
    replays: Mapping[str, int]
    packets_replayed: Mapping[str, int]
    duplicates: Mapping[str, int]
    delivered: Mapping[str, int]
    pieces: Mapping[str, tuple[tuple[int, int, int], ...]]
    wire_nbytes: Mapping[str, int]
    sent: Mapping[str, tuple[Sent, ...]]
    retrains: int
    last_s: float

    def counts(self, end: str) -> dict[str, int]:
        return dict(Counter(event.name for event in self.events if event.end == end))


class Link:
    """Both ends, the card's work at the far one and the host's memory at the near one."""

    def __init__(self, setting: Setting, work: Sequence[tuple[str, int]]) -> None:
        self.setting = setting
        self.grid = grid = Grid(setting.speed_gtps, setting.width)
        kind = (setting.speed_gtps, setting.width, setting.max_payload)
        ack, replay = setting.ack_latency_symbols, setting.replay_timer_symbols
        self.ack_ui = round((ack_limit_symbols(*kind) if ack is None else ack) * grid.symbol_ui)
        self.replay_ui = round((replay_timer_symbols(*kind) if replay is None else replay) * grid.symbol_ui)
        self.nak_ui = round(setting.nak_latency_symbols * grid.symbol_ui)
        self.sender_ui = round(setting.sender_latency_symbols * grid.symbol_ui)
        interval = setting.skp_interval or (375 if grid.blocks else 1538)
        self.skp_positions = interval * setting.width * (16 if grid.blocks else 1)  # from one to the next
        self.now = self.last_ui = self.resume_ui = 0
        self.retrains = 0
        self.events: list[Event] = []
        self.marks: list[LaneMark] = []
        self._heap: list[tuple[int, int, int, Callable[..., None], tuple[Any, ...]]] = []
        self._order = itertools.count()
        self.ports = {name: Port(name, self) for name in ENDS}
        near, far = (self.ports[name] for name in ENDS)
        near.peer, far.peer = far, near
        self._completions: deque[Tlp] = deque()
        near.supply = lambda: self._completions.popleft() if self._completions else None
        near.deliver, far.deliver, far.supply = self._at_host, self._at_card, self._from_card
        self._work = work
        self._waiting = deque(range(len(work)))
        self._open = 0
        self._left = [nbytes for _, nbytes in work]  # of the last stage of each item
        self._to_read = dict.fromkeys((i for i, (what, _) in enumerate(work) if what == "echo"), 0)
        self._requests: deque[Tlp] = deque()
        self._writes: deque[Tlp] = deque()
        self._asked: dict[tuple[int, int], int] = {}  # bytes of each request out that have not come

    def seconds(self, ui: float) -> float:
        return ui / (self.setting.speed_gtps * 1e9)

    def ui(self, seconds: float) -> int:
        return round(seconds * self.setting.speed_gtps * 1e9)

    def at(self, ui: int, order: int, do: Callable[..., None], *arguments: Any) -> None:
        heapq.heappush(self._heap, (max(ui, self.now), order, next(self._order), do, arguments))

    def running_ui(self) -> int:
        """Now, or the end of Recovery for clocks that stand still until then."""
        return max(self.now, self.resume_ui)

    def report(self, port: Port, name: str) -> None:
        self.events.append(Event(self.now, port.name, name))

    def mark(self, port: Port, lane: int, *, parity: bool) -> None:
        self.marks.append(LaneMark(self.now, port.name, lane, parity))

    def recover(self, deaf: Port | None) -> None:
        """Both directions stop; what `deaf` sends is not understood from now on. Nothing is new in Recovery already."""
        if self.now < self.resume_ui:
            return
        self.retrains += 1
        self.resume_ui = self.now + self.ui(self.setting.recovery_s)
        for port in self.ports.values():
            port.pause(self.resume_ui, port is deaf)

    # The card's work and the host's memory

    def _start_items(self) -> None:
        while self._waiting and self._open < self.setting.open_items:
            item = self._waiting.popleft()
            self._open += 1
            what, nbytes = self._work[item]
            if what == "write":
                self._writes.extend(_pieces("MWr", item, 0, nbytes, self.setting.max_payload))
            else:
                self._requests.extend(_pieces("MRd", item, 0, nbytes, self.setting.read_request))
        self.ports["far"].kick()

    def _from_card(self) -> Tlp | None:
        if self._requests and len(self._asked) < self.setting.tags:
            request = self._requests.popleft()
            self._asked[request.item, request.offset] = request.nbytes
            return request
        return self._writes.popleft() if self._writes else None

    def _at_host(self, tlp: Tlp) -> None:
        if tlp.kind == "MWr":
            self._arrived(tlp)
            return
        pieces = _pieces("CplD", tlp.item, tlp.offset, tlp.nbytes, self.setting.max_payload)
        self.at(self.now + self.ui(self.setting.host_latency_s), DUE, self._queue, self._completions, "near", pieces)

    def _at_card(self, tlp: Tlp) -> None:
        request = (tlp.item, tlp.offset - tlp.offset % self.setting.read_request)
        self._asked[request] -= tlp.nbytes
        if not self._asked[request]:
            del self._asked[request]
            self.ports["far"].kick()
        if tlp.item not in self._to_read:
            self._arrived(tlp)
            return
        self._to_read[tlp.item] += tlp.nbytes
        nbytes = self._work[tlp.item][1]
        if self._to_read[tlp.item] == nbytes:
            pieces = _pieces("MWr", tlp.item, 0, nbytes, self.setting.max_payload)
            self.at(self.now + self.ui(self.setting.card_turn_s), DUE, self._queue, self._writes, "far", pieces)

    def _queue(self, queue: deque[Tlp], end: str, pieces: Iterable[Tlp]) -> None:
        queue.extend(pieces)
        self.ports[end].kick()

    def _arrived(self, tlp: Tlp) -> None:
        self._left[tlp.item] -= tlp.nbytes
        if not self._left[tlp.item]:
            self._open -= 1
            self._start_items()

    def run(self, sites: Mapping[str, Mapping[int, Iterable[int]]], until_ui: int, longest_ui: int) -> None:
        for port in self.ports.values():
            self.at(0, SEND, port.kick)
        for end, lanes in sites.items():
            for lane, bits in lanes.items():
                for bit in bits:
                    self.at(bit, SITE, self.ports[end].hit, lane, bit)
        self.at(0, DUE, self._start_items)
        while self._heap and (
            self._heap[0][0] < until_ui or any(self._left) or any(port.retry for port in self.ports.values())
        ):
            self.now, _, _, do, arguments = heapq.heappop(self._heap)
            assert self.now < longest_ui, "the link makes no progress"
            do(*arguments)
        assert not any(self._left), "nothing more happens, and not all has arrived"


def _pieces(kind: str, item: int, start: int, nbytes: int, largest: int) -> list[Tlp]:
    return [Tlp(kind, item, at, min(largest, start + nbytes - at)) for at in range(start, start + nbytes, largest)]


@frozen
class Sites:
    """Wrong bits: for each end that sends, for each lane, the numbers of the bits since link up."""

    near: Mapping[int, Iterable[int]] = field(factory=dict)
    far: Mapping[int, Iterable[int]] = field(factory=dict)


def run(
    setting: Setting,
    work: Sequence[tuple[str, int]],
    sites: Sites = Sites(),
    until_s: float = 0.0,
    longest_s: float = 0.1,
) -> Result:
    """Do the card's `work`, pairs of "write", "read" or "echo" and bytes, and look on until `until_s` at least."""
    link = Link(setting, work)
    link.run({"near": sites.near, "far": sites.far}, link.ui(until_s), link.ui(longest_s))
    ports = link.ports

    def each(of: Callable[[Port], Any]) -> dict[str, Any]:
        return {name: of(port) for name, port in ports.items()}

    return Result(
        events=tuple(link.events),
        marks=tuple(link.marks),
        replays=each(lambda port: port.replays),
        packets_replayed=each(lambda port: port.packets_replayed),
        duplicates=each(lambda port: port.duplicates),
        delivered=each(lambda port: sum(nbytes for _, _, nbytes in port.pieces)),
        pieces=each(lambda port: tuple(port.pieces)),
        wire_nbytes=each(
            lambda port: sum(sent.end - sent.start for sent in port.log if sent.kind not in ("SKP", "EDS"))
        ),
        sent=each(lambda port: tuple(port.log)),
        retrains=link.retrains,
        last_s=link.seconds(link.last_ui),
    )
