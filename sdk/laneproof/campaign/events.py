"""What a running slot tells the runner. Values only; they cross threads and processes."""

from __future__ import annotations

from attrs import frozen

from laneproof.campaign.results import Plain, Reason, StepResult


@frozen
class Opened:
    """The card is open; what it is and what was seen of its link and errors beforehand."""

    slot: str
    virtual_time: bool
    opened: Plain


@frozen
class Expecting:
    """A call has begun that ends within that many seconds of real time, or the slot hangs."""

    slot: str
    seconds: float


@frozen
class StepStarted:
    slot: str
    step: int
    kind: str


@frozen
class Progress:
    """Bytes verified within the step so far, of how many (None: open-ended). For displays; not kept."""

    slot: str
    step: int
    done: int
    total: int | None


@frozen
class Noted:
    """Something happened; `clock_s` by the card's clock, since it was opened."""

    slot: str
    step: int
    clock_s: float
    kind: str
    text: str


@frozen
class Sampled:
    """One point of a step's time series: bytes moved since the last one, and the seconds that they took."""

    slot: str
    step: int
    clock_s: float
    nbytes: int
    seconds: float


@frozen
class StepFinished:
    slot: str
    result: StepResult


@frozen
class SlotFinished:
    """Nothing more will come from this slot. `reasons` are those beyond its steps' own."""

    slot: str
    reasons: tuple[Reason, ...] = ()


Event = Opened | Expecting | StepStarted | Progress | Noted | Sampled | StepFinished | SlotFinished
