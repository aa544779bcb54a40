"""What a plan expects of a link."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from attrs import field, frozen, validators

from laneproof.documents import SpeedGtps
from laneproof.errors import BadInput
from laneproof.pcie import SPEEDS_GTPS, WIDTHS


def _one_of(noun: str, allowed: tuple[float, ...]) -> Callable[[Any, Any, Any], None]:
    def check(_: Any, __: Any, value: Any) -> None:
        if value not in allowed:
            raise BadInput(f"{value:g} is no {noun}; use one of {', '.join(f'{one:g}' for one in allowed)}")

    return check


@frozen(kw_only=True)
class Expectation:
    """What a link should have trained to. Left out, the smaller of both partners' capabilities is expected.

    `wiring` is the number of lanes that the slot, riser or cable connects, where it is fewer than the partners have.
    """

    speed: SpeedGtps | None = field(default=None, validator=validators.optional(_one_of("link speed", SPEEDS_GTPS)))
    width: int | None = field(default=None, validator=validators.optional(_one_of("link width", WIDTHS)))
    wiring: int | None = field(default=None, validator=validators.optional(_one_of("link width", WIDTHS)))
