"""The functions of the guest whose memory and DMA the tests use, behind an IOMMU, and its serial line.

The engine is QEMU's educational device (its docs/specs/edu): four registers of 8 bytes, a buffer of 4 KiB, addresses of
28 bits; a transfer takes 100 ms, whatever its length, and one of all 4096 bytes would end QEMU. The memory is that of
its ivshmem device, the same bytes that a file outside holds.
"""

from __future__ import annotations

ENGINE = "0000:01:00.0"
MEMORY_PORT, MEMORY = "0000:00:03.0", "0000:02:00.0"
SHARING, IN_USE = "0000:03:01.0", "0000:03:02.0"
"""Two functions behind one conventional bridge, which no IOMMU can tell apart; the second has a driver."""
MEMORY_NBYTES = 1 << 20
LINE, FAR_END = "/dev/ttyS1", "/dev/ttyS2"
"""Two serial ports that are wired to each other."""
BAUD = 115200
"""The most that a port of the 16550 kind has."""

DEVICES = (
    "intel-iommu,intremap=on",
    "pcie-root-port,id=engine,bus=pcie.0,addr=02.0,chassis=1,slot=1",
    "edu,bus=engine",
    "pcie-root-port,id=memory,bus=pcie.0,addr=03.0,chassis=2,slot=2",
    "ivshmem-plain,bus=memory,memdev=shared",
    "pcie-pci-bridge,id=bridge,bus=pcie.0,addr=04.0",
    "edu,bus=bridge,addr=01.0",
    "virtio-rng-pci,bus=bridge,addr=02.0",
)
KERNEL_OPTIONS = "intel_iommu=on"

EDU = {
    "source_register": "0x80",
    "destination_register": "0x88",
    "length_register": "0x90",
    "control_register": "0x98",
    "status_register": "0x98",
    "go_to_card": "1",
    "go_from_card": "3",
    "buffer": "0x40000",
    "buffer_size": "4092B",
    "dma_bits": "28",
    "rate": "40kB/s",
}
"""The engine as the driver `vfio` is told of it."""
EDU_INTERRUPT = EDU | {
    "interrupt": "msi",
    "go_to_card": "5",
    "go_from_card": "7",
    "acknowledge_register": "0x64",
    "acknowledge": "0x100",
}


def memory_at(path: str) -> tuple[str, ...]:
    """Options of QEMU that make a file the memory."""
    return ("-object", f"memory-backend-file,id=shared,share=on,mem-path={path},size={MEMORY_NBYTES}")


def line_at(path: str) -> tuple[str, ...]:
    """Options of QEMU that make the serial line, by way of a socket."""
    return (
        *("-chardev", f"socket,id=one,path={path},server=on,wait=off", "-chardev", f"socket,id=other,path={path}"),
        *("-device", "isa-serial,chardev=one,index=1"),
        *("-device", "isa-serial,chardev=other,index=2,irq=5"),  # which by default would be the console's, too
    )
