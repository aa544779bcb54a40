"""The driver `vfio` as far as a computer without an IOMMU shows it: what it refuses and says, and its queue and memory
over an engine that is played here. Real DMA is in tests/kernel.

The interface's numbers and layouts are compared with linux/vfio.h (package linux-libc-dev), compiled.
"""

from __future__ import annotations

import errno
import os
import shutil
import struct
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from dma_card import BUSY, PAGE, STATUS, PlayedCard, PlayedDriver, playing
from hypothesis import given
from hypothesis import strategies as st

import laneproof
from laneproof import conformance
from laneproof.campaign.verdict import Verdict
from laneproof.clock import Deadline
from laneproof.contract import Address, Card, Driver, ResetLevel
from laneproof.errors import BadInput, CannotOpen, CardInUse, DriverFault, EndpointBusy
from laneproof.registry import read_options
from laneproof_drivers import vfio_kernel
from laneproof_drivers.iova import IovaSpace
from laneproof_drivers.vfio import VfioDriver

LONG_S = 10.0
ADDRESS = "0000:65:00.0"
OPTIONS = {
    "source_register": "0x80",
    "destination_register": "0x88",
    "length_register": "0x90",
    "control_register": "0x98",
    "status_register": "0x98",
    "buffer": "0x40000",
    "buffer_size": "4KiB",
    "go_to_card": "1",
    "go_from_card": "3",
}

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
    container._fd = -1
    monkeypatch.setattr("fcntl.ioctl", refuse)
    with pytest.raises(DriverFault, match=words):
        container.map(0, 0, 4096, 3)


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


class Computer:
    """Folders as Linux has them below /sys and /dev/vfio, with one function."""

    def __init__(self, folder: Path) -> None:
        self.sys, self.dev = folder / "sys", folder / "dev"
        self.function = self.sys / "bus/pci/devices" / ADDRESS
        self.function.mkdir(parents=True)
        self.dev.mkdir()

    def group(self, number: str, *others: str) -> None:
        devices = self.sys / "kernel/iommu_groups" / number / "devices"
        devices.mkdir(parents=True)
        (self.function / "iommu_group").symlink_to(devices.parent)
        for name in (ADDRESS, *others):
            (devices / name).symlink_to(self.sys / "bus/pci/devices" / name)

    def bind(self, driver: str, address: str = ADDRESS) -> None:
        folder = self.sys / "bus/pci/drivers" / driver
        folder.mkdir(parents=True, exist_ok=True)
        function = self.sys / "bus/pci/devices" / address
        function.mkdir(exist_ok=True)
        (function / "driver").symlink_to(folder)
        (folder / address).symlink_to(function)

    def open(self, **changes: str) -> Card:
        driver = VfioDriver(self.sys, self.dev)
        with Deadline(LONG_S) as deadline:
            return driver.connect(Address(ADDRESS), read_options(driver, OPTIONS | changes), deadline)


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
    for name in ("vfio", "7"):
        (computer.dev / name).touch()

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


# --- transfers ------------------------------------------------------------------------------------------------


@pytest.fixture
def card() -> Iterator[PlayedCard]:
    with playing() as made:
        yield made


def finish(card: PlayedCard, timeout_s: float = LONG_S) -> dict[int, tuple[str, int, int]]:
    """All that completes until the deadline, or until nothing is out."""
    done: dict[int, tuple[str, int, int]] = {}
    with Deadline(timeout_s) as deadline:
        while (card.queue._waiting or card.queue._current) and (some := card.queue.reap(deadline)):
            done.update({one.ticket: (one.status, one.sent, one.received) for one in some})
    return done


def echoed(card: PlayedCard, data: bytes) -> bytes:
    into = bytearray(len(data))
    card.queue.submit(1, memoryview(data), memoryview(into))
    assert finish(card) == {1: ("done", len(data), len(data))}
    return bytes(into)


def test_bytes_come_back_wherever_the_ring_stands(card: PlayedCard) -> None:
    for number in range(12):
        data = bytes([number + 1]) * 1500
        assert echoed(card, data) == data
    assert any(nbytes < 1500 for _, _, nbytes, _ in card.engine.runs)  # some ran across the ring's end


def test_what_is_sent_alone_is_received_alone_in_order(card: PlayedCard) -> None:
    into = [bytearray(1000), bytearray(2000)]
    card.queue.submit(1, None, memoryview(into[0]))
    card.queue.submit(2, None, memoryview(into[1]))
    card.queue.submit(3, memoryview(b"a" * 1400), None)
    card.queue.submit(4, memoryview(b"b" * 1600), None)
    assert finish(card) == {
        number: ("done", *moved) for number, moved in enumerate(((0, 1000), (0, 2000), (1400, 0), (1600, 0)), 1)
    }
    assert into[0] + into[1] == b"a" * 1400 + b"b" * 1600


def test_a_send_waits_for_room_and_a_stop_says_how_far_it_came(card: PlayedCard) -> None:
    card.queue.submit(1, memoryview(bytes(4096)), None)
    card.queue.submit(2, memoryview(bytes(100)), None)
    assert finish(card, 0.05) == {1: ("done", 4096, 0)}
    with Deadline(LONG_S) as deadline:
        (stopped,) = card.queue.quiesce(deadline)
    assert (stopped.ticket, stopped.status, stopped.sent) == (2, "stopped", 0)
    assert echoed(card, b"x" * 64) == b"x" * 64


def test_an_echo_beside_bytes_that_nobody_received_fails_and_says_why(card: PlayedCard) -> None:
    card.queue.submit(1, memoryview(bytes(64)), None)
    finish(card)
    card.queue.submit(2, memoryview(bytes(64)), memoryview(bytearray(64)))
    with Deadline(LONG_S) as deadline:
        (failed,) = card.queue.reap(deadline)
    assert failed.status == "failed"
    assert "64 bytes that nobody received" in failed.why


def test_an_engine_that_says_it_failed_fails_the_ticket_and_goes_on(card: PlayedCard) -> None:
    card.engine.failing = True
    card.queue.submit(1, memoryview(bytes(64)), memoryview(bytearray(64)))
    assert finish(card) == {1: ("failed", 0, 0)}
    card.engine.failing = False
    with Deadline(LONG_S) as deadline:
        assert card.queue.quiesce(deadline) == []
    assert echoed(card, b"y" * 64) == b"y" * 64


def test_an_engine_that_could_not_be_started_has_moved_nothing(
    card: PlayedCard, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(offset: int, value: int) -> None:
        raise DriverFault("writing the register failed")

    into = bytearray(64)
    card.queue.submit(1, memoryview(bytes(64)), memoryview(into))
    monkeypatch.setattr(card.engine, "put", refuse)
    with Deadline(0.1) as deadline:
        with pytest.raises(DriverFault, match="writing the register"):
            card.queue.reap(deadline)
        card.engine.values[STATUS] = BUSY
        card.engine.stuck = True
        (stopped,) = card.queue.quiesce(deadline)
    assert (stopped.status, stopped.sent, stopped.received) == ("stopped", 0, 0)


def test_regions_are_used_in_place_and_other_memory_is_copied(card: PlayedCard) -> None:
    with Deadline(LONG_S) as deadline:
        region = card.dma.allocate(8192, deadline)
    region.view[:64] = b"z" * 64
    card.queue.submit(1, region.view[:64], region.view[4096:4160])
    assert finish(card) == {1: ("done", 64, 64)}
    assert region.view[4096:4160] == b"z" * 64
    assert [run[0] for run in card.engine.runs[:1]] == [region.iova]
    assert card.engine.runs[1][1] == region.iova + 4096
    card.queue.submit(2, region.view[2:66], None)  # at an address that the engine cannot have
    finish(card)
    assert card.engine.runs[2][0] == card.own[0].iova
    region.close()


def test_a_region_is_not_closed_while_a_ticket_that_has_it_is_out(card: PlayedCard) -> None:
    with Deadline(LONG_S) as deadline:
        region = card.dma.allocate(64, deadline)
    card.queue.submit(1, None, region.view[:])
    with pytest.raises(EndpointBusy):
        region.close()
    with Deadline(LONG_S) as deadline:
        card.queue.quiesce(deadline)
    region.close()
    region.close()
    assert region.iova not in card.container.shown


def test_an_engine_that_hangs_is_kept_from_the_bus_and_its_region_held_until_a_reset(card: PlayedCard) -> None:
    with Deadline(LONG_S) as deadline:
        region = card.dma.allocate(64, deadline)
    card.queue.submit(1, memoryview(bytes(64)), region.view[:])
    with Deadline(0) as now:
        card.queue.reap(now)
        card.engine.stuck = True
        card.queue.reap(now)
    assert len(card.engine.runs) == 1
    card.engine.stuck = False
    with Deadline(0) as now:
        card.queue.reap(now)  # the way back begins
    card.engine.stuck = True
    with Deadline(0.1) as deadline:
        (held,) = card.queue.quiesce(deadline)
    assert (held.status, held.sent, held.received) == ("held", 64, 0)
    assert not card.engine.may_dma
    with pytest.raises(EndpointBusy):
        region.close()
    with pytest.raises(DriverFault, match="did not stop"):
        card.queue.submit(2, memoryview(bytes(64)), None)
    with Deadline(0.1) as deadline, pytest.raises(DriverFault, match="did not stop"):
        card.queue.quiesce(deadline)
    card.engine.stuck, card.engine.may_dma, card.engine.values[STATUS] = False, True, 0
    card.queue.restart()
    region.close()
    assert echoed(card, b"w" * 64) == b"w" * 64


@pytest.mark.parametrize("nbytes", [0, 2, 4100])
def test_a_transfer_that_the_engine_cannot_do_is_refused(card: PlayedCard, nbytes: int) -> None:
    with pytest.raises(BadInput, match="give whole 4 bytes, 4096 at most"):
        card.queue.submit(1, memoryview(bytes(nbytes)), None)


def test_an_interrupt_is_waited_for_and_acknowledged() -> None:
    with playing(interrupts=True) as card:
        into = bytearray(64)
        card.queue.submit(1, memoryview(b"i" * 64), memoryview(into))
        for _ in range(3):
            with Deadline(0.02) as deadline:
                assert not card.queue.reap(deadline) or into == b"i" * 64
            os.eventfd_write(card.queue._event_fd, 1)
        assert into == b"i" * 64
        assert card.acknowledged


def test_an_endpoint_proves_every_byte_in_the_cards_own_memory(install: Callable[..., None]) -> None:
    driver = PlayedDriver()
    install(driver, "played")
    with laneproof.open("played:here", options=OPTIONS) as endpoint:
        assert endpoint.check("prbs31", 100_000).ok
        (played,) = driver.cards
        own = {region.iova for region in played.own}
        assert not own & {iova for source, destination, _, _ in played.engine.runs for iova in (source, destination)}
        out, into = bytes(range(200)) * 5, bytearray(1000)
        endpoint.loopback(out, into)
        assert into == out
        endpoint.send(bytes(64))
        played.engine.stuck = True
        endpoint.channels[0].in_step = False
        assert endpoint.recover().how == "drained"  # the stuck engine was at rest
        assert endpoint.check("prbs31", 64, timeout=0.1).stalled
        assert endpoint.recover().how == "reconnected"
        assert endpoint.check("prbs31", 64).ok


def test_the_queue_and_its_memory_keep_every_rule(install: Callable[..., None]) -> None:
    class PlayedRig(conformance.Rig):
        uri = "played:here?" + "&".join(f"{key}={value}" for key, value in OPTIONS.items())
        resets = (ResetLevel.FUNCTION,)
        budget_s = 0.3
        quiet_s = 0.3

    install(PlayedDriver(), "played")
    findings = conformance.run(PlayedRig())
    assert [str(one) for one in findings if one.outcome == "broken"] == []
    assert conformance.verdict(findings) is Verdict.PASS
    kept = {one.rule for one in findings if one.outcome == "kept"}
    assert {"a-region-in-flight-stays", "a-reset-empties-the-card", "quiesce-ends-all-writing"} <= kept
