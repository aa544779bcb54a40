"""What the tests have the guest do with memory and DMA: open cards through laneproof, bind devices as an admin would.

Runs as root in the guest, called by name from outside.
"""

from __future__ import annotations

import gc
import os
import re
import time
from contextlib import suppress
from pathlib import Path

from in_guest import pull_out

import laneproof
from laneproof import conformance
from laneproof.clock import Deadline
from laneproof.contract import RegionSource, ResetLevel
from laneproof.errors import DeviceLost, EndpointBusy, LaneproofError
from laneproof.integrity import Comparison
from laneproof.pcie import registers as regs
from laneproof.registry import driver_for

DEVICES = Path("/sys/bus/pci/devices")


def switch(address: str, on: bool) -> None:
    """Have a function answer at its memory's addresses, or not, by its command register."""
    with open(DEVICES / address / "config", "r+b", buffering=0) as config:
        command = int.from_bytes(os.pread(config.fileno(), 2, regs.PCI_COMMAND), "little") & ~regs.PCI_COMMAND_MEMORY
        command |= regs.PCI_COMMAND_MEMORY if on else 0
        os.pwrite(config.fileno(), command.to_bytes(2, "little"), regs.PCI_COMMAND)


def bind(address: str, driver: str = "vfio-pci") -> str:
    """Bind a function that no driver has, as the commands do that laneproof names; its IOMMU group."""
    (DEVICES / address / "driver_override").write_text(driver)
    Path("/sys/bus/pci/drivers_probe").write_text(address)
    assert (DEVICES / address / "driver").resolve().name == driver
    group = (DEVICES / address / "iommu_group").resolve().name
    until_s = time.monotonic() + 10
    while not Path(f"/dev/vfio/{group}").exists() and time.monotonic() < until_s:
        time.sleep(0.005)
    return group


def refusal(uri: str, options: dict[str, str] | None = None) -> tuple[str, str]:
    """The kind and the words of the error that opening a card raises."""
    try:
        laneproof.open(uri, options=options, acknowledge_cautions=True).close()
    except LaneproofError as error:
        return type(error).__name__, str(error)
    raise AssertionError(f"{uri} was opened")


def checked(uri: str, options: dict[str, str], nbytes: int, block: int, timeout_s: float = 60.0) -> Comparison:
    """A check of one card."""
    with laneproof.open(uri, options=options, acknowledge_cautions=True) as card:
        return card.check("prbs31", nbytes, block=block, timeout=timeout_s)


def sent(uri: str, options: dict[str, str], data: bytes) -> None:
    """Leave bytes in a card."""
    with laneproof.open(uri, options=options, acknowledge_cautions=True) as card:
        card.send(data)


def received(uri: str, nbytes: int) -> tuple[str, bytes]:
    """Who a card says that it is, and what stands in its window now."""
    with laneproof.open(uri, acknowledge_cautions=True) as card, Deadline(10) as deadline:
        into = bytearray(nbytes)
        card._card.channels[0].path.read_into(0, memoryview(into), deadline)
        return card.identity.model, bytes(into)


def touched(uri: str, options: dict[str, str], nbytes: int) -> None:
    """Write to the front of a window and read it back."""
    with laneproof.open(uri, options=options, acknowledge_cautions=True) as card:
        card.loopback(bytes(range(nbytes)), bytearray(nbytes))


def pulled_out(uri: str, port: str) -> tuple[int, str, str]:
    """A check while the card is pulled out of its port: what it had verified, and what is said of the card."""
    with laneproof.open(uri, acknowledge_cautions=True) as card:

        def pull(done: int) -> None:
            if done == 1 << 16:
                pull_out(port)

        try:
            card.check("prbs31", 1 << 20, block=1 << 16, progress=pull)
        except DeviceLost as lost:
            so_far = lost.so_far
            right = so_far.bytes_checked - so_far.mismatched_bytes if isinstance(so_far, Comparison) else 0
            return right, str(lost), lost.link_evidence
    raise AssertionError("nothing was noticed")


def left_open() -> list[str]:
    """Descriptors and mappings of devices and of their memory that this process has."""
    gc.collect()
    names = os.listdir("/proc/self/fd")
    links = [os.readlink(f"/proc/self/fd/{name}") for name in names if os.path.lexists(f"/proc/self/fd/{name}")]
    maps = Path("/proc/self/maps").read_text().splitlines()
    return [text for text in (*links, *maps) if re.search(r"vfio|iommu|/resource\d|/dev/zero", text)]


def discovered() -> list[str]:
    """The cards that the driver `vfio` sees by itself."""
    with Deadline(10) as deadline:
        return [found.address.text for found in driver_for("vfio").discover(deadline)]


def looped_through_regions(uri: str, options: dict[str, str], data: bytes) -> tuple[bytes, int]:
    """Bytes out and back through memory of the card's own, and how many bytes the driver copied by itself."""
    with laneproof.open(uri, options=options, acknowledge_cautions=True) as card:
        own = list(card._card.part(RegionSource)._regions)  # those that copies go through
        with card.allocate(len(data)) as out, card.allocate(len(data)) as into:
            out.view[:] = data
            card.loopback(out.view, into.view)
            copied = sum(any(region.view) for region in own)
            return bytes(into.view), copied


def closed_in_flight(uri: str, options: dict[str, str]) -> list[str]:
    """What closing a Region says while the engine reads it, and afterwards."""
    said: list[str] = []
    with laneproof.open(uri, options=options, acknowledge_cautions=True) as card, Deadline(10) as deadline:
        path = card._card.channels[0].path
        region = card.allocate(4092)
        path.submit(1, region.view[:], None)
        with Deadline(0) as now:
            path.reap(now)  # which starts it
        for _ in range(2):
            try:
                region.close()
                said.append("closed")
            except EndpointBusy as error:
                said.append(str(error))
            if len(said) == 1:
                path.reap(deadline)
    return said


def stalled_and_recovered(uri: str, options: dict[str, str]) -> tuple[bool, str, bool]:
    """A check that has no time for one transfer: whether it stalled, how the card recovered, and a check after that."""
    with laneproof.open(uri, options=options, acknowledge_cautions=True) as card:
        stalled = card.check("prbs31", 4092, timeout=0.03).stalled
        how = card.recover().how
        return stalled, how, card.check("prbs31", 4092).ok


def reset_and_checked(uri: str, options: dict[str, str]) -> bool:
    """A check after the function was reset."""
    with laneproof.open(uri, options=options, acknowledge_cautions=True) as card:
        card.send(bytes(64))
        card.reset(ResetLevel.FUNCTION)
        card.recover()
        return card.check("prbs31", 4092).ok


def opened_twice(uri: str, options: dict[str, str]) -> tuple[str, str]:
    """What opening a card says that is open already."""
    with laneproof.open(uri, options=options, acknowledge_cautions=True):
        return refusal(uri, options)


def astray(uri: str, options: dict[str, str]) -> tuple[Comparison, list[str]]:
    """A check whose engine is given addresses that are not mapped, and what the kernel logged of it."""
    log = os.open("/dev/kmsg", os.O_RDONLY | os.O_NONBLOCK)
    try:
        os.lseek(log, 0, os.SEEK_END)
        with laneproof.open(uri, options=options, acknowledge_cautions=True) as card:
            assert card.check("prbs31", 4092, block=4092).ok
            regions = card._card.part(RegionSource)._regions  # a check uses the last one's again
            for region in regions:
                region.iova += 16 << 20
            result = card.check("prbs31", 4092, block=4092)
            for region in regions:
                region.iova -= 16 << 20
        time.sleep(0.2)
        lines: list[str] = []
        with suppress(BlockingIOError):
            while True:
                lines.append(os.read(log, 8192).decode("utf-8", "replace"))
    finally:
        os.close(log)
    return result, [line for line in lines if "fault" in line]


def tried_rules(uri: str, names: tuple[str, ...]) -> list[tuple[str, str, str]]:
    """Rules of the conformance kit, or all that take seconds: each by name, with what came of it."""

    class GuestRig(conformance.Rig):
        largest = 252
        patience_s = 60.0
        slack_s = 2.0
        wrong_address = "0000:7f:00.0"
        resets = (ResetLevel.FUNCTION,)

    rules = [rule for rule in conformance.rules_of("card") if rule.name in names or not names]
    return [(finding.rule, finding.outcome, finding.seen) for finding in conformance.run(GuestRig(uri), rules)]
