"""The observer scheme `pci`: link, errors, conditions and identity of one PCI function, read anew at every call.

`observe="pci:0000:65:00.0"` attaches it to a card on any path. Reads only; what Linux's files mean is said in the
modules that read them; what retrains or margins a link, on request, is in `pci_trainer` and `pci_margin`.
"""

from __future__ import annotations

from pathlib import Path

from laneproof.clock import Deadline
from laneproof.contract import (
    ConditionObserver,
    ErrorObserver,
    IdentitySource,
    LinkObserver,
    ObserverSource,
    Part,
)
from laneproof.errors import BadInput, CannotOpen, DeviceLost, DriverFault
from laneproof.pcie import decode
from laneproof.readings import (
    Component,
    Conditions,
    ErrorReading,
    Identity,
    LinkReading,
    PartnerLink,
    ReportedError,
    Unavailable,
)
from laneproof_drivers.aer_trace import read_trace
from laneproof_drivers.error_counters import read_counters, read_device_counters
from laneproof_drivers.host_sensors import read_memory_errors, read_sensors
from laneproof_drivers.host_tree import HostTree, this_computer
from laneproof_drivers.kernel_log import FaultCount
from laneproof_drivers.link_files import CONVENTIONAL, LinkSeen, read_end
from laneproof_drivers.pci_margin import PciMargining
from laneproof_drivers.pci_path import path_to
from laneproof_drivers.pci_trainer import PciLinkTrainer
from laneproof_drivers.receiver import read_receiver
from laneproof_drivers.recorded_tree import tree_at
from laneproof_drivers.slot_files import read_slots
from laneproof_drivers.sysfs import ALL_ONES, NO_ANSWER, NO_PORT, PUBLIC_BYTES, PciFunction, bus_address, find


class PciObserver(LinkObserver, ErrorObserver, ConditionObserver, IdentitySource):
    """Watches what stands at the end of one way down from a root port.

    The way stays when Linux numbers the buses anew, so that a card that was pulled and comes back elsewhere is found
    again, and the port above it can be read while it is away. A card that comes back begins a new epoch.
    """

    def __init__(self, tree: HostTree, function: PciFunction) -> None:
        self._tree = tree
        self._address = function.address
        self._route = function.route
        port = function.port
        self._port = None if port is None else (port.address, port.route)
        self._wiring = None if port is None else read_slots(tree).lanes_of(port, function)
        self._faults = FaultCount(tree)
        before = read_trace(tree)
        self._since_s = -1.0 if isinstance(before, Unavailable) else max((one.time_s for one in before), default=-1.0)

    def read_link(self, deadline: Deadline) -> LinkReading:
        """Both ends now. An end that is gone is unavailable; the near port's `active` then tells of the link."""
        deadline.check()
        far, near = self._far(), self._near()
        near_seen = LinkSeen(near, ()) if isinstance(near, Unavailable) else read_end(near, CONVENTIONAL)
        return LinkReading(
            near=near_seen.partner,
            far=far if isinstance(far, Unavailable) else read_end(far, CONVENTIONAL).partner,
            wiring=self._wiring,
            slot_power_w=near_seen.slot_power_w,
            above=() if isinstance(far, Unavailable) else _above(far),
        )

    def read_errors(self, deadline: Deadline) -> ErrorReading:
        """Both ends' counts now, each with the epoch of its own folder under /sys.

        A link error that several functions of the card show is counted once; other errors are this function's alone.
        """
        deadline.check()
        far, near = self._far(), self._near()
        return ErrorReading(
            near=near if isinstance(near, Unavailable) else read_counters(near),
            far=far if isinstance(far, Unavailable) else read_device_counters(far),
        )

    def read_conditions(self, deadline: Deadline) -> Conditions:
        """Lanes and receivers of both ends, and the host's sensors, memory, IOMMU and reports, each as far as shown."""
        deadline.check()
        far, near = self._far(), self._near()
        return Conditions(
            near=near if isinstance(near, Unavailable) else read_receiver(near),
            far=far if isinstance(far, Unavailable) else read_receiver(far),
            sensors=read_sensors(self._tree),
            memory_errors=read_memory_errors(self._tree),
            iommu_faults=self._faults.read(self._address if isinstance(far, Unavailable) else far.address),
            reported=self._reported(far),
        )

    def read_identity(self, deadline: Deadline) -> Identity:
        """Vendor and device as the function answers now, not from Linux's memory. Raises DeviceLost, DriverFault."""
        deadline.check()
        far = self._far()
        image = far if isinstance(far, Unavailable) else far.image()
        if isinstance(image, Unavailable):
            gone = self._far()
            if isinstance(gone, Unavailable):
                raise DeviceLost(gone.why)
            raise DriverFault(f"{image.why}; see the kernel log, then try again")
        if image[:4] == ALL_ONES:
            raise DeviceLost(f"{self._address} {NO_ANSWER}")
        try:
            space = decode(image[:PUBLIC_BYTES])  # the header; a damaged list of capabilities changes no identity
        except BadInput as error:
            raise DriverFault(f"{self._address}/config: {error}") from error
        return Identity(
            model=f"{space.vendor_id:04x}:{space.device_id:04x}",
            components=(Component("revision", f"{space.revision_id:02x}"),),
        )

    def _far(self) -> PciFunction | Unavailable:
        return self._route.follow(self._tree) or Unavailable(f"Linux no longer shows {self._address}")

    def _near(self) -> PciFunction | Unavailable:
        if self._port is None:
            return Unavailable(f"{self._address}: {NO_PORT}")
        address, route = self._port
        return route.follow(self._tree) or Unavailable(f"Linux no longer shows {address}")

    def _reported(self, far: PciFunction | Unavailable) -> tuple[ReportedError, ...] | Unavailable:
        """What the trace has gained for either end, by the addresses that they have had."""
        errors = read_trace(self._tree)
        if isinstance(errors, Unavailable):
            return errors
        devices = {self._address} | ({self._port[0]} if self._port else set())
        if not isinstance(far, Unavailable):
            devices |= {function.address for function in (far, *far.siblings())}
        near = self._near()
        if not isinstance(near, Unavailable):
            devices.add(near.address)
        return tuple(error for error in errors if error.time_s > self._since_s and error.device in devices)


class PciObservers(ObserverSource):
    """Attaches to functions of this computer, of the recording at `root`, or of a tree that is there already."""

    def __init__(self, root: Path | HostTree | None = None) -> None:
        self._tree = root if isinstance(root, HostTree) else this_computer() if root is None else tree_at(root)

    def attach(self, address: str, deadline: Deadline) -> tuple[Part, ...]:
        """One observer for the function at `address`. Raises BadInput for no address or a port's, CannotOpen."""
        deadline.check()
        function = find(self._tree, bus_address(address))
        if function is None:
            raise CannotOpen(
                f"Linux shows no PCI function at {bus_address(address)}; lspci -D lists those that it does"
            )
        if function.faces_down():
            raise BadInput(f"{function.address} is the port above a card; name the card's own function")
        return (PciObserver(self._tree, function),)

    def trainer(self, address: str, deadline: Deadline) -> PciLinkTrainer | None:
        """What retrains the link of the function at `address`, where this computer shows the port above it."""
        deadline.check()
        function = None if self._tree.name else find(self._tree, bus_address(address))
        port = None if function is None else function.port
        return None if port is None else PciLinkTrainer(self._tree, port.route)

    def margining(self, address: str, deadline: Deadline) -> PciMargining | None:
        """What margins the link of the function at `address`, likewise."""
        deadline.check()
        function = None if self._tree.name else find(self._tree, bus_address(address))
        port = None if function is None else function.port
        if function is None or port is None:
            return None
        return PciMargining(self._tree, port.route, function.route)


def _above(function: PciFunction) -> tuple[PartnerLink, ...]:
    """The links between the root port and the function's own, as far as they show themselves."""
    seen = [read_end(link.port, CONVENTIONAL).partner for link in path_to(function)[:-1]]
    return tuple(partner for partner in seen if not isinstance(partner, Unavailable))


observers = PciObservers()
