"""What a running slot tells the runner. Values only; they cross threads and processes."""

from __future__ import annotations

from attrs import frozen

from laneproof.campaign.results import Plain, Reason, StepResult


@frozen
class Opened:
    """The card is open; what it is and what was seen of its link and errors beforehand.

    `physical` and `caveats` as of `laneproof.Endpoint`: some cards say only now that they are simulated.
    """

    slot: str
    virtual_time: bool
    opened: Plain
    physical: bool
    caveats: tuple[str, ...]


@frozen
class Expecting:
    """A call has begun that ends within that many seconds of real time, or the slot hangs."""

    slot: str
    seconds: float


@frozen
class StepStarted:
    """`carried`: what an earlier segment of the run had measured of this step, as `Carried.to_dict` has it.

    `clock_s` as in `Noted`; `left_s` is after how many seconds of that clock the step ends by itself, where it does.
    """

    slot: str
    step: int
    kind: str
    carried: Plain | None = None
    clock_s: float = 0.0
    left_s: float | None = None


@frozen
class Progress:
    """Bytes verified within the step so far, of how many (None: open-ended), at that time of the card's clock.

    For displays; not kept.
    """

    slot: str
    step: int
    done: int
    total: int | None
    clock_s: float


@frozen
class Counted:
    """Errors added at either end since the step began, as `StepResult.errors` has them.

    For displays, and for a step that is cut off: of all others the ledger keeps what was read at the end.
    """

    slot: str
    step: int
    errors: Plain


ROUTINE = frozenset({"training", "margin"})
"""Kinds of events that stand on record, and that nobody wants to read one by one: what went as it should."""


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
    """One point of a step's time series: bytes moved since the last one, and the seconds that they took.

    `verified_bytes` of them were compared with what had been sent; `mismatched_bits` were wrong.
    """

    slot: str
    step: int
    clock_s: float
    nbytes: int
    seconds: float
    verified_bytes: int = 0
    mismatched_bits: int = 0


@frozen
class StepFinished:
    """`interrupted`: the reason that says so, where the operator ended the step before its end; a resumed run takes
    it up again."""

    slot: str
    result: StepResult
    interrupted: str = ""


@frozen
class SlotFinished:
    """Nothing more will come from this slot. `reasons` are those beyond its steps' own.

    `interrupted`: the operator ended it before its end, so that a resumed run goes on with it.
    """

    slot: str
    reasons: tuple[Reason, ...] = ()
    interrupted: bool = False


@frozen
class Joined:
    """The slot waits for the others before a step that slots take at once or, `alone`, one after another.

    For the runner; neither shown nor kept. The same goes for `Measured`.
    """

    slot: str
    step: int
    alone: bool


@frozen
class Moved:
    """One transfer, from when to when by the card's clock."""

    start_s: float
    end_s: float
    nbytes: int


@frozen(kw_only=True)
class Measured:
    """What the slot moved in a step that it has joined others for, and came to.

    `way` names the links between root port and the slot's own, which others may share; None where they cannot be seen.
    `bytes_per_s` is its rate, None where there is none, in `direction`: "to_card", "from_card" or "both" at once.
    """

    slot: str
    step: int
    virtual_time: bool
    way: tuple[str, ...] | None
    moved: tuple[Moved, ...] = ()
    bytes_per_s: float | None = None
    direction: str = "both"


Event = (
    Opened
    | Expecting
    | StepStarted
    | Progress
    | Counted
    | Noted
    | Sampled
    | StepFinished
    | SlotFinished
    | Joined
    | Measured
)
