"""The scheme `chardev`: a card behind a character device that echoes, or behind a pair of them.

    chardev:/dev/echo0                one device, opened for reading and writing
    chardev:/dev/echo_out,/dev/echo_in    a pair: bytes go to the first and come back from the second

A terminal, a pair of FIFOs or a UNIX-domain stream socket serves as well. A path that holds a comma cannot be named,
since an address arrives here decoded; give it a symbolic link without one. Opening drops what an earlier user left in
the input. How devices are opened is in `device_node`, how bytes move in `descriptor_stream`.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from contextlib import ExitStack

from attrs import field, frozen, validators

from laneproof.clock import Deadline
from laneproof.contract import Address, Card, Channel, Driver, Found, Limits
from laneproof.errors import BadInput
from laneproof_drivers.descriptor_stream import DescriptorStream
from laneproof_drivers.device_node import DeviceNode, connect_socket, drain, kind_of, open_node


@frozen(kw_only=True)
class CharDeviceOptions:
    """`chunk`: the most bytes in one write or read. `nominal_mb_s`: the rate to expect, in MB/s (10^6 bytes per
    second), from which default timeouts follow."""

    chunk: int = field(default=2**20, validator=[validators.ge(1), validators.le(2**30)])
    nominal_mb_s: float = field(default=100.0, validator=[validators.gt(0.0), validators.le(1e6)])


class CharDeviceDriver(Driver):
    """Opens character devices that echo."""

    options = CharDeviceOptions

    def discover(self, deadline: Deadline) -> Iterable[Found]:
        """Nothing: whether a character device echoes cannot be known without writing to it."""
        return ()

    def connect(self, address: Address, options: CharDeviceOptions, deadline: Deadline) -> Card:
        with ExitStack() as undo:
            out, into = _open(address.text, deadline, undo)
            drain(into, deadline)
            close = undo.pop_all().close
        limits = Limits(
            max_transfer=2**30,
            full_duplex=True,
            boundary="stream",
            nominal_bytes_per_s=options.nominal_mb_s * 1e6,
        )
        path = DescriptorStream(out, into, options.chunk)
        return Card(channels=(Channel(name="echo", path=path, limits=limits),), close=close)


def _open(address: str, deadline: Deadline, undo: ExitStack) -> tuple[DeviceNode, DeviceNode]:
    paths = address.split(",")
    if len(paths) > 2 or not all(paths):
        raise BadInput(
            f'"{address}" is neither a path nor a pair OUT,IN; give a path that holds a comma a symbolic link without'
        )
    kinds = [kind_of(path) for path in paths]
    if len(paths) == 1:
        path = paths[0]
        if kinds[0] == "FIFO":
            # Opened both ways it would hand back what was written, with no card in between.
            raise BadInput(f"{path} is a FIFO, which carries bytes one way; name a pair: chardev:OUT,IN")
        node = connect_socket(path, deadline) if kinds[0] == "socket" else open_node(path, os.O_RDWR, deadline)
        undo.callback(node.close)
        return node, node
    if "socket" in kinds:
        raise BadInput(f"{paths[kinds.index('socket')]} is a socket, which carries both ways; name it alone")
    if os.path.samefile(*paths):
        raise BadInput(f'"{address}" names one device twice; a device that echoes is named once: chardev:{paths[0]}')
    # The input first: a FIFO opens for writing only once it has a reader, and the echo may wait for ours.
    into = open_node(paths[1], os.O_RDONLY, deadline)
    undo.callback(into.close)
    out = open_node(paths[0], os.O_WRONLY, deadline)
    undo.callback(out.close)
    return out, into


driver = CharDeviceDriver()
