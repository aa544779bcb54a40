"""What a run left on record of one endpoint, gathered for the signs to look at: damaged blocks, steps, error counts.

Nothing is judged here. A ledger comes from outside: what is not as it should be is left out, and counted.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any, cast

from attrs import field, frozen

from laneproof.campaign.results import EndpointResult, StepResult
from laneproof.integrity.damage import MAX_EXAMINED, MAX_RANGES

NEAR = 2
"""Bytes by which a range of wrong data may seem shorter at either end than it is: one byte of old data in 256 happens
to be the right one."""
LARGE_BYTES = 8192
"""Blocks from which on a damaged page, line or tail is told from a block that is damaged as a whole."""
LEAST_BYTES = 64
"""Blocks below are too short to tell anything by."""
MADE_OF_PLACES = ("prbs", "tagged", "counter")
"""Patterns in which data show where they came from. In a fixed one they do not."""


@frozen(kw_only=True)
class Range:
    """Wrong bytes `start` to `stop` - 1 of a block, all of one origin, as `laneproof.integrity.damage` records them.

    `sequence_delta` and `position_delta` say from which buffer and how far from their own place they came; None where
    no buffer is known to have held them. `own` is whether that was this slot and channel.
    """

    start: int
    stop: int
    kind: str
    wrong_bytes: int
    sequence_delta: int | None = None
    position_delta: int | None = None

    @property
    def nbytes(self) -> int:
        return self.stop - self.start


@frozen(kw_only=True)
class Block:
    """One examined transfer of `nbytes`, the `number`th of its check, of whose wrong ranges these are listed.

    `seen` is how many of its bytes were examined, from the first on where `from_start`.
    """

    step: int
    number: int
    nbytes: int
    wrong_bytes: int
    seen: int
    from_start: bool
    ranges: tuple[Range, ...]

    def whole(self, one: Range) -> bool:
        """Whether a range is all of it, as far as it was examined."""
        return one.start <= NEAR and one.stop >= min(self.nbytes, self.seen) - NEAR

    def ends(self, one: Range) -> bool:
        """Whether a range goes on to its last byte."""
        return one.stop >= self.nbytes - NEAR


@frozen(kw_only=True)
class Damage:
    """What one step's record of damage holds beside its blocks."""

    step: int
    pattern: str
    blocks: tuple[Block, ...]
    blocks_damaged: int
    zero_to_one: int
    one_to_zero: int
    wrong_dwords: int
    bit_of_dword: tuple[int, ...]
    byte_of_64: tuple[int, ...]
    masks: tuple[tuple[int, int], ...]

    @property
    def tells_places(self) -> bool:
        return self.pattern.startswith(MADE_OF_PLACES)


@frozen(kw_only=True)
class Evidence:
    """All that is on record of an endpoint, in the form in which signs want it."""

    endpoint: EndpointResult
    damage: tuple[Damage, ...]
    unreadable: int = 0
    """Records of damage that were not as they should be."""
    packets: frozenset[int] = frozenset()
    """Bytes of the largest payload, read request and completion on the way to the card, as far as its link shows."""
    beside: tuple[tuple[bool, bool], ...] | None = None
    """Of the other slots below the same switch, whether each moved data, and whether bits came back wrong on it."""
    blocks: tuple[Block, ...] = field(init=False)
    """The damaged blocks by which the kind of damage is told: the large ones, where there are any."""

    def __attrs_post_init__(self) -> None:
        usable = [block for one in self.damage if one.tells_places for block in one.blocks]
        large = [block for block in usable if block.nbytes >= LARGE_BYTES]
        kept = large or [block for block in usable if block.nbytes >= LEAST_BYTES]
        object.__setattr__(self, "blocks", tuple(kept))

    @property
    def steps(self) -> tuple[StepResult, ...]:
        return self.endpoint.steps

    def counts(self, *ends: str) -> Iterator[tuple[str, str, int]]:
        """End, name and number of each error that was counted in some step, at those ends or both."""
        for step in self.steps:
            for end in ends or ("near", "far"):
                counted = step.errors.get(end)
                for severity in ("correctable", "nonfatal", "fatal"):
                    for name, count in as_mapping(as_mapping(counted).get(severity)).items():
                        number = as_mapping(count).get("n")
                        if isinstance(number, int) and number > 0:
                            yield end, name, number

    def readable(self, end: str) -> bool:
        """Whether errors at that end could be read, in some step."""
        return any(
            isinstance(step.errors.get(end), Mapping) and "unavailable" not in step.errors[end] for step in self.steps
        )

    def said(self) -> Iterator[str]:
        """Every reason that is on record: the steps', and those beyond."""
        for step in self.steps:
            for reason in step.reasons:
                yield reason.text
        for reason in self.endpoint.reasons:
            yield reason.text

    def changes(self, kind: str) -> Iterator[str]:
        """What changed in the conditions around the steps, of one kind."""
        for step in self.steps:
            for change in cast("Collection[Any]", step.conditions.get("changes") or ()):
                if as_mapping(change).get("kind") == kind:
                    yield str(as_mapping(change).get("text"))

    def events(self, kind: str) -> Iterator[str]:
        for event in self.endpoint.events:
            if event.get("kind") == kind:
                yield str(event.get("text"))


def gather(endpoint: EndpointResult, beside: tuple[tuple[bool, bool], ...] | None = None) -> Evidence:
    """What is on record of an endpoint. Raises nothing."""
    found: list[Damage] = []
    unreadable = 0
    for number, step in enumerate(endpoint.steps):
        plain = step.measures.get("damage")
        if not plain:
            continue
        try:
            found.append(_damage(number, plain))
        except (KeyError, TypeError, ValueError, AttributeError):
            unreadable += 1
    return Evidence(
        endpoint=endpoint,
        damage=tuple(found),
        unreadable=unreadable,
        packets=frozenset(_packets(endpoint)),
        beside=beside,
    )


def as_mapping(value: object) -> Mapping[str, Any]:
    """A table as a ledger holds it; an empty one for what is none."""
    return cast("Mapping[str, Any]", value) if isinstance(value, Mapping) else {}


def links(endpoint: EndpointResult) -> Iterator[Mapping[str, Any]]:
    """Both ends of the card's link and of those above it, as they were when it was opened."""
    link = as_mapping(endpoint.opened.get("link"))
    above = link.get("above")
    for end in (link.get("near"), link.get("far"), *(cast("list[Any]", above) if isinstance(above, list) else ())):
        if isinstance(end, Mapping) and "unavailable" not in end:
            yield as_mapping(cast("object", end))


def _packets(endpoint: EndpointResult) -> Iterator[int]:
    ends = list(links(endpoint))
    payloads = [int(end["max_payload"]) for end in ends if isinstance(end.get("max_payload"), int)]
    if payloads:
        yield min(payloads)
    for end in ends:
        if isinstance(end.get("read_request"), int):
            yield int(end["read_request"])


def _damage(step: int, plain: Any) -> Damage:
    blocks = tuple(_block(step, block) for block in plain["blocks"][:MAX_EXAMINED])
    return Damage(
        step=step,
        pattern=str(plain["pattern"]),
        blocks=blocks,
        blocks_damaged=int(plain["blocks_damaged"]),
        zero_to_one=int(plain["zero_to_one"]),
        one_to_zero=int(plain["one_to_zero"]),
        wrong_dwords=int(plain["wrong_dwords"]),
        bit_of_dword=tuple(int(count) for count in plain["bit_of_dword"]),
        byte_of_64=tuple(int(count) for count in plain["byte_of_64"]),
        masks=tuple((int(mask), int(dwords)) for mask, dwords in plain["masks"]),
    )


def _block(step: int, plain: Any) -> Block:
    first, last = plain["examined"]
    return Block(
        step=step,
        number=int(plain["number"]),
        nbytes=int(plain["received"]),
        wrong_bytes=int(plain["wrong_bytes"]),
        seen=int(last),
        from_start=int(first) == 0,
        ranges=tuple(_range(origin) for origin in plain["origins"][:MAX_RANGES]),
    )


def _range(plain: Any) -> Range:
    source = plain["source"]
    return Range(
        start=int(plain["start"]),
        stop=int(plain["stop"]),
        kind=str(plain["kind"]),
        wrong_bytes=int(plain["wrong_bytes"]),
        sequence_delta=None if source is None else int(source["sequence_delta"]),
        position_delta=None if source is None else int(source["position_delta"]),
    )
