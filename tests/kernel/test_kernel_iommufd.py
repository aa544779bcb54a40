"""DMA by way of iommufd on a real kernel: the driver `vfio` on QEMU's educational device, in a guest whose kernel is
built for it, since Debian's have no iommufd.

Outside references: what that kernel logs of DMA that the IOMMU refused, and how much of the process it holds for DMA;
its headers, compiled.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterator
from pathlib import Path

import dma_topology as at
import pytest
from attrs import evolve
from built_kernel import BuiltKernel, built_kernel
from dma_in_guest import (
    astray,
    bind,
    checked,
    closed_in_flight,
    left_open,
    looped_through_regions,
    opened_twice,
    refusal,
    reset_and_checked,
    stalled_and_recovered,
    tried_rules,
)
from guest_image import Image, Missing
from guest_machine import Machine, machine
from iommufd_in_guest import (
    checked_without_privilege,
    closed_with_a_region,
    pinned,
    refused_while_held,
    refused_without_privilege,
    without_groups,
)
from test_kernel_dma import RULES

from laneproof import conformance

pytestmark = [pytest.mark.kernel, pytest.mark.long, pytest.mark.timeout(3600)]

ENGINE = f"vfio:{at.ENGINE}"
IOMMUFD = at.EDU | {"interface": "iommufd"}
ENGINE_URI = f"{ENGINE}?{'&'.join(f'{key}={value}' for key, value in (IOMMUFD | {'rate': '1kB/s'}).items())}"
OWN_NBYTES = 2 * 4096
"""What the driver keeps for itself: two buffers of 4092 bytes, in whole pages."""
LOCK_LIMIT_NBYTES = 8 << 20
"""Of each user, where nobody changed it: Linux include/uapi/linux/resource.h, MLOCK_LIMIT."""
FILES = ("/dev/iommu", "/dev/vfio/devices/vfio0")
FIXTURE = Path(__file__).parents[1] / "fixtures/uapi/iommufd.json"


@pytest.fixture(scope="module")
def kernel() -> BuiltKernel:
    try:
        return built_kernel()
    except Missing as missing:
        pytest.skip(str(missing))


@pytest.fixture(scope="module")
def engine(kernel_image: Image, kernel: BuiltKernel, shared_memory: Path) -> Iterator[Machine]:
    """A guest with both interfaces, and the engine bound to vfio-pci."""
    image, more = evolve(kernel_image, kernel=kernel.vmlinux), at.memory_at(str(shared_memory))
    try:
        with machine(image, at.DEVICES, at.KERNEL_OPTIONS, more) as running:
            running.call(bind, at.ENGINE)
            yield running
    except Missing as missing:
        pytest.skip(str(missing))


def test_numbers_and_layouts_are_those_of_the_kernels_headers(kernel: BuiltKernel, tmp_path: Path) -> None:
    recorded = json.loads(FIXTURE.read_text("utf-8"))
    lines = "\n".join(f'  printf("%ld\\n", (long)({name}));' for name in recorded)
    includes = "".join(f"#include <{name}>\n" for name in ("stddef.h", "stdio.h", "linux/vfio.h", "linux/iommufd.h"))
    (tmp_path / "numbers.c").write_text(f"{includes}int main(void) {{\n{lines}\n}}\n")
    subprocess.run(["cc", "-I", kernel.headers, "-o", tmp_path / "numbers", tmp_path / "numbers.c"], check=True)
    said = subprocess.run([tmp_path / "numbers"], capture_output=True, text=True, check=True).stdout
    assert dict(zip(recorded, map(int, said.split()), strict=True)) == recorded


# --- data -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("options", [at.EDU, at.EDU_INTERRUPT], ids=["polled", "interrupt"])
def test_bytes_go_to_the_card_and_back_by_dma(engine: Machine, options: dict[str, str]) -> None:
    result = engine.call(checked, ENGINE, options | {"interface": "iommufd"}, 4 * 4092, 4092)
    assert result.ok
    assert result.bytes_checked == 4 * 4092


def test_where_there_are_no_groups_iommufd_is_used_unasked(engine: Machine) -> None:
    ok, had_open = engine.call(without_groups, ENGINE, at.EDU)
    assert ok
    assert {name for name in had_open if name.startswith(("/dev/iommu", "/dev/vfio"))} == set(FILES)


def test_groups_work_through_the_containers_that_iommufd_stands_in_for(engine: Machine) -> None:
    assert engine.call(checked, ENGINE, at.EDU | {"interface": "group"}, 4092, 4092).ok
    assert engine.call(checked, ENGINE, at.EDU, 4092, 4092).ok


def test_dma_beyond_what_was_mapped_is_refused_by_the_iommu_and_shows(engine: Machine) -> None:
    result, logged = engine.call(astray, ENGINE, IOMMUFD)
    assert result.mismatched_bytes == 4092
    assert any("DMAR" in line and at.ENGINE.removeprefix("0000:") in line for line in logged)


def test_memory_of_the_card_is_used_in_place(engine: Machine) -> None:
    data = bytes(range(1, 251)) * 16
    assert engine.call(looped_through_regions, ENGINE, IOMMUFD, data) == (data, 0)


def test_a_region_that_the_engine_is_at_is_not_closed(engine: Machine) -> None:
    refused, closed = engine.call(closed_in_flight, ENGINE, IOMMUFD)
    assert "may still use this Region" in refused
    assert closed == "closed"


def test_a_card_that_had_no_time_is_stopped_and_works_again(engine: Machine) -> None:
    assert engine.call(stalled_and_recovered, ENGINE, IOMMUFD) == (True, "drained", True)


def test_a_function_that_was_reset_works(engine: Machine) -> None:
    assert engine.call(reset_and_checked, ENGINE, IOMMUFD)


def test_the_driver_keeps_the_rules_of_a_queue_and_of_its_memory(engine: Machine) -> None:
    found = engine.call(tried_rules, ENGINE_URI, RULES)
    assert [(rule, outcome) for rule, outcome, _ in found] == [(rule, "kept") for rule, _, _ in found]
    assert {rule for rule, _, _ in found} == set(RULES)


def test_the_driver_keeps_every_rule_that_can_be_tried_here(engine: Machine) -> None:
    names = [rule.name for rule in conformance.rules_of("card")]
    parts = (tuple(names[start : start + 10]) for start in range(0, len(names), 10))  # a call may take so long only
    found = [one for part in parts for one in engine.call(tried_rules, ENGINE_URI, part)]
    assert [rule for rule in found if rule[1] == "broken"] == []
    assert sum(outcome == "kept" for _, outcome, _ in found) > 40


# --- what is given back ---------------------------------------------------------------------------------------


def test_the_kernel_holds_what_is_mapped_and_nothing_after_close(engine: Machine) -> None:
    nbytes = 16 * 4096
    assert engine.call(pinned, ENGINE, IOMMUFD, nbytes) == (OWN_NBYTES + nbytes, OWN_NBYTES, 0)


def test_memory_that_outlives_the_card_is_held_no_more(engine: Machine) -> None:
    assert engine.call(closed_with_a_region, ENGINE, IOMMUFD, 4096) == (0, b"mine")


def test_nothing_is_left_open(engine: Machine) -> None:
    engine.call(checked, ENGINE, IOMMUFD, 4092, 4092)
    assert engine.call(left_open) == []


# --- users ----------------------------------------------------------------------------------------------------


def test_a_user_who_may_open_both_files_needs_no_privilege_but_may_lock_so_much_memory_only(engine: Machine) -> None:
    ok, said = engine.call(checked_without_privilege, ENGINE, IOMMUFD, FILES, LOCK_LIMIT_NBYTES)
    assert ok
    assert "`ulimit -l`" in said


@pytest.mark.parametrize(
    ("allowed", "rule"),
    [
        ((), '/dev/iommu is not permitted to this user; the udev rule KERNEL=="iommu"'),
        (FILES[:1], '/dev/vfio/devices/vfio0 is not permitted to this user; the udev rule SUBSYSTEM=="vfio-dev"'),
    ],
)
def test_a_user_without_permission_is_told_the_rule_that_gives_it(
    engine: Machine, allowed: tuple[str, ...], rule: str
) -> None:
    kind, said = engine.call(refused_without_privilege, ENGINE, IOMMUFD, allowed)
    assert kind == "CannotOpen"
    assert rule in said


# --- what is not opened ---------------------------------------------------------------------------------------


def test_a_card_that_is_open_is_not_opened_again(engine: Machine) -> None:
    kind, said = engine.call(opened_twice, ENGINE, IOMMUFD)
    assert kind == "CardInUse"
    assert "/dev/vfio/devices/vfio0" in said


@pytest.mark.parametrize("interface", ["iommufd", "group"])
@pytest.mark.parametrize("held_by", ["iommufd", "group"])
def test_a_card_that_another_process_has_is_refused_with_its_name(
    engine: Machine, held_by: str, interface: str
) -> None:
    holder, kind, said = engine.call(
        refused_while_held, ENGINE, at.EDU | {"interface": held_by}, at.EDU | {"interface": interface}
    )
    assert kind == "CardInUse"
    assert f"process {holder} " in said


def test_a_function_that_another_driver_has_is_not_taken(engine: Machine) -> None:
    kind, said = engine.call(refusal, f"vfio:{at.IN_USE}", IOMMUFD)
    assert kind == "CardInUse"
    assert "virtio-pci drives it" in said


def test_a_group_that_others_are_in_is_refused_with_their_names(engine: Machine) -> None:
    engine.call(bind, at.SHARING)
    kind, said = engine.call(refusal, f"vfio:{at.SHARING}", IOMMUFD)
    assert kind == "CannotOpen"
    assert f"{at.IN_USE} (virtio-pci)" in said
