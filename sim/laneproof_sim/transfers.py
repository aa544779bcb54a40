"""What an engine has in hand: transfers that are out, and bytes in the card's FIFO. No behaviour."""

from __future__ import annotations

from typing import Literal

import numpy as np
from attrs import define, field

from laneproof.contract import Completion


@define(eq=False)
class Transfer:
    ticket: int
    out: np.ndarray | None
    into: np.ndarray | None
    submitted_s: float
    sent: int = 0
    received: int = 0
    done_s: float = 0.0
    """When its last step ended."""
    halves: int = field(init=False)
    """Directions still to be finished."""
    failure: str = ""
    """Why it will not be done, where that is so."""
    before: np.ndarray | None = None
    """What `into` held before, where some fault may want to know."""

    def __attrs_post_init__(self) -> None:
        self.halves = (self.out is not None) + (self.into is not None)

    def completion(self, status: Literal["done", "stopped", "failed"], why: str = "") -> Completion:
        return Completion(ticket=self.ticket, sent=self.sent, received=self.received, status=status, why=why)


@define(eq=False)
class Held:
    """Bytes in the card's FIFO, readable from `ready_s` on; `last` ends a message.

    While there is a `lender`, they are still in the host's buffer, which is the host's again when that transfer ends.
    """

    data: np.ndarray
    lender: Transfer | None
    ready_s: float
    last: bool
    taken: int = 0
