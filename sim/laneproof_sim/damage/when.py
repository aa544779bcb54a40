"""On which messages a fault acts: its `when` table, and the occasion that is held against it. Nothing else."""

from __future__ import annotations

from typing import ClassVar

from attrs import fields, frozen

from laneproof.documents import Seconds
from laneproof.errors import BadInput
from laneproof_sim.chance import generator
from laneproof_sim.quantities import ByteCount, Celsius, Depth, Nth, Probability


@frozen(kw_only=True)
class Occasion:
    """What is known of a message when a fault may act on it; `number` counts from 1, `passed` the bytes before it.

    `address` is that of the host's buffer, `depth` how many transfers are out at once, this one among them, `celsius`
    the card's temperature where its slot declares one. Everything is counted from power-on.
    """

    number: int
    passed: int
    at_s: float
    size: int
    address: int
    depth: int
    celsius: float | None = None


@frozen(kw_only=True)
class When:
    """Conditions, all of which must hold. Sizes and addresses are of the host's buffer that the fault acts on."""

    after: ByteCount | None = None
    """Bytes through the card since power-on."""
    at: Seconds | None = None
    """Virtual time since power-on, from which on."""
    probability: Probability | None = None
    """Of each message that meets the other conditions, by itself."""
    every: Nth | None = None
    """Every so many messages, counted from power-on."""
    size_from: ByteCount | None = None
    size_below: ByteCount | None = None
    size_not_multiple_of: ByteCount | None = None
    address_not_multiple_of: ByteCount | None = None
    queue_depth_from: Depth | None = None
    """Transfers that are out at once."""
    temperature_above: Celsius | None = None
    """Degrees that the card is above; only where its slot declares its temperature."""

    def __attrs_post_init__(self) -> None:
        if all(getattr(self, one.name) is None for one in fields(When)):
            raise BadInput("holds no condition; give one, or leave when out for a fault that is always there")
        if self.size_from is not None and self.size_below is not None and self.size_from >= self.size_below:
            raise BadInput("no size is from size_from on and below size_below; make size_below the larger")

    def holds(self, occasion: Occasion, *purpose: object) -> bool:
        """Whether a fault acts on this occasion; `purpose` keys the chance, the message's number is added."""
        return (
            (self.after is None or occasion.passed >= self.after)
            and (self.at is None or occasion.at_s >= self.at)
            and (self.every is None or occasion.number % self.every == 0)
            and (self.size_from is None or occasion.size >= self.size_from)
            and (self.size_below is None or occasion.size < self.size_below)
            and (self.size_not_multiple_of is None or occasion.size % self.size_not_multiple_of != 0)
            and (self.address_not_multiple_of is None or occasion.address % self.address_not_multiple_of != 0)
            and (self.queue_depth_from is None or occasion.depth >= self.queue_depth_from)
            and (
                self.temperature_above is None
                or (occasion.celsius is not None and occasion.celsius > self.temperature_above)
            )
            and (
                self.probability is None
                or bool(generator(*purpose, "when", occasion.number).random() < self.probability)
            )
        )


@frozen(kw_only=True)
class Conditional:
    """What the faults of a card that is there have in common."""

    kind: ClassVar[str]
    """As `[[slot.fault]]` names it."""
    cause: ClassVar[str]
    """In the field."""
    seen: ClassVar[str]
    """What is seen, and where."""
    steps: ClassVar[tuple[str, ...]] = ("integrity", "throughput", "soak")
    """Kinds of step that can see it; the others cannot."""

    when: When | None = None

    def acts(self, occasion: Occasion, *purpose: object) -> bool:
        """Whether this fault acts on that occasion."""
        return self.when is None or self.when.holds(occasion, *purpose)
