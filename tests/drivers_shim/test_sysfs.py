"""Where PCI functions stand in a recorded tree, and how one is found again when Linux has numbered the buses anew."""

from __future__ import annotations

import pytest

from laneproof.errors import BadInput
from laneproof.readings import Unavailable
from laneproof_drivers.host_tree import FolderTree
from laneproof_drivers.sysfs import bus_address, find, functions


@pytest.mark.parametrize(
    ("written", "address"),
    [("0000:65:00.0", "0000:65:00.0"), ("65:00.0", "0000:65:00.0"), ("10000:E1:1F.7", "10000:e1:1f.7")],
)
def test_an_address_is_read_with_or_without_its_domain(written, address):
    assert bus_address(written) == address


@pytest.mark.parametrize(
    "text", ["", "65:00", "65:00.8", "65:20.0", "../../etc", "0000:65:00.0/..", "0000:65:00.0\n:x"]
)
def test_what_is_no_address_is_bad_input(text):
    with pytest.raises(BadInput, match="no PCI address"):
        bus_address(text)


@pytest.mark.parametrize("privileged", [True, False])
def test_links_run_from_root_ports_and_downstream_ports_to_what_is_below(tree, privileged):
    """Port types as lspci 3.9.0 recorded them for this tree; without privilege they follow from the place."""
    if not privileged:
        tree.without_privilege()
    ports = {f.address: f.port.address for f in functions(tree.files).found if f.port is not None}
    assert ports == {
        "0000:01:00.0": "0000:00:04.0",
        "0000:02:00.0": "0000:00:05.0",
        "0000:03:00.0": "0000:00:06.0",
        "0000:04:00.0": "0000:00:07.0",
        "0000:06:00.0": "0000:05:00.0",
        "0000:07:00.0": "0000:05:01.0",
    }


def test_a_tree_without_pci_says_why(tmp_path):
    listed = functions(FolderTree(tmp_path, "nothing", False))
    assert isinstance(listed, Unavailable)
    assert "No such file" in listed.why


def test_a_link_that_leads_in_a_circle_is_no_function(tree):
    (tree.root / "bus/pci/devices/0000:0a:00.0").symlink_to("0000:0a:00.0")
    assert find(tree.files, "0000:0a:00.0") is None
    listed = functions(tree.files)
    assert len(listed.found) == 13
    assert listed.remarks == ("0000:0a:00.0 is listed and cannot be looked at: Too many levels of symbolic links",)


def test_a_way_leads_to_the_same_place_when_the_buses_are_numbered_anew(tree):
    """Linux drivers/pci/probe.c numbers buses in the order in which it finds them, so that they move with hot-plug."""
    route = tree.function("0000:06:00.0").route
    assert route.steps == ("07.0", "00.0", "00.0", "00.0")
    tree.renumber("0000:06:00.0", "0000:0b:00.0")
    tree.renumber("0000:05:00.0", "0000:0a:00.0")
    found = route.follow(tree.files)
    assert found is not None
    assert (found.address, found.port.address) == ("0000:0b:00.0", "0000:0a:00.0")


def test_a_way_to_an_empty_place_leads_nowhere(tree):
    route = tree.function("0000:03:00.0").route
    tree.unplug("0000:03:00.0")
    assert route.follow(tree.files) is None


def test_another_function_of_the_same_bus_is_not_taken_for_it(tree):
    route = tree.function("0000:03:00.0").route
    tree.renumber("0000:03:00.0", "0000:03:00.1")
    assert route.follow(tree.files) is None


def test_virtual_functions_are_no_siblings(tree):
    tree.add_function("0000:03:00.1", like="0000:03:00.0")
    tree.add_function("0000:03:10.0", like="0000:03:00.0")
    (tree.folder("0000:03:10.0") / "physfn").symlink_to("../0000:03:00.0")
    assert [other.address for other in tree.function("0000:03:00.0").siblings()] == ["0000:03:00.1"]
