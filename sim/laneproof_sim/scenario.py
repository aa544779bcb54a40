"""What is on a bench, as frozen values: slots and switches, the port and card at each link, lanes, error rates, faults.

Values only. Reading them from TOML is in `scenario_file`, what they lead to is computed elsewhere.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import Literal

from attrs import field, frozen

from laneproof.documents import KEY, Seconds
from laneproof_sim.faults import Absent, Fault, SwitchFault
from laneproof_sim.quantities import (
    MAX_LANES,
    SPEEDS_GTPS,
    ByteCount,
    Channels,
    CompletionSize,
    Depth,
    LaneNumber,
    LaneRates,
    LaneShares,
    LaneSpeeds,
    Millivolts,
    Payload,
    Picoseconds,
    SlotName,
    SpeedGtps,
    Tags,
    Text,
    Width,
)
from laneproof_sim.supply import CardPower, Supply
from laneproof_sim.temperature import TemperaturePoint

SCHEMA = 1
"""The number of the format that `scenario_file` reads."""

DEFAULT_PAYLOAD = Payload(256)
DEFAULT_READ_REQUEST = Payload(512)
DEFAULT_FIFO = ByteCount(256 * 1024)
DEFAULT_QUEUE_DEPTH = Depth(16)
ONE_CHANNEL = Channels(1)
DEFAULT_READ_LATENCY = Seconds(0.6e-6)
"""An assumption."""
LONGEST_READ_LATENCY_S = 1e-3
DEFAULT_FIRMWARE = Text("1.0")
NO_ERRORS = LaneRates((0.0,) * MAX_LANES)
NO_LIMIT = LaneSpeeds((SPEEDS_GTPS[-1],) * MAX_LANES)
SLOWEST_MARGINED_GTPS = 16.0
"""Lane margining at the receiver came with it."""
DEFAULT_IDLE_AFTER = Seconds(10e-3)
SHORTEST_IDLE_S = 1e-3
"""The receivers of a link that has been idle for less still look at its bits."""


@frozen(kw_only=True)
class Port:
    """A root port, or a port of a switch. Payload in bytes. `widths` are those beside x1 and the full one.

    None stands for every power of two below the full width; only x1 and the full width are mandatory.

    `posted_buffer` is what the port takes in of posted writes before it has to say that there is room again, in
    bytes; None: enough. Of a root port, `completion` is the largest completion, where it is below the payload, and
    `read_latency` the time that the host's memory takes, from a read request to its first completion.
    """

    max_speed: SpeedGtps
    max_width: Width
    widths: tuple[Width, ...] | None = None
    max_payload: Payload = DEFAULT_PAYLOAD
    lane_reversal: bool = False
    completion: CompletionSize | None = None
    posted_buffer: ByteCount | None = None
    read_latency: Seconds = DEFAULT_READ_LATENCY


@frozen(kw_only=True)
class EchoCard:
    """The far partner: a card that gives back by DMA what it was given. `widths` as for a port.

    Each of its `channels` has an engine, a queue and a FIFO of its own; `fifo` is what that holds, in bytes. `tags`
    are the read requests that it may have open at once; None: enough. A card with a `pattern_engine` can load its link
    with a pattern of its own and check it.
    """

    max_speed: SpeedGtps
    max_width: Width
    widths: tuple[Width, ...] | None = None
    max_payload: Payload = DEFAULT_PAYLOAD
    read_request: Payload = DEFAULT_READ_REQUEST
    tags: Tags | None = None
    lane_reversal: bool = False
    fifo: ByteCount = DEFAULT_FIFO
    queue_depth: Depth = DEFAULT_QUEUE_DEPTH
    channels: Channels = ONE_CHANNEL
    pattern_engine: bool = False
    model: Text
    serial: Text
    firmware: Text = DEFAULT_FIRMWARE


@frozen(kw_only=True)
class BitErrorRates:
    """Bit errors per line bit, for each lane: on the way to the card, and from it."""

    to_card: LaneRates = NO_ERRORS
    from_card: LaneRates = NO_ERRORS


ALL_OPEN = LaneShares((1.0,) * MAX_LANES)


@frozen(kw_only=True)
class Eye:
    """How far the eye at a receiver's sampler is open in all, and which lanes have a share of that alone.

    `to_card` are lanes at the card's receiver, `from_card` at the near port's. It is what lane margining measures, and
    brings no bit errors by itself.
    """

    width: Picoseconds
    height: Millivolts
    to_card: LaneShares = ALL_OPEN
    from_card: LaneShares = ALL_OPEN


@frozen(kw_only=True)
class Link(ABC):
    """One link as it is built: its near port and `wiring` lanes, from lane 0, that lead to the far partner.

    On the lanes of `no_receiver` neither partner detects the other; those of `dead_lanes` are detected and silent;
    `marginal_lanes` work up to a speed. A link that has an `idle_speed` goes down to it once it has been idle for
    `idle_after`, and up again under load.
    """

    name: SlotName
    wiring: Width
    near: Port
    dead_lanes: tuple[LaneNumber, ...] = ()
    no_receiver: tuple[LaneNumber, ...] = ()
    marginal_lanes: LaneSpeeds = NO_LIMIT
    idle_speed: SpeedGtps | None = None
    idle_after: Seconds = DEFAULT_IDLE_AFTER
    bit_error_rate: BitErrorRates = BitErrorRates()

    @property
    @abstractmethod
    def far(self) -> Port | EchoCard:
        """The far partner."""

    @property
    def absent(self) -> bool:
        """Whether there is none."""
        return False


@frozen(kw_only=True)
class Switch(Link):
    """A switch, and the link above it: `near` is a root port, `upstream` the switch's own port towards it.

    Slots that say so are `below` it, each at a downstream port.
    """

    upstream: Port
    faults: tuple[SwitchFault, ...] = field(default=(), metadata={KEY: "fault"})

    @property
    def far(self) -> Port:
        return self.upstream


@frozen(kw_only=True)
class Slot(Link):
    """One slot and what is in it. `near` is a root port or, `below` a switch, one of its downstream ports.

    An `eye` is what lane margining measures, from 16 GT/s on; a slot without has no margining to offer.

    `power` is what the card draws and may draw, `temperature` what its sensor reads over time.

    `errors_owned_by` says who handles the link's error reports; `observable` is False where the platform shows
    neither the near port nor the card's registers. With `ecrc` both ends add and check an end-to-end CRC.
    """

    card: EchoCard
    eye: Eye | None = None
    below: SlotName | None = None
    riser: Text | None = None
    power: CardPower | None = None
    temperature: tuple[TemperaturePoint, ...] = ()
    ecrc: bool = False
    errors_owned_by: Literal["kernel", "firmware"] = "kernel"
    observable: bool = True
    faults: tuple[Fault, ...] = field(default=(), metadata={KEY: "fault"})

    @property
    def far(self) -> EchoCard:
        return self.card

    @property
    def absent(self) -> bool:
        return any(isinstance(fault, Absent) for fault in self.faults)


@frozen(kw_only=True)
class Scenario:
    """A bench. `invented` says what in it is made up, and is shown wherever its data are."""

    schema: int
    name: Text
    invented: Text
    description: Text
    supply: Supply | None = None
    switches: tuple[Switch, ...] = field(default=(), metadata={KEY: "switch"})
    slots: tuple[Slot, ...] = field(metadata={KEY: "slot"})

    def slot(self, name: str) -> Slot | None:
        """The slot of that name, or None."""
        return next((slot for slot in self.slots if slot.name == name), None)

    def switch_above(self, slot: Slot) -> Switch | None:
        """The switch that the slot is below, or None."""
        return next((switch for switch in self.switches if switch.name == slot.below), None)

    def slots_below(self, switch: Switch) -> tuple[Slot, ...]:
        """The slots at its downstream ports, in the file's order."""
        return tuple(slot for slot in self.slots if slot.below == switch.name)
