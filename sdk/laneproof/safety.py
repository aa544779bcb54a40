"""Cautions on auxiliary power connectors, the order of switching, and static: what they say and when they are shown.

laneproof never switches power, but the people who use it open computers. The cautions defer to the card's and the
computer's manuals, to local codes and to licensed practice.
"""

from __future__ import annotations

import threading
import warnings

from attrs import frozen


class SafetyCaution(UserWarning):
    """Raised through `warnings`, once per process, when the first physical card is opened."""


@frozen
class Caution:
    """One caution: what about, what to do and why, and where it comes from."""

    title: str
    text: str
    source: str


DEFERRAL = "The manuals of the card and of the computer, local codes and licensed practice come before these cautions."

CAUTIONS = (
    Caution(
        "Auxiliary power connectors",
        "A plug that fits proves nothing. The 8-pin plug for processors and the one for cards carry +12 V on opposite "
        "rows, and one can be forced into the other. A card with a header of its own may have a pinout of its own: "
        "look it up in that card's manual. Do not swap the cables of modular supplies between models, even with the "
        "same plug. Never plug or unplug auxiliary power live.",
        "pin assignments: ATX 3.0 design guide (document 336521), tables 5-4 to 5-6; the rest: common practice, "
        "no source",
    ),
    Caution(
        "Power order",
        'With the computer "off" its 5 V standby rail is live. Before a card goes in or out, switch off at the '
        "supply, pull every cord, and wait until the standby lights are out. A card with a supply of its own is "
        "switched on before the computer and off after it, unless its manual says otherwise.",
        "common practice, no source",
    ),
    Caution(
        "Slot power",
        "Add up what card, riser and slot may draw before fitting. A slot gives 10 W (x1) or 25 W (x4 and wider) "
        "until the card is configured; up to 75 W for x16 graphics cards afterwards. Auxiliary connectors are rated "
        "75 W (2×3), 150 W (2×4), and up to 600 W (12VHPWR and 12V-2x6, as their sense pins allow).",
        "PCI Express card electromechanical specification, from memory; auxiliary ratings: ATX 3.0 design guide "
        "(document 336521), table 3-5",
    ),
    Caution(
        "Static",
        "Work at a grounded bench with a wrist strap; a card can be damaged by a discharge that nobody feels, and "
        "fail later. Handle cards by their edges and keep them in their bags until they are fitted.",
        "ANSI/ESD S20.20-2021 (100 V human-body model, wrist strap below 35 MΩ); handling: common practice, no source",
    ),
)

_first = threading.Lock()
"""Taken, and kept, by the first physical card of the process."""


def cautions_text() -> str:
    """All cautions as plain text, with their sources."""
    parts = [f"{caution.title}: {caution.text} [{caution.source}]" for caution in CAUTIONS]
    return "\n\n".join([*parts, DEFERRAL])


def surface(*, acknowledged: bool) -> None:
    """Warn with the cautions, once per process, unless they were acknowledged. Called when a physical card opens."""
    if acknowledged or not _first.acquire(blocking=False):
        return
    warnings.warn(
        "you are opening a physical card; mind power connectors, power order and static "
        "(laneproof.safety.cautions_text(), or `laneproof guide cautions`)",
        SafetyCaution,
        stacklevel=3,  # the line that called laneproof.open
    )
