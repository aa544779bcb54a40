"""An observer of links as an outsider would write one, `seen:BEHAVIOUR`; after some readings it shows another state.

For the cards of `invented_card` that show who they are and nothing of their links.
"""

from __future__ import annotations

import attrs
from invented_conditions import conditions, report

from laneproof.clock import Deadline
from laneproof.contract import ConditionObserver, ErrorObserver, LinkObserver, ObserverSource, Part
from laneproof.errors import DriverFault
from laneproof.readings import Conditions, ErrorReading, Exact, LinkReading, PartnerErrors, PartnerLink, Unavailable

_HIDDEN = Unavailable("no permission")


class Seen(LinkObserver, ErrorObserver, ConditionObserver):
    """One card's link, from outside."""

    def __init__(self, behaviour: str) -> None:
        self._behaviour = behaviour
        self._looks = self._counts = self._reads = 0

    def read_link(self, deadline: Deadline) -> LinkReading:
        self._looks += 1
        later = self._looks > 2  # at open, and before the step
        near = PartnerLink(
            name="port",
            speed_gtps=8.0,
            width=4,
            active=not (later and self._behaviour == "goes-down"),
            bandwidth_management=later and self._behaviour == "retrains",
        )
        return LinkReading(near=_HIDDEN if self._behaviour == "hides" else near, far=_HIDDEN)

    def read_errors(self, deadline: Deadline) -> ErrorReading:
        self._counts += 1
        if self._counts == 1:
            added = 0
        elif self._behaviour == "falls-mute":
            raise DriverFault("the counters do not answer")
        else:
            added = 1
        near = PartnerErrors(
            name="port",
            epoch="1",
            correctable={"BadTLP": Exact(40 + 2 * added * (self._behaviour == "counts"))},
            fatal={"SDES": Exact(added * (self._behaviour == "counts-fatal"))},
        )
        hides = self._behaviour == "hides" or self._behaviour.startswith("reports")
        return ErrorReading(near=_HIDDEN if hides else near, far=_HIDDEN)

    def read_conditions(self, deadline: Deadline) -> Conditions:
        self._reads += 1
        shown = conditions("healthy", self._reads)
        new = {"reports": report("Fatal", "SDES"), "reports-mildly": report("Corrected", "BadTLP")}
        if self._reads > 1 and self._behaviour in new and not isinstance(shown.reported, Unavailable):
            shown = attrs.evolve(shown, reported=(*shown.reported, new[self._behaviour]))
        return shown


class InventedObservers(ObserverSource):
    """Attaches to anything."""

    def attach(self, address: str, deadline: Deadline) -> tuple[Part, ...]:
        return (Seen(address),)


observers = InventedObservers()
