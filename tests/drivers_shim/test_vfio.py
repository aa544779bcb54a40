"""The driver `vfio` as far as a computer without an IOMMU shows it: what it refuses and says, and its addresses. Its
queue is in test_vfio_queue, real DMA in tests/kernel.

The interface's numbers and layouts are compared with linux/vfio.h (package linux-libc-dev), compiled.
"""

from __future__ import annotations

import errno
import os
import shutil
import struct
import subprocess
from pathlib import Path
from typing import Any

import pytest
from dma_card import PAGE
from hypothesis import given
from hypothesis import strategies as st
from vfio_computer import ADDRESS, LONG_S, Computer

from laneproof.clock import Deadline
from laneproof.contract import Driver
from laneproof.errors import BadInput, CannotOpen, CardInUse, DriverFault
from laneproof.registry import read_options
from laneproof_drivers import vfio_kernel
from laneproof_drivers.iova import IovaSpace
from laneproof_drivers.vfio import VfioDriver

# --- the kernel's interface -----------------------------------------------------------------------------------

NUMBERS = {
    "VFIO_API_VERSION": vfio_kernel.API_VERSION,
    "VFIO_GET_API_VERSION": vfio_kernel.GET_API_VERSION,
    "VFIO_CHECK_EXTENSION": vfio_kernel.CHECK_EXTENSION,
    "VFIO_SET_IOMMU": vfio_kernel.SET_IOMMU,
    "VFIO_GROUP_GET_STATUS": vfio_kernel.GROUP_GET_STATUS,
    "VFIO_GROUP_SET_CONTAINER": vfio_kernel.GROUP_SET_CONTAINER,
    "VFIO_GROUP_GET_DEVICE_FD": vfio_kernel.GROUP_GET_DEVICE_FD,
    "VFIO_DEVICE_GET_INFO": vfio_kernel.DEVICE_GET_INFO,
    "VFIO_DEVICE_GET_REGION_INFO": vfio_kernel.DEVICE_GET_REGION_INFO,
    "VFIO_DEVICE_GET_IRQ_INFO": vfio_kernel.DEVICE_GET_IRQ_INFO,
    "VFIO_DEVICE_SET_IRQS": vfio_kernel.DEVICE_SET_IRQS,
    "VFIO_DEVICE_RESET": vfio_kernel.DEVICE_RESET,
    "VFIO_IOMMU_GET_INFO": vfio_kernel.IOMMU_GET_INFO,
    "VFIO_IOMMU_MAP_DMA": vfio_kernel.IOMMU_MAP_DMA,
    "VFIO_IOMMU_UNMAP_DMA": vfio_kernel.IOMMU_UNMAP_DMA,
    "VFIO_TYPE1v2_IOMMU": vfio_kernel.TYPE1V2_IOMMU,
    "VFIO_GROUP_FLAGS_VIABLE": vfio_kernel.GROUP_FLAGS_VIABLE,
    "VFIO_DEVICE_FLAGS_RESET": vfio_kernel.DEVICE_FLAGS_RESET,
    "VFIO_REGION_INFO_FLAG_READ": vfio_kernel.REGION_READ,
    "VFIO_REGION_INFO_FLAG_WRITE": vfio_kernel.REGION_WRITE,
    "VFIO_PCI_CONFIG_REGION_INDEX": vfio_kernel.CONFIG_REGION,
    "VFIO_IRQ_INFO_EVENTFD": vfio_kernel.IRQ_EVENTFD,
    "VFIO_IRQ_SET_DATA_EVENTFD|VFIO_IRQ_SET_ACTION_TRIGGER": vfio_kernel.IRQ_SET,
    "VFIO_PCI_MSI_IRQ_INDEX": vfio_kernel.IRQ_INDEX["msi"],
    "VFIO_PCI_MSIX_IRQ_INDEX": vfio_kernel.IRQ_INDEX["msix"],
    "VFIO_IOMMU_INFO_PGSIZES": vfio_kernel.INFO_PGSIZES,
    "VFIO_IOMMU_INFO_CAPS": vfio_kernel.INFO_CAPS,
    "VFIO_IOMMU_TYPE1_INFO_CAP_IOVA_RANGE": vfio_kernel.CAP_IOVA_RANGE,
    "VFIO_DMA_MAP_FLAG_READ": vfio_kernel.MAP_READ,
    "VFIO_DMA_MAP_FLAG_WRITE": vfio_kernel.MAP_WRITE,
    # Where the last field that is used here stands, and so the layout before it.
    "offsetof(struct vfio_group_status, flags)": vfio_kernel._STATUS.size - 4,
    "offsetof(struct vfio_device_info, num_irqs)": 12,
    "offsetof(struct vfio_region_info, size)": 16,
    "offsetof(struct vfio_region_info, offset)": vfio_kernel._REGION_INFO.size - 8,
    "offsetof(struct vfio_irq_info, count)": vfio_kernel._IRQ_INFO.size - 4,
    "offsetof(struct vfio_irq_set, data)": vfio_kernel._IRQ_SET.size - 4,
    "offsetof(struct vfio_iommu_type1_info, iova_pgsizes)": 8,
    "offsetof(struct vfio_iommu_type1_info, cap_offset)": 16,
    "sizeof(struct vfio_iommu_type1_info)": vfio_kernel._IOMMU_INFO.size,
    "sizeof(struct vfio_info_cap_header)": vfio_kernel._CAPABILITY.size,
    "offsetof(struct vfio_info_cap_header, next)": 4,
    "offsetof(struct vfio_iommu_type1_info_cap_iova_range, iova_ranges)": 16,
    "sizeof(struct vfio_iova_range)": 16,
    "offsetof(struct vfio_iommu_type1_dma_map, iova)": 16,
    "sizeof(struct vfio_iommu_type1_dma_map)": vfio_kernel._MAP.size,
    "offsetof(struct vfio_iommu_type1_dma_unmap, size)": vfio_kernel._UNMAP.size - 8,
}


def test_numbers_and_layouts_are_those_of_the_kernels_header(tmp_path: Path) -> None:
    compiler = shutil.which("cc")
    if compiler is None or not Path("/usr/include/linux/vfio.h").exists():
        pytest.skip("a C compiler or linux/vfio.h is missing (packages gcc and linux-libc-dev)")
    lines = "\n".join(f'  printf("%ld\\n", (long)({name}));' for name in NUMBERS)
    source = f"#include <stddef.h>\n#include <stdio.h>\n#include <linux/vfio.h>\nint main(void) {{\n{lines}\n}}\n"
    (tmp_path / "numbers.c").write_text(source)
    subprocess.run([compiler, "-o", tmp_path / "numbers", tmp_path / "numbers.c"], check=True)
    said = subprocess.run([tmp_path / "numbers"], capture_output=True, text=True, check=True).stdout
    assert dict(zip(NUMBERS, map(int, said.split()), strict=True)) == NUMBERS


def test_the_ranges_of_an_iommu_are_read_from_its_list_of_capabilities() -> None:
    ranges = [(0, 0xFEDFFFFF), (0xFEF00000, 0x7FFFFFFFFF)]
    migration = struct.pack("=HHIIIQQ", 2, 1, 24 + 32, 0, 0, 4096, 0)
    listed = struct.pack("=HHIII", 1, 1, 0, len(ranges), 0) + b"".join(struct.pack("=QQ", *one) for one in ranges)
    info = struct.pack("=IIQII", 24 + len(migration) + len(listed), 3, 0x40201000, 24, 0) + migration + listed
    space = vfio_kernel.parsed_space(info)
    assert space.ranges == tuple(ranges)
    assert space.page == 4096


def test_a_list_of_capabilities_that_leads_back_ends() -> None:
    info = struct.pack("=IIQII", 40, 3, 0x1000, 24, 0) + struct.pack("=HHIQ", 9, 1, 24, 0)
    assert vfio_kernel.parsed_space(info).ranges == ()


@pytest.mark.parametrize(
    ("number", "words"),
    [(errno.ENOMEM, "ulimit -l"), (errno.ENOSPC, "dma_entry_limit"), (errno.EINVAL, "see the kernel log")],
)
def test_memory_that_cannot_be_shown_is_refused_with_what_to_do(
    number: int, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> int:
        raise OSError(number, os.strerror(number))

    container = object.__new__(vfio_kernel.Container)
    container.fd = -1
    monkeypatch.setattr("fcntl.ioctl", refuse)
    with pytest.raises(DriverFault, match=words):
        container.map(0, 0, 4096)


# --- addresses ------------------------------------------------------------------------------------------------


def test_addresses_keep_clear_of_holes_of_the_first_page_and_of_what_the_card_cannot_reach() -> None:
    space = IovaSpace([(0, 0x2FFF), (0x5000, 0xFFFF)], PAGE, 15)
    taken = [space.take(nbytes)[0] for nbytes in (1, 4096, 4097, 1)]
    assert taken == [0x1000, 0x2000, 0x5000, 0x7000]
    with pytest.raises(DriverFault, match="no 4096 addresses"):
        space.take(1)


@given(st.lists(st.integers(1, 5 * PAGE), max_size=30), st.randoms(use_true_random=False))
def test_no_two_regions_overlap_and_all_that_is_given_back_can_be_taken_again(sizes: list[int], order: Any) -> None:
    space = IovaSpace([(0, 64 * PAGE - 1), (70 * PAGE, 200 * PAGE - 1)], PAGE, 32)
    out: list[tuple[int, int]] = []
    for nbytes in sizes:
        start, size = space.take(nbytes)
        assert size >= nbytes
        assert all(start + size <= low or low + high <= start for low, high in out)
        out.append((start, size))
        if order.random() < 0.4:
            space.give(*out.pop(order.randrange(len(out))))
    for one in out:
        space.give(*one)
    assert space.take(130 * PAGE) == (70 * PAGE, 130 * PAGE)
    assert space.take(63 * PAGE) == (PAGE, 63 * PAGE)


# --- what is not opened ---------------------------------------------------------------------------------------


@pytest.fixture
def computer(tmp_path: Path) -> Computer:
    return Computer(tmp_path)


def test_a_function_behind_no_iommu_is_not_opened(computer: Computer) -> None:
    computer.bind("vfio-pci")
    with pytest.raises(CannotOpen, match=rf"{ADDRESS} is behind no IOMMU.*intel_iommu=on"):
        computer.open()


def test_a_function_without_a_driver_is_not_opened_and_the_commands_are_named(computer: Computer) -> None:
    computer.group("7")
    with pytest.raises(CannotOpen, match=rf"echo {ADDRESS} > /sys/bus/pci/drivers_probe"):
        computer.open()


def test_a_function_of_another_driver_is_not_taken(computer: Computer) -> None:
    computer.group("7")
    computer.bind("mydriver")
    with pytest.raises(CardInUse, match=rf"mydriver drives it.*echo {ADDRESS} > /sys/.*/driver/unbind && .*vfio-pci"):
        computer.open()


def test_a_kernel_without_containers_is_said_to_be_one(computer: Computer) -> None:
    computer.group("7")
    computer.bind("vfio-pci")
    with pytest.raises(CannotOpen, match="`modprobe vfio-pci`"):
        computer.open()


def test_a_group_that_is_shared_names_the_others(computer: Computer, monkeypatch: pytest.MonkeyPatch) -> None:
    computer.bind("mydriver", "0000:65:00.1")
    computer.bind("pcieport", "0000:65:00.2")
    (computer.sys / "bus/pci/devices/0000:65:00.2/class").write_text("0x060400\n")
    computer.group("7", "0000:65:00.1", "0000:65:00.2")
    computer.bind("vfio-pci")
    computer.give_group("7")

    def ioctl(fd: int, call: int, *_: object) -> int:
        return 1 if call == vfio_kernel.CHECK_EXTENSION else 0

    monkeypatch.setattr("fcntl.ioctl", ioctl)
    with pytest.raises(CannotOpen, match=r": 0000:65:00\.1 \(mydriver\); unbind those"):
        computer.open()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"status_register": "0x9a"}, "not aligned"),
        ({"dma_bits": "48"}, "48 address bits do not fit registers of 4"),
        ({"buffer_size": "4096"}, "not a quantity"),
        ({"granularity": "3"}, "granularity"),
        ({"interrupt": "bell"}, '"bell" is not one of none, msi, msix'),
    ],
)
def test_options_that_make_no_sense_are_refused(computer: Computer, changes: dict[str, str], words: str) -> None:
    with pytest.raises(BadInput, match=words):
        computer.open(**changes)


def test_a_card_whose_engine_is_not_described_is_refused() -> None:
    driver: Driver = VfioDriver()
    with pytest.raises(BadInput, match="buffer: is missing"):
        read_options(driver, {})


def test_discovery_lists_what_is_bound_and_touches_nothing(computer: Computer) -> None:
    computer.bind("vfio-pci")
    with Deadline(LONG_S) as deadline:
        found = list(VfioDriver(computer.sys, computer.dev).discover(deadline))
    assert [one.address.text for one in found] == [ADDRESS]
