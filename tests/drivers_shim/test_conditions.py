"""What stands around a measurement: the trace of errors, the kernel's log, sensors, memory errors, both receivers."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from laneproof.clock import Deadline
from laneproof.contract import ConditionObserver
from laneproof.readings import AtLeast, Conditions, PartnerCondition, Sensor, Unavailable
from laneproof_drivers.aer_trace import parsed
from laneproof_drivers.kernel_log import FaultCount
from laneproof_drivers.pci_observer import PciObservers

PORT, CARD = "0000:00:06.0", "0000:03:00.0"
TRACE = Path(__file__).parents[1] / "fixtures" / "aer_trace" / "trace.txt"


def attach(tree) -> ConditionObserver:
    """Below a root that holds dev beside sys."""
    with Deadline(20) as deadline:
        (part,) = PciObservers(tree.root.parent).attach(CARD, deadline)
    assert isinstance(part, ConditionObserver)
    return part


def conditions(part: ConditionObserver) -> Conditions:
    with Deadline(20) as deadline:
        return part.read_conditions(deadline)


# --- the trace ---


def test_each_recorded_error_has_its_time_severity_names_and_header():
    """The trace of Linux 6.1.0 in a guest whose errors were injected by its aer_inject module."""
    errors = list(parsed(TRACE.read_text()))
    assert [(one.device, one.severity, one.errors) for one in errors] == [
        ("0000:01:00.0", "correctable", ("RxErr",)),
        ("0000:01:00.0", "correctable", ("BadTLP", "Timeout")),
        ("0000:01:00.0", "correctable", ("NonFatalErr",)),
        ("0000:01:00.0", "nonfatal", ("PoisonedTLP",)),
        ("0000:01:00.0", "nonfatal", ("CmpltTO",)),
        ("0000:04:00.0", "nonfatal", ("CmpltAbrt", "UnsupReq")),
        ("0000:04:00.0", "nonfatal", ("DMWrReqBlocked",)),  # bit 27, for which that kernel has no label
        ("0000:03:01.0", "correctable", ("BadDLLP",)),
        ("0000:00:02.0", "fatal", ("MalfTLP",)),
        ("0000:00:02.0", "fatal", ("DLP", "SDES")),
        ("0000:06:00.0", "fatal", ()),
    ]
    first = next(line for line in TRACE.read_text().splitlines() if "aer_event" in line)
    assert f" {errors[0].time_s:.6f}: aer_event" in first
    assert [one.header_log for one in errors[3:5]] == [(0x40000001, 0x100000F, 0xFE000000, 0xDEADBEEF), None]


@pytest.mark.parametrize(
    "line", ["", "aer_event:", "x [000] ..... 1.5: aer_event: 0000:01:00.0 PCIe Bus Error:", "\xff" * 500]
)
def test_a_line_that_is_no_error_is_left_out(line):
    assert list(parsed(line)) == []


def tracing(tree, *errors: str, instance: str = "instances/mine", enabled: str = "1") -> Path:
    folder = tree.root / "kernel/tracing" / instance
    (folder / "events/ras/aer_event").mkdir(parents=True, exist_ok=True)
    (tree.root / "kernel/tracing/events/ras/aer_event").mkdir(parents=True, exist_ok=True)
    (tree.root / "kernel/tracing/events/ras/aer_event/enable").touch()
    (folder / "events/ras/aer_event/enable").write_text(f"{enabled}\n")
    (folder / "trace").write_text("# tracer: nop\n" + "".join(f"{error}\n" for error in errors))
    return folder / "trace"


def event(time_s: float, device: str, label: str = "Bad TLP") -> str:
    return (
        f"   irq/24-aerdrv-48      [000] .....  {time_s:.6f}: aer_event: {device} PCIe Bus Error: severity=Corrected, "
        f"{label}, TLP Header=Not available\n"
    )


@pytest.mark.parametrize("instance", ["instances/mine", "."])
def test_errors_of_either_end_since_the_observer_was_attached_are_reported(tree, instance):
    trace = tracing(tree, event(5.0, CARD), instance=instance)
    part = attach(tree)
    assert conditions(part).reported == ()
    trace.write_text(
        "".join((event(5.0, CARD), event(6.5, CARD), event(7.0, PORT, "Bad DLLP"), event(8.0, "0000:02:00.0")))
    )
    assert [(one.time_s, one.device, one.errors) for one in conditions(part).reported] == [
        (6.5, CARD, ("BadTLP",)),
        (7.0, PORT, ("BadDLLP",)),
    ]


def test_a_trace_that_is_stopped_is_not_without_errors(tree):
    """Linux Documentation/trace/ftrace.rst: 0 in tracing_on stops recording, whatever is enabled."""
    (tracing(tree).parent / "tracing_on").write_text("0\n")
    seen = conditions(attach(tree)).reported
    assert isinstance(seen, Unavailable)
    assert "is stopped" in seen.why


def test_a_trace_whose_clock_counts_no_seconds_is_not_without_errors(tree):
    """Linux Documentation/trace/ftrace.rst: the clocks "counter" and "x86-tsc" give whole numbers."""
    tracing(tree, event(5.0, CARD).replace("5.000000", "4711"))
    seen = conditions(attach(tree)).reported
    assert isinstance(seen, Unavailable)
    assert "trace_clock" in seen.why


def test_nothing_is_switched_on_unasked_and_the_commands_that_would_are_named(tree):
    trace = tracing(tree, enabled="0")
    seen = conditions(attach(tree)).reported
    assert isinstance(seen, Unavailable)
    assert "echo 1 > /sys/kernel/tracing/instances/laneproof/events/ras/aer_event/enable" in seen.why
    assert (trace.parent / "events/ras/aer_event/enable").read_text() == "0\n"


def test_without_tracefs_the_reason_is_given(tree):
    seen = conditions(attach(tree)).reported
    assert isinstance(seen, Unavailable)
    assert "tracefs is not mounted" in seen.why


def test_without_privilege_the_trace_says_who_may_read_it(tree, failing_open):
    tracing(tree)
    failing_open(errno.EACCES, "enable")
    seen = conditions(attach(tree)).reported
    assert isinstance(seen, Unavailable)
    assert "root may (CAP_DAC_READ_SEARCH)" in seen.why


# --- faults of the IOMMU ---


def log(tree, *texts: str) -> None:
    """Records as Linux Documentation/ABI/testing/dev-kmsg has them."""
    (tree.root / "class/iommu/dmar0").mkdir(parents=True, exist_ok=True)
    (tree.root.parent / "dev").mkdir(exist_ok=True)
    lines = "".join(f"3,{number},{1000 * number},-;{text}\n" for number, text in enumerate(texts))
    (tree.root.parent / "dev/kmsg").write_text(lines)


# Linux drivers/iommu/intel/dmar.c and drivers/iommu/amd/iommu.c.
DMAR = "DMAR: [DMA Read NO_PASID] Request device [03:00.0] fault addr 0x1000 [fault reason 0x06] PTE Read access"
AMD = "e1000e 0000:03:00.0: AMD-Vi: Event logged [IO_PAGE_FAULT domain=0x000e address=0x1000 flags=0x0020]"


def test_faults_of_every_kind_that_an_smmu_logs_by_number_are_counted(tree):
    """Linux drivers/iommu/arm/arm-smmu-v3: "event 0x%02x received"; 0x13 is permission, 0x24 a page request."""
    log(tree, "something else")
    part = attach(tree)
    numbers = ("02", "04", "0a", "10", "11", "12", "13", "24")
    log(tree, "something else", *(f"arm-smmu-v3 arm-smmu-v3.0.auto: event 0x{number} received:" for number in numbers))
    assert isinstance(count := conditions(part).iommu_faults, AtLeast)
    assert count.n == 7


@pytest.mark.parametrize("fault", [DMAR, DMAR.replace("[03:00.0]", "[0000:03:00.1]"), AMD])
def test_faults_of_this_card_since_it_is_watched_are_counted_as_lower_bounds(tree, fault):
    log(tree, fault, "something else")
    part = attach(tree)
    assert isinstance(count := conditions(part).iommu_faults, AtLeast)
    assert count.n == 0
    log(
        tree,
        fault,
        "something else",
        fault,
        fault,
        fault.replace("03:00", "65:00"),
        "DMAR: DRHD: handling fault status reg 2",
    )
    for _ in range(2):  # a second look counts nothing twice
        assert isinstance(count := conditions(part).iommu_faults, AtLeast)
        assert count.n == 2


def test_without_an_iommu_there_is_nothing_to_count(tree):
    count = conditions(attach(tree)).iommu_faults
    assert isinstance(count, Unavailable)
    assert "no IOMMU" in count.why


def test_a_log_that_may_not_be_read_is_not_zero_faults(tree, failing_open):
    log(tree)
    failing_open(errno.EPERM, "kmsg")
    count = conditions(attach(tree)).iommu_faults
    assert isinstance(count, Unavailable)
    assert "CAP_SYSLOG" in count.why


def test_this_computers_own_log_is_read_or_the_reason_given():
    from laneproof_drivers.host_tree import this_computer

    assert isinstance(FaultCount(this_computer()).read("0000:65:00.0"), AtLeast | Unavailable)


# --- sensors and memory ---


def chip(tree, place: str, **files: str) -> None:
    """Units of Linux Documentation/hwmon/sysfs-interface.rst: thousandths, power in millionths."""
    folder = tree.root / place
    folder.mkdir(parents=True)
    for name, text in files.items():
        (folder / name).write_text(f"{text}\n")
    chips = tree.root / "class/hwmon"
    chips.mkdir(parents=True, exist_ok=True)
    (chips / folder.name).symlink_to(folder)


def test_sensors_of_the_host_and_of_the_card_are_read_in_their_units(tree):
    chip(tree, "devices/platform/coretemp.0/hwmon/hwmon0", name="coretemp", temp1_input="41500", temp1_label="Package")
    place = tree.folder(CARD).relative_to(tree.root)
    chip(tree, f"{place}/hwmon/hwmon1", name="card", in0_input="12050", curr1_input="2500", power1_input="30125000")
    assert conditions(attach(tree)).sensors == (
        Sensor(name="coretemp Package", value=41.5, unit="°C"),
        Sensor(name=f"{CARD} card curr1", value=2.5, unit="A"),
        Sensor(name=f"{CARD} card in0", value=12.05, unit="V"),
        Sensor(name=f"{CARD} card power1", value=30.125, unit="W"),
    )


def test_a_sensor_that_fails_or_says_nonsense_is_left_out(tree, failing_open):
    chip(
        tree,
        "devices/platform/x/hwmon/hwmon0",
        name="x",
        temp1_input="1e3",
        temp2_input="",
        temp3_input="55000",
        temp3_fault="1",
        temp4_input="20000",
        temp5_input="21000",
    )
    failing_open(errno.EAGAIN, "temp4_input")
    assert conditions(attach(tree)).sensors == (Sensor(name="x temp5", value=21.0, unit="°C"),)


def test_a_host_without_sensors_says_so(tree):
    assert isinstance(conditions(attach(tree)).sensors, Unavailable)


def test_memory_errors_are_counted_over_all_controllers(tree):
    """Linux Documentation/admin-guide/ras.rst: ce_count and ue_count of each controller."""
    for controller, corrected, uncorrected in (("mc0", 3, 0), ("mc1", 4, 1)):
        folder = tree.root / "devices/system/edac/mc" / controller
        folder.mkdir(parents=True)
        (folder / "ce_count").write_text(f"{corrected}\n")
        (folder / "ue_count").write_text(f"{uncorrected}\n")
    seen = conditions(attach(tree)).memory_errors
    assert {name: count.n for name, count in seen.items()} == {"corrected": 7, "uncorrected": 1}
    (tree.root / "devices/system/edac/mc/mc1/ce_count").write_text("many\n")
    assert isinstance(conditions(attach(tree)).memory_errors["corrected"], Unavailable)


def test_memory_that_nobody_watches_is_not_without_errors(tree):
    assert isinstance(conditions(attach(tree)).memory_errors, Unavailable)


# --- both receivers ---


def test_both_ends_show_their_receivers(tree):
    seen = conditions(attach(tree))
    assert isinstance(seen.near, PartnerCondition)
    assert isinstance(seen.far, PartnerCondition)
    assert (seen.near.name, seen.far.name) == (PORT, CARD)
    assert (seen.near.device_status, seen.far.aspm, seen.near.lane_errors) == ((), (), None)


def test_a_lane_is_named_from_the_lane_error_status(tree):
    """linux/pci_regs.h: extended capability 0x19, next in bits 31:20. EDK2 PciExpress31.h: Lane Error Status at 8."""
    image = bytearray(tree.config(PORT))
    free = 0xE00
    last = 0x100
    while following := int.from_bytes(image[last : last + 4], "little") >> 20:
        last = following
    head = int.from_bytes(image[last : last + 4], "little")
    image[last : last + 4] = (head & 0xFFFFF | free << 20).to_bytes(4, "little")
    image[free : free + 4] = (0x0019 | 1 << 16).to_bytes(4, "little")
    image[free + 8 : free + 12] = (1 << 0 | 1 << 3).to_bytes(4, "little")
    tree.write_config(PORT, bytes(image))
    near = conditions(attach(tree)).near
    assert isinstance(near, PartnerCondition)
    assert near.lane_errors == (0, 3)
    assert len(near.presets[8.0]) == 4


def test_without_privilege_a_receiver_is_not_shown_as_healthy(tree):
    tree.without_privilege()
    seen = conditions(attach(tree))
    assert isinstance(seen.near, Unavailable)
    assert "need root (CAP_SYS_ADMIN)" in seen.near.why
    (tree.folder(CARD) / "link").mkdir()
    (tree.folder(CARD) / "link/l1_aspm").write_text("1\n")
    assert conditions(attach(tree)).far == PartnerCondition(name=CARD, aspm=("L1",))


def test_a_card_that_is_gone_leaves_the_rest_to_be_read(tree):
    part = attach(tree)
    tree.unplug(CARD)
    seen = conditions(part)
    assert isinstance(seen.far, Unavailable)
    assert isinstance(seen.near, PartnerCondition)
