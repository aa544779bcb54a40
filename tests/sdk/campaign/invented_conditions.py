"""What the invented cards show of their conditions and of their link under load, as their addresses say."""

from __future__ import annotations

import math
from typing import Any, cast

import attrs

from laneproof.errors import DeviceLost, DriverFault
from laneproof.readings import (
    AtLeast,
    Conditions,
    Count,
    Exact,
    LinkReading,
    PartnerCondition,
    PartnerLink,
    ReportedError,
    Sensor,
    Unavailable,
)

HEADER = (0x04000001, 0x00200A03, 0x05010000, 0x00050100)
"""A CfgRd0, logged (Linux Documentation/PCI/pcieaer-howto.rst)."""
MARKUP = "<script>alert(1)</script>\x1b[2J"


def partner(name: str, **shown: Any) -> PartnerCondition:
    segments = {"local": (), "first retimer": ()}
    healthy = PartnerCondition(
        name=name,
        lane_errors=(),
        parity_mismatches=segments,
        equalisation={8.0: ("complete",), 16.0: ("complete",)},
        retimers=1,
        clocking="common",
        margining=True,
        aspm=("L0s",),
        device_status=(),
    )
    return attrs.evolve(healthy, **shown)


def report(severity: str, name: str) -> ReportedError:
    return ReportedError(time_s=12.5, device="0000:05:00.1", severity=severity, errors=(name,), header_log=HEADER)


def conditions(behaviour: str, reads: int) -> Conditions:
    """What reading number `reads` shows; the first is before the first step."""
    later = reads > 1
    near, far = partner("port"), partner("card")
    memory: dict[str, Count] = {"corrected": Exact(7), "uncorrected": Exact(1)}
    faults: Count = Exact(2)
    reported: tuple[ReportedError, ...] = (report("Corrected", "RxErr"),)
    sensors: tuple[Sensor, ...] = (Sensor(name="readings", value=float(reads), unit="°C"),)
    match behaviour:
        case "lane-error" if later:
            far = partner("card", lane_errors=(5, 2))
        case "mismatch" if later:
            near = partner("port", parity_mismatches={"local": (), "first retimer": (7,)})
        case "blind-lane":
            far = partner("card", lane_errors=(3,))
        case "asks-again" if later:
            far = partner("card", equalisation={8.0: ("complete",), 16.0: ("complete", "requested")}, aspm=())
        case "appears" if later:
            far = partner("card", lane_errors=(1,), parity_mismatches={"second retimer": (1,)})
        case "appears":
            far = partner("card", lane_errors=None)
        case "flags-device" if later:
            near = partner("port", device_status=("CED", "URD"))
        case "rotten" | "failing-memory" if later:
            memory = {"corrected": Exact(7), "uncorrected": Exact(4)}
        case "all-failing" if later:
            far = partner("card", lane_errors=(5,))
            memory = {"corrected": Exact(7), "uncorrected": Exact(4)}
        case "correcting-memory" if later:
            memory = {"corrected": AtLeast(9, "coalesced"), "uncorrected": Exact(1)}
        case "refused" if later:
            faults = Exact(3)
        case "reports" if later:
            reported = (*reported, report("Fatal", "MalfTLP"))
        case "reports-mildly" if later:
            reported = (*reported, report("Corrected", "BadTLP"))
        case "reports-often" if later:
            mild = report("Corrected", "BadTLP")
            reported = (*reported, *(attrs.evolve(mild, time_s=mild.time_s + number) for number in range(3)))
        case "forgets" if later:
            reported = (report("Corrected", "BadTLP"),)
        case "hides" if reads in (2, 3):
            return conditions("hidden", 1)
        case "hides" if later:
            far = partner("card", lane_errors=(4,))
        case "hidden":
            gone = Unavailable("no permission")
            return Conditions(near=gone, far=gone, sensors=gone, memory_errors=gone, iommu_faults=gone, reported=gone)
        case "gone-within" if later:
            raise DeviceLost("no answer", link_evidence="port shows its link down")
        case "unreadable":
            raise DriverFault("the register window does not answer")
        case "lies":
            far = partner("card", lane_errors=cast("tuple[int, ...]", ("a", math.nan)))
        case "lies-later" if later:
            reported = (*reported, attrs.evolve(report("Corrected", "BadTLP"), header_log=(1 << 40, -1, 0, 0)))
        case "lies-otherwise":
            return cast("Conditions", {"near": "fine"})
        case "marked-up":
            far = PartnerCondition(name=MARKUP, clocking=MARKUP, lane_errors=(0,), aspm=(MARKUP,))
            sensors = (Sensor(name=MARKUP, value=1.0, unit=MARKUP),)
            memory = {MARKUP: Exact(reads)}
            reported = tuple(
                ReportedError(time_s=float(n), device=MARKUP, severity="Corrected", errors=(MARKUP,))
                for n in range(reads)
            )
        case _:
            pass
    return Conditions(near=near, far=far, sensors=sensors, memory_errors=memory, iommu_faults=faults, reported=reported)


def falling_link(behaviour: str, *, low: bool, fell: bool) -> LinkReading:
    """A link that falls while data move and comes back: now `low`, or having fallen before."""
    flags: dict[str, dict[str, bool]] = {
        "falls": {},
        "falls-by-itself": {"bandwidth_management": False, "autonomous_bandwidth": fell},
        "falls-unreliably": {"bandwidth_management": fell, "autonomous_bandwidth": False},
        "falls-after-others": {"bandwidth_management": True, "autonomous_bandwidth": fell},
    }
    trained = {"speed_gtps": 2.5 if low else 8.0, "width": 4, "max_speed_gtps": 8.0, "max_width": 4}
    return LinkReading(
        near=PartnerLink(name="port", **trained, active=True, **flags[behaviour]),
        far=PartnerLink(name="card", **trained),
    )
