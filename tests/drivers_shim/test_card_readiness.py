"""Whether a card can be had and its link seen, before it is opened: nodes, drivers, other users, what Linux shows."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest
from dma_card import OPTIONS
from recorded_sysfs import Tree
from vfio_computer import ADDRESS
from vfio_computer import Computer as VfioComputer

from laneproof.clock import Deadline
from laneproof.readings import Check, Use
from laneproof_drivers import card_readiness
from laneproof_drivers.card_readiness import Computer, card_checks
from laneproof_drivers.host_tree import FolderTree, this_computer

NIC = "0000:03:00.0"


def looked_at(computer: Computer, use: Use) -> list[Check]:
    with Deadline(20) as deadline:
        found = list(card_checks(computer, (use,), deadline))
    assert [check for check in found if bool(check.remedy) == (check.outcome == "ok")] == []
    assert {check.uri for check in found} == {use.uri}
    return found


def card(scheme: str, address: object, **options: str) -> Use:
    return Use(uri=f"{scheme}:{address}", scheme=scheme, address=str(address), options=options)


def of_this(use: Use) -> list[tuple[str, str]]:
    return [(check.name, check.outcome) for check in looked_at(Computer(this_computer()), use)]


# --- nodes


def test_a_device_that_is_there_and_permitted_is_all_right(held_terminal) -> None:
    _, name = held_terminal
    assert of_this(card("chardev", name)) == [("card", "ok")]
    assert of_this(card("serial", name)) == [("card", "ok")]


@pytest.mark.parametrize("scheme", ["chardev", "serial", "window"])
def test_a_device_that_is_not_there_is_missing_in_the_words_of_its_driver(scheme: str) -> None:
    (missing,) = looked_at(Computer(this_computer()), card(scheme, "/dev/no_such_card"))
    assert (missing.outcome, missing.found) == ("missing", "/dev/no_such_card does not exist")
    assert missing.remedy == "check the path, and that the card's kernel driver is loaded"


@pytest.mark.parametrize("scheme", ["chardev", "serial", "window", "usb", "vfio"])
def test_an_address_that_makes_no_sense_is_missing_and_no_accident(
    scheme: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(card_readiness, "library", lambda: None)
    assert {outcome for name, outcome in of_this(card(scheme, "a\0b")) if name == "card"} >= {"missing"}


def test_a_device_that_is_not_permitted_is_missing_and_its_owner_named(
    held_terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As root everything is permitted, so the answer of access(2) is played."""
    _, name = held_terminal
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    for scheme in ("chardev", "serial", "window"):
        (missing,) = looked_at(Computer(this_computer()), card(scheme, name))
        assert missing.outcome == "missing"
        assert missing.found.startswith(f"{name} is not permitted to this user (")
        assert ", mode " in missing.found
        assert missing.remedy == "join the group that owns it, or have a udev rule grant it"


def test_only_the_direction_that_is_used_has_to_be_permitted(held_fifos, monkeypatch: pytest.MonkeyPatch) -> None:
    out, into = held_fifos.address.split(",")
    asked: list[tuple[str, int]] = []
    monkeypatch.setattr(os, "access", lambda path, mode: not asked.append((path, mode)))
    assert of_this(card("chardev", held_fifos.address)) == [("card", "ok")] * 2
    assert asked == [(out, os.W_OK), (into, os.R_OK)]


def test_a_port_that_another_process_has_is_missing(held_terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    """The serial driver takes no port that somebody has open; the chardev driver may share it."""
    _, name = held_terminal
    node = os.open(name, os.O_RDWR | os.O_NOCTTY)
    other = subprocess.Popen(["sleep", "60"], stdin=node)
    os.close(node)
    try:
        (missing,) = looked_at(Computer(this_computer()), card("serial", name))
        assert (missing.outcome, f"process {other.pid} (" in missing.found) == ("missing", True)
        assert f"`kill {other.pid}` would end it" in missing.remedy
        assert of_this(card("chardev", name)) == [("card", "ok"), ("other users", "warning")]
    finally:
        other.kill()
        other.wait()


# --- VFIO


@pytest.fixture
def bound(tmp_path: Path) -> VfioComputer:
    computer = VfioComputer(tmp_path)
    computer.group("7")
    computer.bind("vfio-pci")
    computer.give_group("7")
    return computer


def by_vfio(computer: VfioComputer, **changes: str) -> Check:
    use = card("vfio", ADDRESS, **(OPTIONS | changes))
    there = Computer(FolderTree.at(computer.sys.parent), computer.sys, computer.dev)
    return next(check for check in looked_at(there, use) if check.name == "card")


def test_a_function_that_is_bound_and_alone_is_all_right(bound: VfioComputer) -> None:
    ready = by_vfio(bound)
    assert ready.outcome == "ok"
    assert ready.found.startswith(f"{bound.dev}/vfio/7: {ADDRESS} bound to vfio-pci")


def test_without_an_iommu_group_it_cannot_be_had(tmp_path: Path) -> None:
    computer = VfioComputer(tmp_path)
    computer.bind("vfio-pci")
    missing = by_vfio(computer)
    assert (missing.outcome, "behind no IOMMU" in missing.found) == ("missing", True)
    assert "intel_iommu=on" in missing.remedy


def test_a_function_of_another_driver_is_named_with_what_would_bind_it(tmp_path: Path) -> None:
    computer = VfioComputer(tmp_path)
    computer.group("7")
    computer.bind("card_driver")
    missing = by_vfio(computer)
    assert (missing.outcome, "card_driver drives it" in missing.found) == ("missing", True)
    assert "driver_override" in missing.remedy


def test_a_group_that_others_use_cannot_be_had(tmp_path: Path) -> None:
    computer = VfioComputer(tmp_path)
    computer.bind("vfio-pci")
    computer.bind("disk_driver", "0000:65:00.1")
    computer.group("7", "0000:65:00.1")
    computer.give_group("7")
    assert "0000:65:00.1 (disk_driver)" in by_vfio(computer).found


def test_files_of_vfio_that_are_not_there_are_missing(tmp_path: Path) -> None:
    computer = VfioComputer(tmp_path)
    computer.group("7")
    computer.bind("vfio-pci")
    missing = by_vfio(computer)
    assert (missing.outcome, "does not exist" in missing.found) == ("missing", True)


def test_options_that_make_no_sense_are_told(bound: VfioComputer) -> None:
    assert by_vfio(bound, buffer_size="none").outcome == "missing"


# --- USB


class Usb:
    def __init__(self, root: Path) -> None:
        self.root = root
        self.device = root / "sys/bus/usb/devices/1-2"
        (self.device / "1-2:1.0").mkdir(parents=True)
        for name, text in {"idVendor": "fffe", "idProduct": "0001", "busnum": "1", "devnum": "5"}.items():
            (self.device / name).write_text(f"{text}\n")
        (root / "dev/bus/usb/001").mkdir(parents=True)
        (root / "dev/bus/usb/001/005").touch()

    def outcomes(self, **options: str) -> list[tuple[str, str]]:
        computer = Computer(FolderTree.at(self.root), self.root / "sys", self.root / "dev")
        return [(one.name, one.outcome) for one in looked_at(computer, card("usb", "fffe:0001", **options))]


@pytest.fixture
def usb(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Usb:
    monkeypatch.setattr(card_readiness, "library", lambda: None)
    return Usb(tmp_path)


def test_a_usb_device_is_found_by_its_numbers(usb: Usb) -> None:
    assert usb.outcomes() == [("card", "ok"), ("card", "ok")]
    (usb.device / "idProduct").write_text("0002\n")
    assert usb.outcomes() == [("card", "ok"), ("card", "missing")]


def test_a_usb_node_that_is_not_permitted_is_missing(usb: Usb, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "access", lambda path, mode: not str(path).endswith("/dev/bus/usb/001/005"))
    assert usb.outcomes() == [("card", "ok"), ("card", "missing")]


def test_a_kernel_driver_on_the_interface_that_is_named_is_in_the_way(usb: Usb) -> None:
    driver = usb.root / "sys/bus/usb/drivers/cdc_acm"
    driver.mkdir(parents=True)
    (usb.device / "1-2:1.0/driver").symlink_to(driver)
    assert usb.outcomes()[-1] == ("kernel driver", "warning")
    assert usb.outcomes(interface="0")[-1] == ("kernel driver", "missing")
    assert usb.outcomes(interface="1")[-1] == ("card", "ok")


# --- links


def observed(tree: Tree, address: str = NIC) -> dict[str, Check]:
    use = Use(uri="elsewhere:card", scheme="elsewhere", address="card", observe=f"pci:{address}")
    return {check.name: check for check in looked_at(Computer(tree.files), use)}


def test_both_partners_of_an_observed_card_are_shown(tree: Tree) -> None:
    found = observed(tree)
    assert {name: check.outcome for name, check in found.items()} == {"link partners": "ok", "link errors": "ok"}
    assert "0000:00:06.0" in found["link partners"].found
    assert NIC in found["link partners"].found


def test_a_card_whose_port_is_not_shown_leaves_its_link_unknown(tree: Tree) -> None:
    alone = tree.root / "devices/pci0000:00" / "0000:00:0f.0"
    tree.folder(NIC).rename(alone)
    (tree.root / "bus/pci/devices/0000:00:0f.0").symlink_to(alone)
    assert observed(tree, "0000:00:0f.0")["link partners"].outcome == "not known"


def test_a_card_that_is_not_there_is_missing(tree: Tree) -> None:
    assert observed(tree, "0000:7f:00.0")["link"].outcome == "missing"
    assert observed(tree, "nowhere")["link"].outcome == "missing"


def test_errors_that_nobody_counts_are_not_known_with_what_would_have_them_counted(tree: Tree) -> None:
    """Seen in a guest with pci=noaer: the root port's service has no driver, the counters are there and stand still."""
    (tree.root / "bus/pci_express/drivers/aer").mkdir(parents=True)
    unknown = observed(tree)["link errors"]
    assert (unknown.outcome, "pcie_ports=native" in unknown.remedy) == ("not known", True)


def test_a_user_who_may_read_64_bytes_is_told_what_stays_hidden(tree: Tree) -> None:
    tree.without_privilege()
    assert observed(tree)["registers"].outcome == "warning"
