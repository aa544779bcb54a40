"""The way from a root port to a card: one link, or two with a switch between; what a transfer's parts put on each.

A route carries the loads of a card's engine over its hops, and on each hop what that hop's own receivers answer, the
Acks and flow-control updates of its own timing. What a hop does with a load is in `line`, when an engine asks for
what is in `engine`.

A switch forwards packet by packet: the second hop begins one `SWITCH_LATENCY_S` after the first did, and ends no
sooner than that after the first has ended. It has room for all that comes.

A card whose tags run out, or a port with little room for writes, sends less at a time. Packets still travel in one
stretch, at the end of the time that they then take; the line is idle before instead of between them.
"""

from __future__ import annotations

from attrs import frozen

from laneproof_sim.line import Line, LinkFailed
from laneproof_sim.packets import Answers, LinkTiming, Load
from laneproof_sim.scenario import EchoCard
from laneproof_sim.steady import CleanLink
from laneproof_sim.transactions.mishaps import Packets
from laneproof_sim.transactions.packet import Report
from laneproof_sim.transactions.window import Window
from laneproof_sim.working_link import WorkingLink

SWITCH_LATENCY_S = 0.15e-6
"""From a packet's arrival at a switch to its leaving; an assumption."""
_ROOT_COMPLEX = 0x0000
"""Bus, device and function under which the host answers."""


@frozen(kw_only=True)
class _Loads:
    """What a segment puts on one hop, out of the host and back into it, and how long its data take there."""

    requests: Load
    completions: Load
    writes: Load
    request_s: float
    """Of one request."""
    read_s: float
    write_s: float

    @classmethod
    def of(cls, timing: LinkTiming, nbytes: int) -> _Loads:
        requests, completions, writes = timing.requests(nbytes), timing.completions(nbytes), timing.writes(nbytes)
        return cls(
            requests=requests,
            completions=completions,
            writes=writes,
            request_s=requests.nbytes / requests.count / timing.bytes_per_s,
            read_s=completions.nbytes / timing.bytes_per_s,
            write_s=writes.nbytes / timing.bytes_per_s,
        )

    def answered_s(self, start_s: float, asked_s: float) -> float:
        """When answers may begin, but for the host's latency, to requests sent from `start_s` to `asked_s`.

        The first answer follows the first request, the last one the last, and there are no gaps between them.
        """
        return max(start_s + self.request_s, asked_s - self.read_s * (1 - 1 / self.requests.count))


class _Hop:
    """One link of a route, with the loads that the card's requests make on it."""

    _MOST_KEPT = 64

    def __init__(self, link: WorkingLink, asked: tuple[int, int, int], *, shared: bool) -> None:
        self.link = link
        self._shared = shared
        self.to_card, self.from_card = link.to_card, link.from_card
        self._asked = asked
        self._of = link.timing
        self._answers = Answers(self.timing)
        self._loads: dict[int, _Loads] = {}

    @property
    def timing(self) -> LinkTiming:
        """The link's as it runs now, for this card."""
        return self.link.timing.asked_for(*self._asked)

    def loads(self, nbytes: int) -> _Loads:
        """The loads of a segment, as the link runs now."""
        if self.link.timing is not self._of:
            self._of = self.link.timing
            self._answers = Answers(self.timing)
            self._loads.clear()
        found = self._loads.get(nbytes)
        if found is None:
            if len(self._loads) >= self._MOST_KEPT:
                self._loads.clear()
            found = self._loads[nbytes] = _Loads.of(self.timing, nbytes)
        return found

    def carry(self, line: Line, ready_s: float, load: Load) -> tuple[float, float]:
        """Carry over one of the hop's lines; where one above a switch fails, all that is below it is lost."""
        try:
            return line.carry(ready_s, load)
        except LinkFailed as failure:
            if self._shared:
                self.link.fail(failure.at_s)
            raise

    def answer_reads(self, start_s: float, first_s: float, loads: _Loads) -> None:
        """What answers read requests that were sent from `start_s` on, and their completions, from `first_s` on.

        All of it goes early, so as to leave no gap behind.
        """
        first_s = max(first_s, self.to_card.free_s)
        last_s = first_s + loads.read_s
        self.carry(self.to_card, start_s, self._answers.to_requests(loads.requests.count, first_s, last_s))
        self.carry(self.from_card, start_s, self._answers.to_completions(loads.completions.count, first_s, last_s))

    def clean(self, nbytes: int, read_latency_s: float) -> CleanLink | None:
        """The hop for segments of that size, unless something may disturb it."""
        if not self.to_card.clean or not self.from_card.clean or self.link.room_for_writes is not None:
            return None
        loads = self.loads(nbytes)
        return CleanLink(
            to_card=self.to_card,
            from_card=self.from_card,
            answers=self._answers,
            bytes_per_s=self.link.timing.bytes_per_s,
            requests=loads.requests,
            completions=loads.completions,
            writes=loads.writes,
            request_s=loads.request_s,
            read_s=loads.read_s,
            write_s=loads.write_s,
            read_latency_s=read_latency_s,
        )

    def carry_writes(self, ready_s: float, loads: _Loads) -> tuple[float, float]:
        """Carry posted writes as the near end has room for them; return when they start and when they have arrived."""
        room, line, count = self.link.room_for_writes, self.from_card, loads.writes.count
        if room is None:
            return self.carry(line, ready_s, loads.writes)
        # An UpdateFC takes as long as a Nak to come and to be acted on.
        each_s, lag_s = loads.write_s / count, self.link.timing.nak_round_trip_s
        due_s = room.arrival(count, ready_s, line.free_s, each_s=each_s, lag_s=lag_s)
        start_s, end_s = self.carry(line, max(ready_s, due_s - loads.write_s), loads.writes)
        room.delay(count, end_s - due_s)
        return start_s, end_s

    def answer_writes(self, start_s: float, end_s: float, loads: _Loads) -> None:
        """What answers writes that came from `start_s` to `end_s`."""
        self.carry(self.to_card, start_s, self._answers.to_writes(loads.writes.count, start_s, end_s))


class Route:
    """A card directly below its root port."""

    def __init__(self, links: tuple[WorkingLink, ...], card: EchoCard, digest_nbytes: int = 0) -> None:
        """`links` from the root port on; `digest_nbytes` is what each packet carries for an end-to-end CRC."""
        read_request = card.read_request
        self.links = links
        self.completion = min(read_request, links[0].timing.completion)
        """The largest that the host sends this card, in bytes."""
        self._hops = tuple(
            _Hop(link, (read_request, self.completion, digest_nbytes), shared=link is not links[-1]) for link in links
        )
        self._last = self._hops[-1]
        self._read_latency_s = links[0].plan.near.read_latency
        self._card = card
        self._tags = None if card.tags is None else Window(card.tags)

    @staticmethod
    def over(links: tuple[WorkingLink, ...], card: EchoCard, digest_nbytes: int = 0) -> Route:
        """The route over one link or two."""
        kind = Route if len(links) == 1 else SwitchedRoute
        return kind(links, card, digest_nbytes)

    @property
    def echo_bytes_per_s(self) -> float:
        """Payload per second, out and back at once, of transfers so long that nothing else counts, with no others."""
        links = min(hop.timing.echo_bytes_per_s() for hop in self._hops)
        if self._card.tags is None:
            return links
        return min(links, self._card.tags * self._card.read_request / self.round_trip_s)

    @property
    def round_trip_s(self) -> float:
        """From the start of one read request by itself to the end of its completions."""
        hop = self._last
        loads = hop.loads(self._card.read_request)
        return loads.request_s + self._read_latency_s + loads.read_s

    @property
    def packets(self) -> Packets:
        """What this card's packets are like."""
        return Packets(
            payload=self.links[-1].timing.max_payload,
            completion=self.completion,
            read_request=self._card.read_request,
            tags=self._card.tags,
            memory=self._card.fifo,
            requester=self.links[-1].far.function.requester_id,
            completer=_ROOT_COMPLEX,
        )

    def report(self, report: Report) -> None:
        """Tell the partner that sees an error of the transaction layer.

        The near end of a request is the root port, and of a packet that breaks a rule the first port that it meets.
        Poison is seen on its way by a switch too, which passes it on and leaves it to others.
        """
        at_s, end, name, header = report.at_s, report.end, report.name, report.header
        root, own = self.links[0].kernel, self.links[-1].kernel
        seen_by = own if end == "far" or name in ("MalfTLP", "RxOF") else root
        seen_by.note(at_s, end, name, header=header, advisory=report.advisory)
        if name == "PoisonedTLP" and root is not own:
            passed_by, ingress = (root, "far") if end == "far" else (own, "near")
            passed_by.note(at_s, ingress, name, header=header, advisory=True)

    def clean(self, nbytes: int) -> CleanLink | None:
        """Its one link for segments of that size, where nothing can disturb it and nothing run out."""
        return self._last.clean(nbytes, self._read_latency_s) if self._tags is None else None

    def from_card_free_s(self) -> float:
        """When the card can send so that nothing is in the way."""
        return self._last.from_card.free_s

    def ask_from_s(self, nbytes: int) -> float:
        """From when on to ask for a segment.

        That is early enough to follow the one before without a gap, even if writing one back is in the way.
        """
        hop = self._last
        return hop.to_card.free_s - (self._read_latency_s + 2 * hop.loads(nbytes).write_s)

    def fetch(self, ready_s: float, nbytes: int) -> tuple[float, float]:
        """The card fetches a segment, from `ready_s` on; return when it arrives, from and to. Raises LinkFailed."""
        hop = self._last
        loads = hop.loads(nbytes)
        start_s, asked_s = hop.carry(hop.from_card, ready_s, loads.requests)
        first_s = loads.answered_s(start_s, asked_s) + self._read_latency_s
        due_s = self._due_s(ready_s, hop.to_card.free_s, loads, loads.request_s + self._read_latency_s)
        hop.answer_reads(start_s, first_s, loads)
        start_s, end_s = hop.carry(hop.to_card, max(first_s, due_s - loads.read_s), loads.completions)
        self._came(loads, end_s - due_s)
        return start_s, end_s

    def write(self, ready_s: float, nbytes: int, lost_s: float) -> tuple[float, float]:
        """The card writes a segment to the host; return when it arrives, from and to. Raises LinkFailed.

        What would arrive after `lost_s` is not answered: the card has left its link by then.
        """
        hop = self._last
        loads = hop.loads(nbytes)
        start_s, end_s = hop.carry_writes(ready_s, loads)
        if end_s <= lost_s:
            hop.answer_writes(start_s, end_s, loads)
        return start_s, end_s

    def end_fetching(self, at_s: float) -> None:
        """The last packet of a burst towards the card arrived at `at_s`."""
        for hop in self._hops:
            hop.to_card.end_burst(at_s)

    def end_writing(self, at_s: float) -> None:
        """The last packet of a burst from the card arrived at `at_s`."""
        for hop in self._hops:
            hop.from_card.end_burst(at_s)

    def _due_s(self, ready_s: float, free_s: float, loads: _Loads, lead_s: float) -> float:
        """When the last completion is due if each request waits for a tag; 0 where there are enough.

        `lead_s` is what a request takes to its first completion.
        """
        if self._tags is None:
            return 0.0
        count = loads.requests.count
        return self._tags.arrival(count, ready_s, free_s, each_s=loads.read_s / count, lead_s=lead_s)

    def _came(self, loads: _Loads, late_s: float) -> None:
        """The last completion came that much after it was due."""
        if self._tags is not None:
            self._tags.delay(loads.requests.count, late_s)


class SwitchedRoute(Route):
    """A card below a switch: the link above it comes first."""

    def __init__(self, links: tuple[WorkingLink, ...], card: EchoCard, digest_nbytes: int = 0) -> None:
        super().__init__(links, card, digest_nbytes)
        self._first = self._hops[0]

    def clean(self, nbytes: int) -> None:
        return None

    @property
    def round_trip_s(self) -> float:
        above, below = (hop.loads(self._card.read_request) for hop in self._hops)
        return self._lead_s(above, below) + max(above.read_s, below.read_s)

    def from_card_free_s(self) -> float:
        return max(self._last.from_card.free_s, self._first.from_card.free_s - SWITCH_LATENCY_S)

    def ask_from_s(self, nbytes: int) -> float:
        free_s = max(self._first.to_card.free_s, self._last.to_card.free_s - SWITCH_LATENCY_S)
        return free_s - (self._read_latency_s + 2 * max(hop.loads(nbytes).write_s for hop in self._hops))

    def fetch(self, ready_s: float, nbytes: int) -> tuple[float, float]:
        first, last = self._first, self._last
        above, below = first.loads(nbytes), last.loads(nbytes)
        slower = max(above, below, key=lambda loads: loads.read_s)
        start_s, end_s = last.carry(last.from_card, ready_s, below.requests)
        forwarded_s, asked_s = first.carry(first.from_card, start_s + SWITCH_LATENCY_S, above.requests)
        asked_s = max(asked_s, end_s + SWITCH_LATENCY_S)
        first_s = above.answered_s(forwarded_s, asked_s) + self._read_latency_s
        due_s = self._due_s(ready_s, last.to_card.free_s, slower, self._lead_s(above, below))
        last.answer_reads(start_s, first_s + SWITCH_LATENCY_S, below)
        first.answer_reads(forwarded_s, first_s, above)
        begin_s = max(first_s, due_s - slower.read_s - SWITCH_LATENCY_S)
        start_s, passed_s = first.carry(first.to_card, begin_s, above.completions)
        start_s, end_s = last.carry(last.to_card, start_s + SWITCH_LATENCY_S, below.completions)
        end_s = max(end_s, passed_s + SWITCH_LATENCY_S)
        self._came(slower, end_s - due_s)
        return start_s, end_s

    def write(self, ready_s: float, nbytes: int, lost_s: float) -> tuple[float, float]:
        first, last = self._first, self._last
        above, below = first.loads(nbytes), last.loads(nbytes)
        start_s, passed_s = last.carry_writes(ready_s, below)
        forwarded_s, end_s = first.carry_writes(start_s + SWITCH_LATENCY_S, above)
        arrived_s = max(end_s, passed_s + SWITCH_LATENCY_S)
        if arrived_s <= lost_s:
            last.answer_writes(start_s, passed_s, below)
            first.answer_writes(forwarded_s, end_s, above)
        return forwarded_s, arrived_s

    def _lead_s(self, above: _Loads, below: _Loads) -> float:
        return above.request_s + below.request_s + self._read_latency_s + 2 * SWITCH_LATENCY_S
