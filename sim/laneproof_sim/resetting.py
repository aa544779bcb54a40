"""Faults that show over a reset: a configuration that nobody restores, a card that takes long to be ready."""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar, Literal

from attrs import frozen

from laneproof.contract import ResetLevel
from laneproof.documents import Seconds

Over = Literal["function reset", "link reset"]
"""The mildest reset over which a fault shows."""


@frozen(kw_only=True)
class ConfigLost:
    """After such a reset nobody sets the card up again: no address, no command bits, so that it may not read or write.

    It stays so until the card is opened anew.
    """

    kind: ClassVar[str] = "config-lost"
    cause: ClassVar[str] = "A reset behind the operating system's back, which has saved nothing to be restored."
    seen: ClassVar[str] = "Configuration space answers with BARs and Command zero; transfers stall, link up."
    steps: ClassVar[tuple[str, ...]] = ()  # none resets more than the card's memory

    over: Over = "function reset"


@frozen(kw_only=True)
class NotReady:
    """After such a reset the card answers configuration requests with a request to try again, for so long."""

    kind: ClassVar[str] = "not-ready"
    cause: ClassVar[str] = "A card that loads its logic or firmware anew after a reset."
    seen: ClassVar[str] = "The vendor id reads 0001 for a while; a reset takes that much longer, link up."
    steps: ClassVar[tuple[str, ...]] = ()

    lasts: Seconds
    over: Over = "function reset"


def loses_config(faults: Iterable[object], level: ResetLevel) -> bool:
    """Whether such a reset leaves the card without its configuration."""
    return any(isinstance(fault, ConfigLost) and _shows(fault.over, level) for fault in faults)


def delay_s(faults: Iterable[object], level: ResetLevel) -> float:
    """How long after such a reset the card is not ready yet."""
    return max((f.lasts for f in faults if isinstance(f, NotReady) and _shows(f.over, level)), default=0.0)


def _shows(over: Over, level: ResetLevel) -> bool:
    return level >= (ResetLevel.FUNCTION if over == "function reset" else ResetLevel.LINK)
