"""The scheme `gpu`, as in gpu:0 or gpu:0000:65:00.0: a GPU whose copy engines echo what they are sent.

Options: `slots`, messages that its memory holds at once, and `max_transfer` in MiB. Its link and errors are read by
its PCI address: laneproof.open("gpu:0", observe="pci:0000:65:00.0").
"""

from __future__ import annotations

from collections.abc import Iterable

from attrs import field, frozen, validators

from gpu_card.library import Library
from gpu_card.path import CopyEnginePath
from laneproof.clock import Deadline
from laneproof.contract import (
    Address,
    Card,
    Channel,
    Driver,
    Found,
    IdentitySource,
    Limits,
    ResetLevel,
    Resettable,
)
from laneproof.errors import BadInput, CannotOpen
from laneproof.readings import Component, Identity


@frozen(kw_only=True)
class Options:
    """`slots`: transfers out at once. `max_transfer_mib`: the largest. `nominal_mb_s`: the rate to expect, 10^6 B/s."""

    slots: int = field(default=4, validator=[validators.ge(2), validators.le(64)])
    max_transfer_mib: int = field(default=64, validator=[validators.ge(1), validators.le(1024)])
    nominal_mb_s: float = field(default=10_000.0, validator=[validators.gt(0.0), validators.le(1e6)])


class GpuParts(IdentitySource, Resettable):
    """What the card is, and how its memory is emptied."""

    levels = (ResetLevel.DATA,)

    def __init__(self, identity: Identity, path: CopyEnginePath) -> None:
        self._identity, self._path = identity, path

    def read_identity(self, deadline: Deadline) -> Identity:
        return self._identity  # a GPU does not become another one while a process holds it

    def reset(self, level: ResetLevel, deadline: Deadline) -> None:
        self._path.discard()


class GpuDriver(Driver):
    options = Options

    def discover(self, deadline: Deadline) -> Iterable[Found]:
        try:
            library = Library()
        except CannotOpen:  # no library, and so no GPU to be found
            return ()
        return [Found(address=Address(address), note=name) for _, address, name in library.devices()]

    def connect(self, address: Address, options: Options, deadline: Deadline) -> Card:
        library = Library()
        devices = library.devices()
        wanted = address.text.lower()
        found = [each for number, each in enumerate(devices) if wanted in (str(number), each[1])]
        if not found:
            known = ", ".join(f"{number} ({each[1]})" for number, each in enumerate(devices))
            raise BadInput(f'"{address.text}" is no GPU here; use one of {known}' if known else "there is no GPU")
        handle, _, name = found[0]
        context = library.context(handle)
        try:
            library.enter(context)
            path = CopyEnginePath(
                library, lambda: library.enter(context), options.slots, options.max_transfer_mib * 2**20
            )
        except BaseException:
            library.leave(handle)
            raise

        def close() -> None:
            if path.close():
                library.leave(handle)

        identity = Identity(model=name, serial=None, components=(Component("driver library", library.version()),))
        limits = Limits(
            max_transfer=options.max_transfer_mib * 2**20,
            queue_depth=options.slots,
            boundary="message",
            fifo_depth=options.slots * options.max_transfer_mib * 2**20,
            nominal_bytes_per_s=options.nominal_mb_s * 1e6,
        )
        return Card(
            channels=(Channel(name="echo", path=path, limits=limits),),
            close=close,
            parts=(GpuParts(identity, path), path.memory),
        )


driver = GpuDriver()
