"""The catalogue of faults that the link's own CRC cannot catch, one class for each kind.

A class holds the parameters that a scenario gives, its cause in the field, what is seen where, and which steps can see
it; what they do stands in `damage`. Bit errors on the lanes are no faults in this sense; they stand in `line`.
"""

from __future__ import annotations

from typing import ClassVar, NewType, get_args

from attrs import frozen

from laneproof_sim.damage.arriving import (
    AllOnes,
    BoundaryDamage,
    EarlyCompletion,
    HostBitFlips,
    LostPages,
    NeverWritten,
    SplitDamage,
    StaleLines,
    StaleMessage,
    SwappedPages,
)
from laneproof_sim.damage.channels import ForeignChannel, RotatedChannels
from laneproof_sim.damage.halting import DropOff, Stall
from laneproof_sim.damage.in_switch import SwitchFlips
from laneproof_sim.damage.memory import BitFlips, RegularFlips, StuckBit
from laneproof_sim.damage.streaming import (
    AddressMask,
    DroppedBeats,
    ExtraBeat,
    PointerWrap,
    RepeatedBeat,
    SecondShort,
    Shifted,
    ShortTail,
    SkippedChunks,
    Spliced,
    StrippedHeader,
    UnflushedFifo,
)
from laneproof_sim.damage.words import ByteLane, HalfWidth, ReversedWords
from laneproof_sim.degradation import BadTraining, FailingLane, FailingSpeed
from laneproof_sim.resetting import ConfigLost, NotReady
from laneproof_sim.transactions.faults import (
    CompleterAbort,
    CompletionTimeout,
    Malformed,
    Poisoned,
    ReceiverOverflow,
    UnexpectedCompletion,
    UnsupportedRequest,
)


@frozen(kw_only=True)
class Absent:
    """No card in the slot."""

    kind: ClassVar[str] = "absent"
    cause: ClassVar[str] = "An empty slot, a card not seated, or a card without power."
    seen: ClassVar[str] = "The card cannot be opened: no receiver is detected on any lane."
    steps: ClassVar[tuple[str, ...]] = ()  # no step begins


Fault = (
    BitFlips
    | RegularFlips
    | StuckBit
    | ByteLane
    | HostBitFlips
    | NeverWritten
    | AllOnes
    | StaleMessage
    | EarlyCompletion
    | LostPages
    | SwappedPages
    | StaleLines
    | BoundaryDamage
    | SplitDamage
    | DroppedBeats
    | Shifted
    | UnflushedFifo
    | ShortTail
    | ExtraBeat
    | SecondShort
    | RepeatedBeat
    | PointerWrap
    | StrippedHeader
    | AddressMask
    | SkippedChunks
    | Spliced
    | ForeignChannel
    | RotatedChannels
    | HalfWidth
    | ReversedWords
    | CompletionTimeout
    | UnexpectedCompletion
    | CompleterAbort
    | UnsupportedRequest
    | Poisoned
    | Malformed
    | ReceiverOverflow
    | DropOff
    | Stall
    | FailingLane
    | FailingSpeed
    | BadTraining
    | ConfigLost
    | NotReady
    | Absent
)
SwitchFault = NewType("SwitchFault", SwitchFlips)
"""Those that live in a switch; there is one kind so far."""
CATALOGUE: tuple[type[Fault], ...] = get_args(Fault)
"""Every kind of fault, as `[[slot.fault]]` names them by `kind`."""
IN_SWITCHES = (SwitchFlips,)
"""Every kind, as `[[switch.fault]]` names them."""
