"""Laneproof in a Linux guest: the image that guests boot, made once, and one guest for each file of tests.

The guest runs the distribution's own kernel and the wheel of this tree, on emulated root ports, a switch and cards
that report errors (`guest_topology`). A test calls functions of `in_guest` there: they inject errors through the kernel
and look through laneproof's entry points. What the kernel logs of an error is the outside reference. `guest_image` says
what the guest is made of, `built_kernel` builds one that no package holds, `guest_machine` says how it is run;
`record_fixtures` records what other tests read.

Where QEMU or the kernel's package cannot be had the tests skip and say what is missing.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import dma_topology
import pytest
from guest_image import Image, Missing, image
from guest_machine import Machine, machine
from guest_topology import DEVICES


@pytest.fixture(scope="session")
def kernel_image() -> Iterator[Image]:
    with tempfile.TemporaryDirectory(prefix="laneproof-image-") as folder:
        try:
            yield image(Path(folder))
        except Missing as missing:
            pytest.skip(str(missing))


@pytest.fixture(scope="module")
def guest(kernel_image: Image) -> Iterator[Machine]:
    """A guest whose kernel handles error reporting."""
    yield from _booted(kernel_image, "")


@pytest.fixture(scope="module")
def guest_without_aer(kernel_image: Image) -> Iterator[Machine]:
    """A guest whose kernel leaves error reporting alone."""
    yield from _booted(kernel_image, "pci=noaer")


@pytest.fixture(scope="module")
def shared_memory(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The file whose bytes are the memory of one of the functions of `guest_with_dma`."""
    path = tmp_path_factory.mktemp("memory") / "shared"
    path.write_bytes(bytes(dma_topology.MEMORY_NBYTES))
    return path


@pytest.fixture(scope="module")
def guest_with_dma(kernel_image: Image, shared_memory: Path) -> Iterator[Machine]:
    """A guest with an IOMMU, a DMA engine, a memory that is seen from outside, and a serial line to itself."""
    line = dma_topology.line_at(str(shared_memory.with_name("line")))
    more = (*dma_topology.memory_at(str(shared_memory)), *line)
    yield from _booted(kernel_image, dma_topology.KERNEL_OPTIONS, dma_topology.DEVICES, more)


def _booted(
    kernel_image: Image, options: str, devices: tuple[str, ...] = DEVICES, more: tuple[str, ...] = ()
) -> Iterator[Machine]:
    try:
        with machine(kernel_image, devices, options, more) as running:
            yield running
    except Missing as missing:
        pytest.skip(str(missing))
