"""One packet that something goes wrong with, what comes of it, and what faults of the transaction layer share."""

from __future__ import annotations

from abc import abstractmethod
from typing import Literal

import numpy as np
from attrs import define, frozen
from numpy.typing import NDArray

from laneproof_sim.damage.when import Conditional
from laneproof_sim.transactions.headers import Header, Request

End = Literal["near", "far"]

Unit = Literal["request", "completion", "write"]
"""What a fault picks one of in a message: a read request with all that answers it, one completion, one write."""


@frozen(kw_only=True)
class Report:
    """An error that `end` sees at `at_s`, with the header that it logs; `advisory` where others are to handle it."""

    at_s: float
    end: End
    name: str
    header: Header | None = None
    advisory: bool = False


@define(eq=False, kw_only=True)
class Packet:
    """A packet as it would have gone: sent at `sent_s`, through with its answer, if it has one, at `due_s`.

    `data` are the bytes of the message that it carries, or that it asks for, to be changed in place; `place` is
    where in its request they begin.
    """

    request: Request
    place: int
    data: NDArray[np.uint8]
    sent_s: float
    due_s: float


@frozen(kw_only=True)
class Outcome:
    """`until_s` is when the card has what it asked for, or has given up.

    Where the data never came, `unwritten`, there stands what was there before; with a `failure` the transfer ends.
    """

    reports: tuple[Report, ...]
    until_s: float
    unwritten: bool = False
    failure: str = ""


@frozen(kw_only=True)
class TransactionFault(Conditional):
    """A fault that acts on one packet of each message that meets its conditions; which packet, varies."""

    @property
    @abstractmethod
    def unit(self) -> Unit:
        """What it acts on."""

    @abstractmethod
    def strike(self, packet: Packet, chance: np.random.Generator) -> Outcome:
        """Do to `packet` what this fault does. `chance` is this message's and this fault's alone."""
