"""The driver `vfio` by way of iommufd, whose calls are played here. Real DMA that way is in tests/kernel.

Numbers and layouts are compared with linux/vfio.h and linux/iommufd.h of Linux 6.12, recorded in fixtures/uapi.
"""

from __future__ import annotations

import errno
import json
import os
import struct
from pathlib import Path
from typing import Any

import pytest
from played_iommufd import ALLOC, ATTACH, BIND, INFO, MAP, RANGES, REGION_INFO, PlayedIommufd
from vfio_computer import ADDRESS, LONG_S, Computer

from laneproof.clock import Deadline
from laneproof.contract import Card, Region, RegionSource
from laneproof.errors import BadInput, CannotOpen, CardInUse, DriverFault, LaneproofError
from laneproof_drivers import vfio_iommufd

FIXTURE = Path(__file__).parents[1] / "fixtures/uapi/iommufd.json"


@pytest.fixture
def computer(tmp_path: Path) -> Computer:
    """With a function that is bound to vfio-pci, and alone in its group."""
    computer = Computer(tmp_path)
    computer.group("7")
    computer.bind("vfio-pci")
    (computer.function / "config").write_bytes(struct.pack("<HH", 0x1234, 0x11E8) + bytes(60))
    return computer


@pytest.fixture
def kernel(computer: Computer, monkeypatch: pytest.MonkeyPatch) -> PlayedIommufd:
    """That gives the function a file of its own."""
    played = PlayedIommufd(computer.give_file())
    monkeypatch.setattr("fcntl.ioctl", played.ioctl)
    return played


def allocated(card: Card, nbytes: int) -> Region:
    memory = card.part(RegionSource)
    assert memory is not None
    with Deadline(LONG_S) as deadline:
        return memory.allocate(nbytes, deadline)


def test_numbers_and_layouts_are_those_of_the_kernels_headers() -> None:
    assert json.loads(FIXTURE.read_text("utf-8")) == {
        "VFIO_DEVICE_BIND_IOMMUFD": vfio_iommufd.DEVICE_BIND_IOMMUFD,
        "VFIO_DEVICE_ATTACH_IOMMUFD_PT": vfio_iommufd.DEVICE_ATTACH_IOMMUFD_PT,
        "IOMMU_IOAS_ALLOC": vfio_iommufd.IOAS_ALLOC,
        "IOMMU_IOAS_IOVA_RANGES": vfio_iommufd.IOAS_IOVA_RANGES,
        "IOMMU_IOAS_MAP": vfio_iommufd.IOAS_MAP,
        "IOMMU_IOAS_UNMAP": vfio_iommufd.IOAS_UNMAP,
        "IOMMU_IOAS_MAP_FIXED_IOVA": vfio_iommufd.MAP_FIXED_IOVA,
        "IOMMU_IOAS_MAP_WRITEABLE": vfio_iommufd.MAP_WRITEABLE,
        "IOMMU_IOAS_MAP_READABLE": vfio_iommufd.MAP_READABLE,
        # Of each call the size, and where the last field stands that is used here.
        "sizeof(struct vfio_device_bind_iommufd)": vfio_iommufd._BIND.size,
        "offsetof(struct vfio_device_bind_iommufd, iommufd)": 8,
        "sizeof(struct vfio_device_attach_iommufd_pt)": vfio_iommufd._ATTACH.size,
        "offsetof(struct vfio_device_attach_iommufd_pt, pt_id)": vfio_iommufd._ATTACH.size - 4,
        "sizeof(struct iommu_ioas_alloc)": vfio_iommufd._ALLOC.size,
        "offsetof(struct iommu_ioas_alloc, out_ioas_id)": vfio_iommufd._ALLOC.size - 4,
        "sizeof(struct iommu_ioas_iova_ranges)": vfio_iommufd._RANGES.size,
        "offsetof(struct iommu_ioas_iova_ranges, out_iova_alignment)": vfio_iommufd._RANGES.size - 8,
        "sizeof(struct iommu_iova_range)": 16,
        "sizeof(struct iommu_ioas_map)": vfio_iommufd._MAP.size,
        "offsetof(struct iommu_ioas_map, iova)": vfio_iommufd._MAP.size - 8,
        "sizeof(struct iommu_ioas_unmap)": vfio_iommufd._UNMAP.size,
        "offsetof(struct iommu_ioas_unmap, length)": vfio_iommufd._UNMAP.size - 8,
    }


# --- which interface ------------------------------------------------------------------------------------------


def test_iommufd_is_used_where_there_are_no_groups(computer: Computer, kernel: PlayedIommufd) -> None:
    computer.open().close()
    assert kernel.bound_to == str(computer.dev / "iommu")
    assert kernel.attached


def test_groups_are_used_where_they_are_there(computer: Computer, kernel: PlayedIommufd) -> None:
    computer.give_group("7")
    with pytest.raises(CannotOpen, match="vfio/vfio is no VFIO container"):  # none is played here
        computer.open()
    assert kernel.bound_to is None


def test_iommufd_is_used_beside_groups_where_asked_for(computer: Computer, kernel: PlayedIommufd) -> None:
    computer.give_group("7")
    computer.open(interface="iommufd").close()
    assert kernel.attached


def test_a_user_who_may_use_iommufd_alone_does(
    computer: Computer, kernel: PlayedIommufd, monkeypatch: pytest.MonkeyPatch
) -> None:
    computer.give_group("7")
    real = os.access
    monkeypatch.setattr("os.access", lambda path, mode: real(path, mode) and (mode == os.F_OK or "vfio/7" not in path))
    computer.open().close()
    assert kernel.attached


def test_groups_can_be_asked_for(computer: Computer, kernel: PlayedIommufd) -> None:
    with pytest.raises(CannotOpen, match="has no VFIO containers"):
        computer.open(interface="group")


def test_an_interface_that_the_kernel_has_not_is_refused(computer: Computer) -> None:
    (computer.function / "vfio-dev/vfio0").mkdir(parents=True)  # Linux 6.1 shows this much
    with pytest.raises(CannotOpen, match=r"no file below .*VFIO_DEVICE_CDEV; leave interface=iommufd out"):
        computer.open(interface="iommufd")
    with pytest.raises(BadInput, match="is not one of auto, group, iommufd"):
        computer.open(interface="cdev")


# --- memory ---------------------------------------------------------------------------------------------------


def test_memory_is_mapped_where_the_device_reaches_it_and_nothing_stays_mapped(
    computer: Computer, kernel: PlayedIommufd
) -> None:
    kernel.ranges = [(0x100000, 0x100FFF), (0x200000, 0x203FFF), (2**40, 2**64 - 1)]
    card = computer.open()
    region = allocated(card, 5000)
    assert sorted((iova, nbytes) for iova, (_, nbytes) in kernel.mapped.items()) == [
        (0x100000, 4096),
        (0x200000, 4096),
        (0x201000, 8192),
    ]
    region.close()
    assert 0x201000 not in kernel.mapped
    card.close()
    assert kernel.mapped == {}


def test_memory_that_outlives_the_card_is_plain_memory(computer: Computer, kernel: PlayedIommufd) -> None:
    card = computer.open()
    region = allocated(card, 16)
    card.close()
    region.view[:] = bytes(range(16))
    calls = len(kernel.calls)
    region.close()
    assert len(kernel.calls) == calls


def test_an_iommu_of_many_ranges_is_asked_until_it_has_told_them_all(computer: Computer, kernel: PlayedIommufd) -> None:
    kernel.ranges = [(page << 13, (page << 13) + 4095) for page in range(1, 101)]
    card = computer.open()
    regions = [allocated(card, 4096) for _ in range(98)]
    assert max(kernel.mapped) == 100 << 13
    for region in regions:
        region.close()
    card.close()


def test_memory_beyond_the_limit_of_this_process_is_refused_with_what_to_do(
    computer: Computer, kernel: PlayedIommufd
) -> None:
    card = computer.open()
    kernel.failing[MAP] = errno.ENOMEM
    with pytest.raises(DriverFault, match="ulimit -l"):
        allocated(card, 4096)
    card.close()


# --- what is not opened ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "rule"), [("iommu", 'KERNEL=="iommu"'), ("vfio/devices/vfio0", 'SUBSYSTEM=="vfio-dev"')]
)
def test_a_file_that_this_user_may_not_open_is_named_with_the_rule_that_lets_them(
    computer: Computer, kernel: PlayedIommufd, monkeypatch: pytest.MonkeyPatch, name: str, rule: str
) -> None:
    real = os.open

    def refuse(path: Any, flags: int) -> int:
        if str(path) == str(computer.dev / name):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        return real(path, flags)

    monkeypatch.setattr("os.open", refuse)
    with pytest.raises(CannotOpen) as refused:
        computer.open()
    assert f'{computer.dev / name} is not permitted to this user; the udev rule {rule}, MODE="0660"' in str(
        refused.value
    )
    assert "\n" not in str(refused.value)


def test_a_kernel_without_iommufd_is_said_to_be_one(computer: Computer, kernel: PlayedIommufd) -> None:
    (computer.dev / "iommu").unlink()
    with pytest.raises(CannotOpen, match="`modprobe iommufd`"):
        computer.open()


def test_a_function_that_is_bound_already_is_in_use(computer: Computer, kernel: PlayedIommufd) -> None:
    kernel.failing[BIND] = errno.EINVAL
    with pytest.raises(CardInUse, match=r"vfio/devices/vfio0 is in use; `fuser -v .*vfio0 .*vfio/7`"):
        computer.open()


def test_a_function_whose_group_another_process_has_is_in_use(computer: Computer, kernel: PlayedIommufd) -> None:
    kernel.failing[BIND] = errno.EBUSY
    with pytest.raises(CardInUse, match="is in use"):
        computer.open()


def test_a_group_that_is_shared_names_the_others(computer: Computer, kernel: PlayedIommufd) -> None:
    computer.bind("mydriver", "0000:65:00.1")
    devices = computer.sys / "kernel/iommu_groups/7/devices"
    (devices / "0000:65:00.1").symlink_to(computer.sys / "bus/pci/devices/0000:65:00.1")
    kernel.failing[BIND] = errno.EBUSY
    with pytest.raises(CannotOpen, match=rf"group 7 of {ADDRESS} is shared .*: 0000:65:00\.1 \(mydriver\); unbind"):
        computer.open()


def test_an_iommu_that_remaps_no_interrupts_is_refused(computer: Computer, kernel: PlayedIommufd) -> None:
    kernel.failing[BIND] = errno.EPERM
    with pytest.raises(CannotOpen, match="switch interrupt remapping on"):
        computer.open()


@pytest.mark.parametrize("call", [ALLOC, BIND, ATTACH, INFO, REGION_INFO, RANGES, MAP])
def test_a_call_that_fails_is_one_line_and_leaves_nothing_open(
    computer: Computer, kernel: PlayedIommufd, call: int
) -> None:
    kernel.failing[call] = errno.EIO
    with pytest.raises(LaneproofError) as failed:
        computer.open()
    assert "\n" not in str(failed.value)
    assert kernel.mapped == {}
