"""What is on a bench, as frozen values: slots, the root port and card at each link, lanes, error rates, faults.

Values only. Reading them from TOML is in `scenario_file`, what they lead to is computed elsewhere.
"""

from __future__ import annotations

from typing import Literal

from attrs import field, frozen

from laneproof.documents import KEY, Seconds
from laneproof_sim.faults import Fault
from laneproof_sim.quantities import (
    MAX_LANES,
    SPEEDS_GTPS,
    ByteCount,
    Depth,
    LaneNumber,
    LaneRates,
    LaneSpeeds,
    Payload,
    SlotName,
    SpeedGtps,
    Text,
    Width,
)

SCHEMA = 1
"""The number of the format that `scenario_file` reads."""

DEFAULT_PAYLOAD = Payload(256)
DEFAULT_READ_REQUEST = Payload(512)
DEFAULT_FIFO = ByteCount(256 * 1024)
DEFAULT_QUEUE_DEPTH = Depth(16)
DEFAULT_FIRMWARE = Text("1.0")
NO_ERRORS = LaneRates((0.0,) * MAX_LANES)
NO_LIMIT = LaneSpeeds((SPEEDS_GTPS[-1],) * MAX_LANES)
DEFAULT_IDLE_AFTER = Seconds(10e-3)
SHORTEST_IDLE_S = 1e-3
"""The receivers of a link that has been idle for less still look at its bits."""


@frozen(kw_only=True)
class RootPort:
    """The near partner of a link. Payload in bytes. `widths` are those that it supports beside x1 and the full one.

    None stands for every power of two below the full width; only x1 and the full width are mandatory.
    """

    max_speed: SpeedGtps
    max_width: Width
    widths: tuple[Width, ...] | None = None
    max_payload: Payload = DEFAULT_PAYLOAD
    lane_reversal: bool = False


@frozen(kw_only=True)
class EchoCard:
    """The far partner: a card that gives back by DMA what it was given. `fifo` is what it holds between, in bytes.

    `widths` as for the root port.
    """

    max_speed: SpeedGtps
    max_width: Width
    widths: tuple[Width, ...] | None = None
    max_payload: Payload = DEFAULT_PAYLOAD
    read_request: Payload = DEFAULT_READ_REQUEST
    lane_reversal: bool = False
    fifo: ByteCount = DEFAULT_FIFO
    queue_depth: Depth = DEFAULT_QUEUE_DEPTH
    model: Text
    serial: Text
    firmware: Text = DEFAULT_FIRMWARE


@frozen(kw_only=True)
class BitErrorRates:
    """Bit errors per line bit, for each lane: on the way to the card, and from it."""

    to_card: LaneRates = NO_ERRORS
    from_card: LaneRates = NO_ERRORS


@frozen(kw_only=True)
class Slot:
    """One slot and what is in it. `wiring` lanes, from lane 0, lead from port to card.

    On the lanes of `no_receiver` neither partner detects the other; those of `dead_lanes` are detected and silent;
    `marginal_lanes` work up to a speed. A link that has an `idle_speed` goes down to it once it has been idle for
    `idle_after`, and up again under load.

    `errors_owned_by` says who handles the link's error reports; `observable` is False where the platform shows
    neither the near port nor the card's registers.
    """

    name: SlotName
    wiring: Width
    near: RootPort
    card: EchoCard
    riser: Text | None = None
    dead_lanes: tuple[LaneNumber, ...] = ()
    no_receiver: tuple[LaneNumber, ...] = ()
    marginal_lanes: LaneSpeeds = NO_LIMIT
    idle_speed: SpeedGtps | None = None
    idle_after: Seconds = DEFAULT_IDLE_AFTER
    bit_error_rate: BitErrorRates = BitErrorRates()
    errors_owned_by: Literal["kernel", "firmware"] = "kernel"
    observable: bool = True
    faults: tuple[Fault, ...] = field(default=(), metadata={KEY: "fault"})


@frozen(kw_only=True)
class Scenario:
    """A bench. `invented` says what in it is made up, and is shown wherever its data are."""

    schema: int
    name: Text
    invented: Text
    description: Text
    slots: tuple[Slot, ...] = field(metadata={KEY: "slot"})

    def slot(self, name: str) -> Slot | None:
        """The slot of that name, or None."""
        return next((slot for slot in self.slots if slot.name == name), None)
