"""What a simulator's catalogue of faults is: which there are, how bad, and benches that have one of them.

A catalogue is one object behind an entry point in the group `laneproof.catalogues`. Values and the abstract class
only; running a plan against them is `laneproof.insight.coverage`.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from hashlib import sha256

from attrs import frozen

CATALOGUES = "laneproof.catalogues"
"""The entry-point group; an entry's name is the catalogue's."""
HELD_OUT_BELOW = 51
"""Of 256: about a fifth of all severities has a hash below it."""


@frozen(kw_only=True)
class Severity:
    """How bad a fault is. A `level` is its size as a number, where there is one: a chance, in the fault's `unit`.

    `detectable` says whether a plan is to find it: with traffic and registers alone, and the exposure of a short plan.
    `why` is the reason, one sentence. `looked_at`: something was mended because of it, so that it is held out no more.
    """

    name: str
    detectable: bool
    why: str
    level: float | None = None
    looked_at: bool = False


@frozen(kw_only=True)
class CataloguedFault:
    """One kind of fault, its severities from mild to gross. `harmless`: it is none, and must not raise an alarm."""

    kind: str
    cause: str
    seen: str
    severities: tuple[Severity, ...]
    unit: str = ""
    """Of the severities' levels, such as "per byte"."""
    harmless: bool = False


@frozen(kw_only=True)
class Bench:
    """A bench as the text of a file, and the URI of the slot to test on it; "{path}" in that stands for the file's."""

    text: str
    slot: str
    uri: str


class Catalogue(ABC):
    """Faults, and healthy benches to put them into. `digest` is that of the list of faults, hexadecimal."""

    digest: str
    faults: tuple[CataloguedFault, ...]

    @property
    @abstractmethod
    def base(self) -> str:
        """The text of the healthy bench that is taken where the user names none."""

    @abstractmethod
    def slots(self, base: str, where: str) -> tuple[str, ...]:
        """The slots of a healthy bench. Raises BadInput, beginning with `where`, for what is none."""

    @abstractmethod
    def bench(self, base: str, slot: str, seed: int, kind: str = "", severity: str = "") -> Bench | None:
        """A healthy bench with that fault in one slot; without a kind the bench as it is.

        None where the fault means nothing there, as the loss of a lane to a link that has only one.
        """


def held_out(kind: str, severity: Severity) -> bool:
    """Whether it stays out when a plan is tuned: settled by a hash of the fault's kind and the severity's name."""
    return sha256(f"{kind} {severity.name}".encode()).digest()[0] < HELD_OUT_BELOW and not severity.looked_at
