"""Retraining a link through the port above it: what is written where, and what a port does that hears it or does not.

Recorded ports, with a stand-in for the write: what is behind a file of /sys acts on it, or ignores it as QEMU 7.2's
root ports do. Register places and bits: linux/pci_regs.h (Link Control 0x10, Link Status 0x12 in the PCI Express
capability; Retrain Link 0x0020, LT 0x0800, DLLLA 0x2000, LBMS 0x4000, which a 1 clears).
"""

from __future__ import annotations

import errno
from collections.abc import Callable

import pytest

from laneproof.clock import Deadline
from laneproof.contract import LinkTrainer
from laneproof.errors import DriverFault
from laneproof.readings import Retraining
from laneproof_drivers.pci_observer import PciObservers
from laneproof_drivers.pci_trainer import PciLinkTrainer, write_config

PORT, CARD = "0000:00:06.0", "0000:03:00.0"
CONTROL, STATUS = 0x10, 0x12
RETRAIN, TRAINING, ACTIVE, MANAGED = 0x0020, 0x0800, 0x2000, 0x4000


class Port:
    """The recorded port, whose registers act as `heard` says once it is asked to retrain."""

    def __init__(self, tree, heard: Callable[[Port], None] = lambda _: None) -> None:
        self._tree = tree
        self._heard = heard
        self.at = tree.express(PORT)
        self.written: list[tuple[int, int]] = []

    def register(self, offset: int) -> int:
        return int.from_bytes(self._tree.config(PORT)[self.at + offset :][:2], "little")

    def set(self, offset: int, value: int) -> None:
        self._tree.patch_config(PORT, self.at + offset, value.to_bytes(2, "little"))

    def write(self, path, at: int, data: bytes) -> None:
        assert (path.parent.name, path.name) == (PORT, "config")
        value = int.from_bytes(data, "little")
        self.written.append((at - self.at, value))
        if at - self.at == STATUS:
            self.set(STATUS, self.register(STATUS) & ~(value & 0xC000))
        elif value & RETRAIN:
            self._heard(self)

    def retrain(self, timeout_s: float = 5.0) -> Retraining:
        port = self._tree.function(CARD).port
        assert port is not None
        with Deadline(timeout_s) as deadline:
            return PciLinkTrainer(self._tree.files, port.route, self.write).retrain(deadline)


def flag(bit: int, *, on: bool) -> Callable[[Port], None]:
    return lambda port: port.set(STATUS, port.register(STATUS) | bit if on else port.register(STATUS) & ~bit)


def test_a_port_that_ignores_the_request_is_not_taken_to_have_trained(tree):
    done = Port(tree).retrain()
    assert not done.seen
    assert done.seconds is None


def test_retrain_link_is_written_and_no_other_bit_is_changed(tree):
    port = Port(tree)
    port.set(CONTROL, 0x0043)
    port.retrain()
    assert port.written == [(CONTROL, 0x0063)]


def test_a_training_that_was_over_before_the_first_look_is_seen_by_its_flag(tree):
    done = Port(tree, flag(MANAGED, on=True)).retrain()
    assert done.seen
    assert done.seconds is not None
    assert 0 <= done.resolution_s < 1
    assert done.wrote == f"Retrain Link, in Link Control of {PORT}"


def test_a_flag_that_was_set_before_is_cleared_first_and_proves_nothing(tree):
    port = Port(tree)
    flag(MANAGED, on=True)(port)
    done = port.retrain()
    assert port.written[0] == (STATUS, MANAGED)
    assert not done.seen
    assert "LBMS, to clear it, in Link Status" in done.wrote


@pytest.mark.parametrize("still", [flag(ACTIVE, on=False), flag(TRAINING, on=True)], ids=["down", "in training"])
def test_a_link_that_is_not_back_by_the_deadline_has_no_time(tree, still):
    done = Port(tree, still).retrain(0.05)
    assert done.seen
    assert done.seconds is None


def test_nothing_is_written_while_the_link_trains_already(tree):
    port = Port(tree)
    flag(TRAINING, on=True)(port)
    with pytest.raises(DriverFault, match="nothing was written"):
        port.retrain(0.05)
    assert port.written == []


def test_a_write_that_is_refused_says_who_may(tree):
    port = Port(tree)

    def refuse(*_: object) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    port.write = refuse  # type: ignore[method-assign]
    with pytest.raises(DriverFault, match="config cannot be written: Operation not permitted; root may"):
        port.retrain()


def test_a_port_that_answers_with_all_ones_is_no_link_to_train(tree):
    port = Port(tree)
    tree.write_config(PORT, b"\xff" * 256)
    with pytest.raises(DriverFault, match="all ones"):
        port.retrain()


def test_registers_that_may_not_be_read_are_no_guess(tree):
    port = Port(tree)
    tree.without_privilege()
    with pytest.raises(DriverFault, match="root may read all of configuration space"):
        port.retrain()
    assert port.written == []


def test_the_file_is_written_at_its_offset_alone(tmp_path):
    file = tmp_path / "config"
    file.write_bytes(bytes(8))
    write_config(file, 4, b"\x23\x01")
    assert file.read_bytes() == b"\0\0\0\0\x23\x01\0\0"


def test_what_observes_never_trains_and_a_recording_offers_no_trainer(tree):
    source = PciObservers(tree.root)
    with Deadline(20) as deadline:
        assert not any(isinstance(part, LinkTrainer) for part in source.attach(CARD, deadline))
        assert source.trainer(CARD, deadline) is None
