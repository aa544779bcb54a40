"""The observer scheme `pci`: link, errors and identity of one PCI function, read from Linux at every call.

`observe="pci:0000:65:00.0"` attaches it to a card on any path. Reads only; how Linux's files are read is in `sysfs`.
"""

from __future__ import annotations

from pathlib import Path

from laneproof.clock import Deadline
from laneproof.contract import ErrorObserver, IdentitySource, LinkObserver, ObserverSource, Part
from laneproof.errors import BadInput, CannotOpen, DeviceLost, DriverFault
from laneproof.pcie import decode
from laneproof.readings import (
    Component,
    ErrorReading,
    Identity,
    LinkReading,
    PartnerErrors,
    PartnerLink,
    Unavailable,
)
from laneproof_drivers.sysfs import ALL_ONES, NO_ANSWER, NO_PORT, PciFunction, bus_address, find


class PciObserver(LinkObserver, ErrorObserver, IdentitySource):
    """Watches one function; remembers the port above it, which can still be read when the card is gone."""

    def __init__(self, root: Path, function: PciFunction) -> None:
        self._root = root
        self._address = function.address
        port = function.port
        self._port_address = None if port is None else port.address

    def read_link(self, deadline: Deadline) -> LinkReading:
        """Both ends now. An end that is gone is unavailable; the near port's `active` then tells of the link."""
        deadline.check()
        far, near = self._far(), self._near()
        return LinkReading(
            near=near if isinstance(near, Unavailable) else near.link().partner,
            far=far if isinstance(far, Unavailable) else far.link().partner,
        )

    def read_errors(self, deadline: Deadline) -> ErrorReading:
        """Both ends' counts now, each with the epoch of its own folder under /sys."""
        deadline.check()
        far, near = self._far(), self._near()
        return ErrorReading(near=_errors(near), far=_errors(far))

    def read_identity(self, deadline: Deadline) -> Identity:
        """Vendor and device as the function answers now, not from Linux's memory. Raises DeviceLost, DriverFault."""
        deadline.check()
        far = self._far()
        image = far if isinstance(far, Unavailable) else far.image()
        if isinstance(image, Unavailable):
            gone = self._far()
            if isinstance(gone, Unavailable):
                raise DeviceLost(gone.why, link_evidence=self._link_evidence())
            raise DriverFault(f"{image.why}; see the kernel log, then try again")
        if image[:4] == ALL_ONES:
            raise DeviceLost(f"{self._address} {NO_ANSWER}", link_evidence=self._link_evidence())
        try:
            space = decode(image[:64])  # the header; a damaged list of capabilities changes no identity
        except BadInput as error:
            raise DriverFault(f"{self._address}/config: {error}") from error
        return Identity(
            model=f"{space.vendor_id:04x}:{space.device_id:04x}",
            components=(Component("revision", f"{space.revision_id:02x}"),),
        )

    def _far(self) -> PciFunction | Unavailable:
        return find(self._root, self._address) or Unavailable(f"Linux no longer shows {self._address}")

    def _near(self) -> PciFunction | Unavailable:
        if self._port_address is None:
            return Unavailable(f"{self._address}: {NO_PORT}")
        return find(self._root, self._port_address) or Unavailable(f"Linux no longer shows {self._port_address}")

    def _link_evidence(self) -> str:
        near = self._near()
        partner = near if isinstance(near, Unavailable) else near.link().partner
        if isinstance(partner, PartnerLink) and partner.active is False:
            return f"the port above, {partner.name}, shows its data link down"
        return ""


def _errors(end: PciFunction | Unavailable) -> PartnerErrors | Unavailable:
    return end if isinstance(end, Unavailable) else end.errors()


class PciObservers(ObserverSource):
    """Attaches to functions below `root`, /sys unless a recorded tree is read."""

    def __init__(self, root: Path = Path("/sys")) -> None:
        self._root = root

    def attach(self, address: str, deadline: Deadline) -> tuple[Part, ...]:
        """One observer for the function at `address`. Raises BadInput for no address or a port's, CannotOpen."""
        deadline.check()
        function = find(self._root, bus_address(address))
        if function is None:
            raise CannotOpen(
                f"Linux shows no PCI function at {bus_address(address)}; lspci -D lists those that it does"
            )
        if function.faces_down():
            raise BadInput(f"{function.address} is the port above a card; name the card's own function")
        return (PciObserver(self._root, function),)


observers = PciObservers()
