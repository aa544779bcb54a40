"""What is read of a slot: both partners as their registers show them, and the card's sensors. Pure functions."""

from __future__ import annotations

from laneproof import pcie
from laneproof.pcie.express import power_limit_w
from laneproof.pcie.fields import field
from laneproof.readings import PartnerCondition, PartnerLink, Sensor, Unavailable
from laneproof_sim.config_space import EXPRESS
from laneproof_sim.registers import LinkPartner
from laneproof_sim.scenario import Slot
from laneproof_sim.temperature import celsius_at

_ERROR_FLAGS = ("CED", "NFED", "FED", "URD")
NOT_OBSERVABLE = "this platform shows neither the near port's registers nor the card's"
_FIRMWARE = "the platform's firmware owns error reporting; the kernel is told of no error and counts none"
_NO_SENSORS = Unavailable("this slot's scenario says nothing of temperature or power")


def decoded(partner: LinkPartner, name: str) -> PartnerLink:
    """What one partner's registers show of its link."""
    seen = pcie.decode(partner.image())
    link, payload = seen.link, seen.payload
    assert link is not None
    assert payload is not None
    return PartnerLink(
        name=name,
        speed_gtps=link.speed_gtps,
        width=link.width,
        max_speed_gtps=link.max_speed_gtps,
        max_width=link.max_width,
        max_payload=payload.set,
        read_request=payload.read_request,
        active=link.dl_active,
        bandwidth_management=link.bandwidth_management,
        autonomous_bandwidth=link.autonomous_bandwidth,
    )


def slot_power_w(port: LinkPartner) -> float | None:
    """The slot power limit in the register of the port above; None where that is silent."""
    if not port.present:
        return None
    capable = port.hardware(EXPRESS + pcie.registers.PCI_EXP_SLTCAP)
    return power_limit_w(
        field(capable, pcie.registers.PCI_EXP_SLTCAP_SPLV), field(capable, pcie.registers.PCI_EXP_SLTCAP_SPLS)
    )


def condition(partner: LinkPartner, name: str) -> PartnerCondition:
    """What the registers hold; parity from 16 GT/s on has registers of its own."""
    seen = pcie.decode(partner.image())
    link, flags = seen.link, seen.device_status
    assert link is not None
    assert flags is not None
    layers = {16.0: seen.physical_16gt, 32.0: seen.physical_32gt}
    parity = seen.physical_16gt.local_parity_mismatch if seen.physical_16gt is not None else None
    equalisation = {8.0: link.equalisation or ()} if seen.secondary is not None else {}
    return PartnerCondition(
        name=name,
        lane_errors=seen.secondary.lane_errors if seen.secondary is not None else None,
        parity_mismatches={} if parity is None else {"local": parity},
        equalisation=equalisation | {speed: layer.equalisation for speed, layer in layers.items() if layer is not None},
        clocking=link.clocking,
        margining=None if seen.margining is None else seen.margining.ready,
        device_status=tuple(flag for flag in flags if flag in _ERROR_FLAGS),
    )


def why_uncounted(slot: Slot) -> str:
    """Why the kernel has nothing to show of errors, empty where it has."""
    if not slot.observable:
        return NOT_OBSERVABLE
    return _FIRMWARE if slot.errors_owned_by == "firmware" else ""


def sensors(slot: Slot, at_s: float, *, at_work: bool) -> tuple[Sensor, ...] | Unavailable:
    """The card's temperature, and what it draws from the computer, where the scenario speaks of them."""
    found: list[Sensor] = []
    celsius, power = celsius_at(slot.temperature, at_s), slot.power
    if celsius is not None:
        found.append(Sensor(name="card", value=celsius, unit="°C"))
    if power is not None and power.own_supply is None:
        found.append(Sensor(name="card power", value=power.under_load if at_work else power.at_rest, unit="W"))
    return tuple(found) or _NO_SENSORS
