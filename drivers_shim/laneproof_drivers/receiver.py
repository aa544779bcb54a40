"""What one end of a link shows of its receiver and its settings, out of decoded configuration space."""

from __future__ import annotations

from laneproof.pcie import ConfigSpace
from laneproof.readings import PartnerCondition, Unavailable
from laneproof_drivers.link_files import aspm_enabled
from laneproof_drivers.sysfs import PUBLIC_BYTES, PciFunction

_PRIVILEGED = "its registers need root (CAP_SYS_ADMIN): Linux lets others read 64 bytes of configuration space"
_ERROR_FLAGS = ("CED", "NFED", "FED", "URD")
_SUBSTATES = {"ASPM_L1_1": "L1.1", "ASPM_L1_2": "L1.2"}


def read_receiver(end: PciFunction) -> PartnerCondition | Unavailable:
    """Lanes, equalisation, clocking and power states of this end, as far as this user may read its registers."""
    end = end.link_owner
    space = end.config()
    files = None if end.faces_down() else aspm_enabled(end)
    if isinstance(space, Unavailable):
        return space
    if space.size <= PUBLIC_BYTES:
        if files is None:
            return Unavailable(f"{end.address}: {_PRIVILEGED}")
        return PartnerCondition(name=end.address, aspm=files)
    link = space.link
    layers = {16.0: space.physical_16gt, 32.0: space.physical_32gt, 64.0: space.physical_64gt}
    rates = {speed: layer for speed, layer in layers.items() if layer is not None}
    equalisation = {} if link is None or link.equalisation is None else {8.0: link.equalisation}
    lanes = {} if space.secondary is None else {8.0: space.secondary.lanes}
    lanes |= {speed: layer.lanes for speed, layer in rates.items() if layer.lanes is not None}
    return PartnerCondition(
        name=end.address,
        lane_errors=None if space.secondary is None else space.secondary.lane_errors,
        parity_mismatches=_parity(space),
        equalisation=equalisation | {speed: layer.equalisation for speed, layer in rates.items()},
        presets={
            speed: tuple(f"down {lane.downstream_port_preset}, up {lane.upstream_port_preset}" for lane in each)
            for speed, each in lanes.items()
            if each
        },
        retimers=None if link is None else link.retimers,
        clocking=None if link is None else link.clocking,
        margining=_margining(space),
        aspm=_aspm(space) if files is None else files,
        device_status=None
        if space.device_status is None
        else tuple(flag for flag in space.device_status if flag in _ERROR_FLAGS),
    )


def _parity(space: ConfigSpace) -> dict[str, tuple[int, ...]]:
    layer = space.physical_16gt
    if layer is None:
        return {}
    segments = {
        "local": layer.local_parity_mismatch,
        "first retimer": layer.first_retimer_parity_mismatch,
        "second retimer": layer.second_retimer_parity_mismatch,
    }
    return {segment: lanes for segment, lanes in segments.items() if lanes is not None}


def _margining(space: ConfigSpace) -> bool | None:
    if space.margining is None:
        return None
    return space.margining.ready and space.margining.software_ready is not False


def _aspm(space: ConfigSpace) -> tuple[str, ...] | None:
    if space.link is None:
        return None
    enabled = () if space.l1_substates is None else space.l1_substates.enabled
    return (*space.link.aspm_enabled, *(word for name, word in _SUBSTATES.items() if name in enabled))
