"""The decoder against lspci of pciutils, which reads the same images here and now."""

from __future__ import annotations

import re
from typing import Any

import pytest
from crafted_images import ALL, RECORDED
from lspci_reading import flags_of, line_with

from laneproof.pcie import CATALOGUE, decode

SHORT = {"TLP": "PoisonedTLP", "AdvNonFatalErr": "NonFatalErr"}
TYPES = {
    "Endpoint": "endpoint",
    "Root Port": "root port",
    "Upstream Port": "upstream port",
    "Downstream Port": "downstream port",
    "Root Complex Integrated Endpoint": "root complex integrated endpoint",
    "PCI-Express to PCI/PCI-X Bridge": "PCI Express to PCI bridge",
}
DEVICE_STATUS = {
    "CED": "CorrErr",
    "NFED": "NonFatalErr",
    "FED": "FatalErr",
    "URD": "UnsupReq",
    "AUXPD": "AuxPwr",
    "TRPND": "TransPend",
}
ROOT_STATUS = {
    "COR_RCV": "CERcvd",
    "MULTI_COR_RCV": "MultCERcvd",
    "UNCOR_RCV": "UERcvd",
    "MULTI_UNCOR_RCV": "MultUERcvd",
    "FIRST_FATAL": "FirstFatal",
    "NONFATAL_RCV": "NonFatalMsg",
    "FATAL_RCV": "FatalMsg",
}


def plain(name: str) -> dict[str, Any]:
    return decode(ALL[name]).to_dict()


EXPRESS = [name for name, image in ALL.items() if decode(image).port_type]
LINKED = [name for name in EXPRESS if plain(name)["link"]]
# lspci shows these registers of version 2 where the port lists its speeds in a vector.
VECTORED = [name for name in LINKED if len(plain(name)["link"]["supported_speeds_gtps"] or ()) > 2]
ADVANCED = [name for name, image in ALL.items() if decode(image).aer]


@pytest.mark.parametrize("name", RECORDED)
def test_capabilities_are_the_same_ones_in_the_same_order(name: str, texts: dict[str, str]) -> None:
    listed = [int(offset, 16) for offset in re.findall(r"Capabilities: \[([0-9a-f]+)", texts[name])]
    assert [capability["offset"] for capability in plain(name)["capabilities"]] == listed


@pytest.mark.parametrize("name", RECORDED)
def test_identity_and_command_are_the_same(name: str, texts: dict[str, str]) -> None:
    seen, text = plain(name), texts[name]
    match = re.match(r"\S+ ([0-9a-f]{4}): ([0-9a-f]{4}):([0-9a-f]{4})", text)
    assert match
    assert (seen["class_code"] >> 8, seen["vendor_id"], seen["device_id"]) == tuple(int(x, 16) for x in match.groups())
    control = flags_of(line_with(text, "Control"))
    names = {"IO": "I/O", "MEMORY": "Mem", "MASTER": "BusMaster", "PARITY": "ParErr", "SERR": "SERR"}
    names["INTX_DISABLE"] = "DisINTx"
    assert {flag for flag, theirs in names.items() if control[theirs]} == set(seen["command"])


@pytest.mark.parametrize("name", EXPRESS)
def test_port_type_payload_and_device_status_are_the_same(name: str, texts: dict[str, str]) -> None:
    seen, text = plain(name), texts[name]
    kind = re.search(r"Express \(v(\d)\) ([\w/ -]+?)(?: \(Slot[+-]\))?,", text)
    assert kind
    assert (seen["device"]["version"], seen["port_type"]) == (int(kind[1]), TYPES[kind[2]])
    supported = re.search(r"MaxPayload (\d+) bytes", line_with(text, "DevCap"))
    chosen = re.search(r"MaxPayload (\d+) bytes, MaxReadReq (\d+) bytes", line_with(text, "DevCtl"))
    assert supported
    assert chosen
    sizes = {"supported": int(supported[1]), "set": int(chosen[1]), "read_request": int(chosen[2])}
    assert seen["payload"] == sizes
    status = flags_of(line_with(text, "DevSta"))
    assert {flag for flag, theirs in DEVICE_STATUS.items() if status[theirs]} == set(seen["device_status"])


@pytest.mark.parametrize("name", LINKED)
def test_speeds_and_widths_are_the_same(name: str, texts: dict[str, str]) -> None:
    link, text = plain(name)["link"], texts[name]
    for label, speed, width in (("LnkCap", "max_speed_gtps", "max_width"), ("LnkSta", "speed_gtps", "width")):
        match = re.search(r"Speed ([\w./]+)[^,]*, Width x(\d+)", line_with(text, label))
        assert match
        assert ("unknown" if link[speed] is None else f"{link[speed]:g}GT/s") == match[1]
        assert (link[width] or 0) == int(match[2])


@pytest.mark.parametrize("name", LINKED)
def test_link_status_bits_are_the_same_where_the_port_has_them(name: str, texts: dict[str, str]) -> None:
    link, theirs = plain(name)["link"], flags_of(line_with(texts[name], "LnkSta"))
    names = {"training": "Train", "slot_clock": "SlotClk", "dl_active": "DLActive"}
    names |= {"bandwidth_management": "BWMgmt", "autonomous_bandwidth": "ABWMgmt"}
    ours = {label: link[field] for field, label in names.items() if link[field] is not None}
    assert ours == {label: theirs[label] for label in ours}
    assert "SlotClk" in ours


@pytest.mark.parametrize("name", VECTORED)
def test_the_target_speed_is_the_same(name: str, texts: dict[str, str]) -> None:
    speed = f"{plain(name)['link']['target_speed_gtps']:g}GT/s"
    assert f"Target Link Speed: {speed}," in line_with(texts[name], "LnkCtl2")


@pytest.mark.parametrize("name", VECTORED)
def test_the_supported_speeds_are_the_same(name: str, texts: dict[str, str]) -> None:
    speeds = plain(name)["link"]["supported_speeds_gtps"]
    assert f"Speeds: {speeds[0]:g}-{speeds[-1]:g}GT/s" in line_with(texts[name], "LnkCap2")


@pytest.mark.parametrize("name", ADVANCED)
@pytest.mark.parametrize(
    ("label", "group", "register"),
    [
        ("UESta", "uncorrectable", "status"),
        ("UEMsk", "uncorrectable", "mask"),
        ("UESvrt", "uncorrectable", "severity"),
        ("CESta", "correctable", "status"),
        ("CEMsk", "correctable", "mask"),
    ],
)
def test_error_registers_are_the_same(name: str, label: str, group: str, register: str, texts: dict[str, str]) -> None:
    theirs = {SHORT.get(flag, flag): on for flag, on in flags_of(line_with(texts[name], label)).items()}
    assert len(theirs) >= 6  # lspci names fewer bits than the catalogue, more with each release
    ours = plain(name)["aer"][group][register]
    assert {flag for flag in ours if flag in theirs} == {flag for flag, on in theirs.items() if on}


@pytest.mark.parametrize("name", ADVANCED)
def test_first_error_and_header_log_are_the_same(name: str, texts: dict[str, str]) -> None:
    aer, text = plain(name)["aer"], texts[name]
    log = re.search(r"HeaderLog: ([0-9a-f ]+)", text)
    pointer = re.search(r"First Error Pointer: ([0-9a-f]+)", text)
    assert log
    assert pointer
    assert aer["header_log"] == [int(word, 16) for word in log[1].split()]
    if aer["first_error"] in CATALOGUE:
        assert CATALOGUE[aer["first_error"]].bit == int(pointer[1], 16)


@pytest.mark.parametrize("name", [name for name in ADVANCED if plain(name)["aer"]["root"]])
def test_what_a_root_port_heard_is_the_same(name: str, texts: dict[str, str]) -> None:
    root = plain(name)["aer"]["root"]
    text = texts[name].split("Advanced Error Reporting")[1]  # the PCI Express capability has a RootSta of its own
    status, command = flags_of(line_with(text, "RootSta")), flags_of(line_with(text, "RootCmd"))
    assert {flag for flag, theirs in ROOT_STATUS.items() if status[theirs]} == set(root["status"])
    enables = {"COR_EN": "CERptEn", "NONFATAL_EN": "NFERptEn", "FATAL_EN": "FERptEn"}
    assert {flag for flag, theirs in enables.items() if command[theirs]} == set(root["command"])
    sources = re.search(r"ERR_COR: ([0-9a-f]{4}) ERR_FATAL/NONFATAL: ([0-9a-f]{4})", text)
    assert sources
    for ours, theirs in zip((root["correctable_source"], root["uncorrectable_source"]), sources.groups(), strict=True):
        if ours is not None:
            bus, device, function = (int(part, 16) for part in re.split("[:.]", ours))
            assert f"{bus << 8 | device << 3 | function:04x}" == theirs


def test_the_made_images_show_every_kind_of_register() -> None:
    """Otherwise the comparisons above could pass on zeros alone."""
    made = [plain(name) for name in ALL if name.startswith("made")]
    assert {image["link"]["speed_gtps"] for image in made} == {2.5, 5.0, 8.0, 16.0, 32.0}
    assert {image["aer"]["first_error"] for image in made} > {None}
    assert any(image["aer"]["root"] and image["aer"]["root"]["uncorrectable_source"] for image in made)
    assert any("RxErr" in image["aer"]["correctable"]["status"] for image in made)
