"""Many segments at once over a clean link, for the one case in which most bytes move: an echo that nothing disturbs.

The times are those that `engine`, `route` and `line` come to step by step, by the same arithmetic in the same order, so
that nobody can tell which of the two it was. A test holds them together. The rest is left to them: first and last
segments of a transfer, other sizes, errors, faults, tags or room that run out, switches, and cards with more channels.
"""

from __future__ import annotations

from collections import deque

from attrs import define

from laneproof_sim.line import Line
from laneproof_sim.packets import DLLP_NBYTES, Answers, Load


@define(eq=False, kw_only=True)
class CleanLink:
    """A link without errors, and what a segment puts on it; times in seconds."""

    to_card: Line
    from_card: Line
    answers: Answers
    bytes_per_s: float
    requests: Load
    completions: Load
    writes: Load
    request_s: float
    read_s: float
    write_s: float
    read_latency_s: float


@define(eq=False, kw_only=True)
class Flow:
    """Where a channel stands between two segments of transfers that both move already, all of one size.

    Changed in place.
    """

    size: int
    fetches: int
    """So many more may be fetched, and so many written back, before a step that is not to be taken here."""
    writes: int
    room: int
    room_s: float
    freed: deque[tuple[float, int]]
    held: deque[float]
    """When each segment in the card can be written back."""
    card_latency_s: float

    def run(self, link: CleanLink, until_s: float) -> tuple[int, int]:
        """Take all steps that start before `until_s`; return how many segments were fetched and written back."""
        answers, bytes_per_s = link.answers, link.bytes_per_s
        requests, completions, writes = link.requests.count, link.completions.count, link.writes.count
        requests_s = link.requests.nbytes / bytes_per_s
        completions_s, writes_s = link.completions.nbytes / bytes_per_s, link.writes.nbytes / bytes_per_s
        ahead_s = link.read_latency_s + 2 * link.write_s
        last_ahead_s = link.read_s * (1 - 1 / requests)
        size, room, room_s, freed, held = self.size, self.room, self.room_s, self.freed, self.held
        request_s, read_s = link.request_s, link.read_s
        to_card_s, from_card_s = link.to_card.free_s, link.from_card.free_s
        fetches, wrote = self.fetches, 0
        while True:
            while room < size and freed:
                room_s, nbytes = freed.popleft()
                room += nbytes
            fetch_s = max(room_s, from_card_s, to_card_s - ahead_s) if room >= size else until_s
            write_s = max(held[0], from_card_s) if held else until_s
            if fetch_s <= write_s:
                if fetch_s >= until_s or not fetches:
                    break
                start_s = max(fetch_s, from_card_s)
                asked_s = start_s + requests_s
                first_s = max(start_s + request_s, asked_s - last_ahead_s) + link.read_latency_s
                began_s = max(first_s, to_card_s)
                ended_s = began_s + read_s
                answered = answers.due_to_requests(requests, began_s, ended_s) * DLLP_NBYTES / bytes_per_s
                to_card_s = max(start_s, to_card_s) + answered
                answered = answers.due_to_completions(completions, began_s, ended_s) * DLLP_NBYTES / bytes_per_s
                from_card_s = asked_s + answered
                to_card_s = max(first_s, to_card_s) + completions_s
                held.append(to_card_s + self.card_latency_s)
                room -= size
                fetches -= 1
                continue
            if write_s >= until_s or wrote == self.writes:
                break
            start_s = max(write_s, from_card_s)
            from_card_s = start_s + writes_s
            answered = answers.due_to_writes(writes, start_s, from_card_s) * DLLP_NBYTES / bytes_per_s
            to_card_s = max(start_s, to_card_s) + answered
            held.popleft()
            freed.append((from_card_s, size))
            wrote += 1
        self.room, self.room_s = room, room_s
        link.to_card.passed(to_card_s)
        link.from_card.passed(from_card_s)
        return self.fetches - fetches, wrote
