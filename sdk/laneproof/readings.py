"""What a card, a link or a host was seen to be: frozen values that parts return and verdicts rest on.

Unavailable is not zero: each count is exact, a lower bound, or unavailable with the reason.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Literal, TypeVar, get_args

from attrs import field, frozen
from attrs.validators import in_, optional


@frozen
class Exact:
    """A count that is neither more nor less."""

    n: int


@frozen
class AtLeast:
    """A lower bound: coalesced by the kernel, a sticky flag, or a saturated counter."""

    n: int
    why: str
    blind: bool = False
    """A flag of its kind is set and not cleared, so that further events cannot show."""


@frozen
class Unavailable:
    """Not known, and why. Never to be read as zero, or as healthy."""

    why: str


Count = Exact | AtLeast | Unavailable
_T = TypeVar("_T")


def known(value: _T | Unavailable) -> _T | None:
    """The value, or None where it is unavailable."""
    return None if isinstance(value, Unavailable) else value


def _text(_: Any, __: Any, value: Any) -> None:
    """Readings come from drivers of any origin, and end up in a ledger: they are what they say, or refused at once."""
    if not isinstance(value, str):
        raise TypeError(f"{value!r} is not text")


def _number(_: Any, __: Any, value: Any) -> None:
    if value is not None and not (isinstance(value, int | float) and math.isfinite(value)):
        raise TypeError(f"{value!r} is not a finite number")


@frozen(kw_only=True)
class PartnerLink:
    """One partner's view of its link. `None` in a field means that this partner does not show it.

    Speeds in GT/s, widths in lanes, payload and read request in bytes.
    """

    name: str = field(validator=_text)
    speed_gtps: float | None = field(default=None, validator=_number)
    width: int | None = field(default=None, validator=_number)
    max_speed_gtps: float | None = field(default=None, validator=_number)
    max_width: int | None = field(default=None, validator=_number)
    max_payload: int | None = field(default=None, validator=_number)
    read_request: int | None = field(default=None, validator=_number)
    active: bool | None = None
    """Data link layer active; False is a link that is down."""
    bandwidth_management: bool | None = None
    """Link Status LBMS: the link was retrained by software, or changed speed or width for reliability. Sticky."""
    autonomous_bandwidth: bool | None = None
    """Link Status LABS: the link changed speed or width by itself, not for reliability. Sticky."""


@frozen(kw_only=True)
class LinkReading:
    """Both partners of one link, `near` towards the CPU and `far` towards the card."""

    near: PartnerLink | Unavailable
    far: PartnerLink | Unavailable
    wiring: int | None = None
    """Lanes that the slot has wired, where the platform declares it."""
    slot_power_w: float | None = field(default=None, validator=_number)
    """The slot power limit that the near port announces to the card; None where it is not shown, or none is set."""
    above: tuple[PartnerLink, ...] = ()
    """The links on the way from the root port, which bytes pass too, as their upper ends show them; that of the root
    port first. Empty where there are none, or where they are not shown."""


@frozen(kw_only=True)
class Retraining:
    """One retraining of a link: seconds from the request until it was active again, None if it was not by the deadline.

    `resolution_s` is how much later than that it may have been seen. `seen`: something shows that the link trained, a
    port that ignores the request does nothing. `wrote`: which registers were written where, for the record.
    """

    seconds: float | None = field(validator=_number)
    resolution_s: float = field(validator=_number)
    seen: bool
    wrote: str = field(validator=_text)


@frozen(kw_only=True)
class PartnerErrors:
    """One partner's error counts, by the short names of the AER catalogue, per severity as reported.

    `epoch` changes when the counters start anew (reset, re-enumeration), so that no delta is taken across it.
    """

    name: str = field(validator=_text)
    epoch: str
    correctable: Mapping[str, Count] = field(factory=dict[str, Count])
    nonfatal: Mapping[str, Count] = field(factory=dict[str, Count])
    fatal: Mapping[str, Count] = field(factory=dict[str, Count])

    def since(self, earlier: PartnerErrors) -> PartnerErrors:
        """What was added since `earlier`; in a new epoch, the new counts as lower bounds, a zero as unavailable."""
        return PartnerErrors(
            name=self.name,
            epoch=self.epoch,
            correctable=self._delta(self.correctable, earlier.correctable, earlier.epoch),
            nonfatal=self._delta(self.nonfatal, earlier.nonfatal, earlier.epoch),
            fatal=self._delta(self.fatal, earlier.fatal, earlier.epoch),
        )

    def _delta(self, now: Mapping[str, Count], before: Mapping[str, Count], epoch: str) -> dict[str, Count]:
        vanished = Unavailable("it was counted before, and is not shown now")
        return {
            name: added(now.get(name, vanished), before.get(name, Exact(0)), same_epoch=epoch == self.epoch)
            for name in (*now, *(before.keys() - now.keys()))
        }


def added(now: Count, before: Count, *, same_epoch: bool = True) -> Count:
    """What a count has grown by; across epochs, or where it fell, its new value as a lower bound."""
    if isinstance(now, Unavailable):
        return now
    if isinstance(before, Unavailable):
        return Unavailable(f"not known before: {before.why}")
    if same_epoch and now.n == before.n and isinstance(before, AtLeast) and before.blind:
        return Unavailable(f"blind throughout: {before.why}")
    if not same_epoch or now.n < before.n:
        why = "the counters started anew in between"
        return AtLeast(now.n, why) if now.n else Unavailable(f"{why} and have counted nothing since")
    grown = now.n - before.n
    if isinstance(now, AtLeast):  # a flag that was clear before and is set now stands for one event at least
        return AtLeast(max(grown, int(now.blind)), now.why, now.blind)
    if isinstance(before, AtLeast) and grown:  # there may have been more before, and so fewer since
        return Unavailable(f"only a lower bound was known before: {before.why}")
    return Exact(grown)


@frozen(kw_only=True)
class ErrorReading:
    """Error counts at both partners of the card's link."""

    near: PartnerErrors | Unavailable
    far: PartnerErrors | Unavailable

    def since(self, earlier: ErrorReading) -> ErrorReading:
        """What either partner added since `earlier`, each by its own epoch."""
        return ErrorReading(near=_since(self.near, earlier.near), far=_since(self.far, earlier.far))


def _since(now: PartnerErrors | Unavailable, before: PartnerErrors | Unavailable) -> PartnerErrors | Unavailable:
    if isinstance(now, Unavailable):
        return now
    if isinstance(before, Unavailable):
        return Unavailable(f"not known before: {before.why}")
    return now.since(before)


@frozen(kw_only=True)
class PartnerCondition:
    """What one partner shows of its receiver beyond counts: the only readings that name a lane, or a segment.

    `None`, or a segment or speed that is missing, means that this partner does not show it. Lanes are counted as the
    port counts them, from 0.
    """

    name: str = field(validator=_text)
    lane_errors: tuple[int, ...] | None = None
    """Lanes whose bit in Lane Error Status is set: sticky flags, no counts."""
    parity_mismatches: Mapping[str, tuple[int, ...]] = field(factory=dict[str, tuple[int, ...]])
    """Lanes with a data parity mismatch, by the segment that saw it: "local", "first retimer", "second retimer"."""
    equalisation: Mapping[float, tuple[str, ...]] = field(factory=dict[float, tuple[str, ...]])
    """By speed in GT/s, what is set of "complete", "phase 1", "phase 2", "phase 3" and "requested"."""
    presets: Mapping[float, tuple[str, ...]] = field(factory=dict[float, tuple[str, ...]])
    """By speed in GT/s, the transmitter presets in the equalisation control registers, one text for each lane."""
    retimers: int | None = None
    clocking: str | None = field(default=None, validator=optional(_text))
    """"common", "separate", or "separate, SRIS", as the port declares it."""
    margining: bool | None = None
    """Whether lane margining at the receiver is offered and ready."""
    aspm: tuple[str, ...] | None = None
    """Link power states that are switched on, of "L0s", "L1", "L1.1", "L1.2"."""
    device_status: tuple[str, ...] | None = None
    """Error flags of Device Status (CED, NFED, FED, URD): without AER the only evidence."""


@frozen(kw_only=True)
class Sensor:
    """One reading of temperature, voltage, current or power. `unit` is "°C", "V", "A" or "W"."""

    name: str = field(validator=_text)
    value: float = field(validator=_number)
    unit: str = field(validator=_text)


@frozen(kw_only=True)
class ReportedError:
    """One error that the kernel reported as it happened, with the header that it logged.

    `time_s` is the kernel's clock since boot. `errors` are short names of the AER catalogue.
    """

    time_s: float = field(validator=_number)
    device: str = field(validator=_text)
    severity: str = field(validator=_text)
    errors: tuple[str, ...]
    header_log: tuple[int, int, int, int] | None = None


@frozen(kw_only=True)
class Conditions:
    """What was around a measurement: both receivers, and the host. Unavailable is neither zero nor healthy."""

    near: PartnerCondition | Unavailable
    far: PartnerCondition | Unavailable
    sensors: tuple[Sensor, ...] | Unavailable
    memory_errors: Mapping[str, Count] | Unavailable
    """Host memory errors since the counters began, by "corrected" and "uncorrected"."""
    iommu_faults: Count | Unavailable
    reported: tuple[ReportedError, ...] | Unavailable
    """Errors that the kernel has reported for this link's partners since the observer was attached."""


@frozen
class Component:
    """A part of a card that has a version of its own: firmware, bitstream, driver."""

    name: str = field(validator=_text)
    version: str = field(validator=_text)


@frozen(kw_only=True)
class Identity:
    """What a card says that it is. A change within a step ends the step."""

    model: str = field(validator=_text)
    serial: str | None = field(default=None, validator=optional(_text))
    components: tuple[Component, ...] = ()


@frozen(kw_only=True)
class HostFunction:
    """One function of a computer, and how it is held. `None` in a field means that the computer does not show it."""

    address: str
    description: str
    driver: str | None = None
    numa_node: int | None = None
    iommu_group: str | None = None
    runtime_status: str | None = None
    """Runtime power state as Linux spells it: "active", "suspended", "unsupported", ..."""
    runtime_control: str | None = None
    """"auto" where it may be suspended while unused, "on" where not."""


@frozen(kw_only=True)
class HostLink:
    """One link of a real computer as `survey` lists it; addresses as Linux writes them (0000:00:05.0)."""

    near_address: str | None
    """None where the port is hidden, as a hypervisor does."""
    far_address: str | None
    """None where nothing is plugged in."""
    description: str
    link: LinkReading
    errors: ErrorReading
    """Link errors that several functions of one device show are counted once."""
    remarks: tuple[str, ...] = ()
    """What stands out, and what could not be read and why."""
    functions: tuple[HostFunction, ...] = ()
    """The device at the far end."""
    slot: str | None = None
    """The slot's own name."""
    path: tuple[str, ...] = ()
    """Ports between the processor and this link, the root port first and this link's own port last."""
    bottleneck: str | None = None
    """The port above the link of this path that carries least; None where not every link's rate is known."""
    root_messages: Mapping[str, Count] | Unavailable = Unavailable("no root port is shown")
    """Error messages that the root port of this path has received, by severity, from all that is below it."""
    errors_kept_by: str | None = None
    """"kernel" or "nobody": who counts this path's errors; None where it is not shown."""
    aspm: tuple[str, ...] | None = None
    """Link power states that are switched on, of "L0s", "L1", "L1.1", "L1.2"."""
    slot_power_w: float | None = field(default=None, validator=_number)


@frozen(kw_only=True)
class HostSurvey:
    """Every link that the host shows, and what was left out."""

    host: str
    links: tuple[HostLink, ...]
    remarks: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    """What this user may not read, and the least privilege that would give it."""
    kernel: str | None = None
    """The kernel's release."""
    kernel_arguments: tuple[str, ...] = ()
    """Those that the kernel was started with and that bear on what can be seen."""
    aspm_policy: str | None = None


@frozen(kw_only=True)
class Use:
    """A card that a run will use, as `registry.parse_uri` parts its URI; what a host is to be ready for.

    `observe` is where its link is seen; `in_flight_bytes` are in buffers that the card reaches at one time.
    """

    uri: str
    scheme: str
    address: str
    options: Mapping[str, str] = field(factory=dict[str, str])
    observe: str | None = None
    in_flight_bytes: int = 0


CheckOutcome = Literal["ok", "warning", "missing", "not known"]


@frozen(kw_only=True)
class Check:
    """One thing that has to be so on the host before a run, and what was found.

    `missing`: the run would end in error. `not known`: the run could not tell what it is there to tell. `warning`:
    anything less. Whatever is not ok has a `remedy`.
    """

    name: str
    outcome: CheckOutcome = field(validator=in_(get_args(CheckOutcome)))
    found: str
    remedy: str = ""
    uri: str = ""
    """The card that it is about; empty for the host as a whole."""
