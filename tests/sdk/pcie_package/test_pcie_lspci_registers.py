"""Device, link, slot, root and bridge registers, and the small capabilities, against lspci of pciutils."""

from __future__ import annotations

import re

import pytest
from crafted_images import MADE, RECORDED, SEEN, having, part_of, with_registers
from lspci_reading import agrees, flags_of, line_with, named, read_by_lspci, section

from laneproof.pcie import ConfigSpace, decode
from laneproof.pcie import registers as regs

SECOND = [name for name in having("link") if part_of(name, "device").control2 is not None]


@pytest.mark.parametrize("name", having("device"))
def test_device_control_is_the_same(name: str, texts: dict[str, str]) -> None:
    device, text = part_of(name, "device"), texts[name]
    names = {"CERE": "CorrErr", "NFERE": "NonFatalErr", "FERE": "FatalErr", "URRE": "UnsupReq", "RELAX_EN": "RlxdOrd"}
    names |= {"EXT_TAG": "ExtTag", "PHANTOM": "PhantFunc", "AUX_PME": "AuxPwr", "NOSNOOP_EN": "NoSnoop"}
    agrees(named(device.control, names), line_with(text, "DevCtl"))
    capable = flags_of(line_with(text, "DevCap"))
    assert device.role_based_errors == capable["RBE"]
    if "FLReset" in capable:  # lspci prints it of endpoints only
        assert device.function_level_reset == capable["FLReset"]


def watts(text: str) -> float:
    """A power limit as lspci prints it, in watts or milliwatts."""
    match = re.match(r">?([0-9.]+)(m?)W", text)
    assert match, text
    return float(match[1]) / (1000 if match[2] else 1)


@pytest.mark.parametrize("name", having("device"))
def test_the_captured_power_limit_is_the_same(name: str, texts: dict[str, str]) -> None:
    match = re.search(r"SlotPowerLimit (\S+)", line_with(texts[name], "DevCap"))
    if match:
        assert (part_of(name, "device").captured_power_limit_w or 0) == pytest.approx(watts(match[1]))
    else:
        assert part_of(name, "port_type") not in ("endpoint", "upstream port")


SECONDS = {"us": 1e-6, "ms": 1e-3, "s": 1.0}


@pytest.mark.parametrize("name", SECOND)
def test_the_second_device_control_is_the_same(name: str, texts: dict[str, str]) -> None:
    device, line = part_of(name, "device"), line_with(texts[name], "DevCtl2")
    theirs = flags_of(line)
    ours = named(device.control2, {"COMP_TMOUT_DIS": "TimeoutDis", "LTR_EN": "LTR", "ATOMIC_REQ": "ReqEn"})
    ours |= named(device.control2, {"ARI": "ARIFwd", "ATOMIC_EGRESS_BLOCK": "EgressBlck"})
    assert {label: on for label, on in ours.items() if label in theirs} == {
        label: theirs[label] for label in ours if label in theirs
    }
    assert (device.tag_bits == 10) == theirs["10BitTagReq"]
    low, low_unit, high, high_unit = re.search(r"Timeout: (\d+\.?\d*)(us|ms|s) to (\d+\.?\d*)(us|ms|s),", line).groups()  # type: ignore[union-attr]
    if device.completion_timeout_s is None:
        assert theirs["TimeoutDis"]
    else:
        ours_s = (float(low) * SECONDS[low_unit], float(high) * SECONDS[high_unit])
        assert device.completion_timeout_s == pytest.approx(ours_s)


@pytest.mark.parametrize("name", having("link"))
def test_link_control_and_power_states_are_the_same(name: str, texts: dict[str, str]) -> None:
    link, text = part_of(name, "link"), texts[name]
    capable, control = line_with(text, "LnkCap"), line_with(text, "LnkCtl")
    assert f"Port #{link.port_number}," in capable
    assert f"ASPM {' '.join(link.aspm_supported) or 'not supported'}" in capable
    assert f"ASPM {' '.join(link.aspm_enabled) + ' Enabled' if link.aspm_enabled else 'Disabled'};" in control
    names = {"LD": "Disabled", "CCC": "CommClk", "ES": "ExtSynch", "CLKREQ_EN": "ClockPM", "HAWD": "AutWidDis"}
    agrees(named(link.control, names | {"LBMIE": "BWInt", "LABIE": "AutBWInt"}), control)
    assert link.common_clock == flags_of(control)["CommClk"]
    assert link.surprise_down_reporting == flags_of(capable)["Surprise"]
    if "RCB" in control:
        assert f"RCB {link.read_completion_boundary} bytes" in control


@pytest.mark.parametrize("name", SECOND)
def test_equalisation_and_retimers_are_the_same(name: str, texts: dict[str, str]) -> None:
    link, line = part_of(name, "link"), line_with(texts[name], "LnkSta2")
    names = {"complete": "EqualizationComplete", "phase 1": "EqualizationPhase1", "phase 2": "EqualizationPhase2"}
    names |= {"phase 3": "EqualizationPhase3", "requested": "LinkEqualizationRequest"}
    agrees(named(link.equalisation, names), line)
    status = flags_of(line)
    assert (link.retimers or 0) == (2 if status["2Retimers"] else 1 if status["Retimer"] else 0)
    if "LnkCap2" in texts[name]:
        capable = flags_of(line_with(texts[name], "LnkCap2"))
        if link.retimers is None:
            assert not capable["Retimer"]
            assert not capable["2Retimers"]
    if "LnkCtl2" in texts[name]:
        assert link.autonomous_speed_disabled == flags_of(line_with(texts[name], "LnkCtl2"))["SpeedDis"]


SLOT_SUPPORT = {"ABP": "AttnBtn", "PCP": "PwrCtrl", "MRLSP": "MRL", "AIP": "AttnInd", "PIP": "PwrInd"}
SLOT_SUPPORT |= {"HPC": "HotPlug", "HPS": "Surprise", "EIP": "Interlock", "NCCS": "NoCompl"}
SLOT_ENABLES = {"ABPE": "AttnBtn", "PFDE": "PwrFlt", "MRLSCE": "MRL", "PDCE": "PresDet", "CCIE": "CmdCplt"}
SLOT_ENABLES |= {"HPIE": "HPIrq", "DLLSCE": "LinkChg"}
SLOT_STATUS = {
    "ABP": "AttnBtn",
    "PFD": "PowerFlt",
    "MRLSS": "MRL",
    "CC": "CmdCplt",
    "PDS": "PresDet",
    "EIS": "Interlock",
}
SLOT_CHANGES = {"MRLSC": "MRL", "PDC": "PresDet", "DLLSC": "LinkState"}


@pytest.mark.parametrize("name", having("slot"))
def test_the_slot_is_the_same(name: str, texts: dict[str, str]) -> None:
    slot, text = part_of(name, "slot"), texts[name]
    capable = line_with(text, "SltCap")
    agrees(named(slot.supported, SLOT_SUPPORT), capable)
    assert (slot.hot_plug, slot.hot_plug_surprise) == ("HPC" in slot.supported, "HPS" in slot.supported)
    assert f"Slot #{slot.number}," in capable
    limit = re.search(r"PowerLimit ([^;]+);", capable)
    assert limit
    assert slot.power_limit_w == pytest.approx(watts(limit[1]))
    enables, controls = line_with(text, "SltCtl").split("Control:")
    agrees(named(slot.control, SLOT_ENABLES), enables)
    # lspci's "Power+" is the register's bit, which switches the power off.
    agrees(named(slot.control, {"PCC": "Power", "EIC": "Interlock"}), controls)
    assert slot.powered == (None if "PCP" not in slot.supported else "PCC" not in slot.control)
    status, changes = line_with(text, "SltSta").split("Changed:")
    agrees(named(slot.status, SLOT_STATUS), status)
    agrees(named(slot.status, SLOT_CHANGES), changes)
    assert slot.card_present == flags_of(status)["PresDet"]


@pytest.mark.parametrize("name", having("root"))
def test_the_root_registers_are_the_same(name: str, texts: dict[str, str]) -> None:
    root, text = part_of(name, "root"), section(texts[name], "Express")
    names = {"SECEE": "ErrCorrectable", "SENFEE": "ErrNon-Fatal", "SEFEE": "ErrFatal", "PMEIE": "PMEIntEna"}
    agrees(named(root.control, names | {"CRSSVE": "CRSVisible"}), line_with(text, "RootCtl"))
    status = line_with(text, "RootSta")
    agrees(named(root.status, {"PME": "PMEStatus", "PENDING": "PMEPending"}), status)
    requester = re.search(r"PME ReqID ([0-9a-f]{4})", status)
    assert requester
    assert root.pme_requester == (function(requester[1]) if "PME" in root.status else None)


def function(number: str) -> str:
    value = int(number, 16)
    return f"{value >> 8:02x}:{value >> 3 & 0x1F:02x}.{value & 7}"


@pytest.mark.parametrize("name", having("bridge"))
def test_the_bridge_is_the_same(name: str, texts: dict[str, str]) -> None:
    bridge, text = part_of(name, "bridge"), texts[name]
    buses = re.search(r"primary=(\w+), secondary=(\w+), subordinate=(\w+)", text)
    assert buses
    assert (bridge.primary_bus, bridge.secondary_bus, bridge.subordinate_bus) == tuple(
        int(b, 16) for b in buses.groups()
    )
    names = {"PARITY": "Parity", "SERR": "SERR", "ISA": "NoISA", "VGA": "VGA", "MASTER_ABORT": "MAbort"}
    agrees(named(bridge.control, names | {"BUS_RESET": ">Reset", "FAST_BACK": "FastB2B"}), line_with(text, "BridgeCtl"))
    names = {"PARITY": "ParErr", "SIG_TARGET_ABORT": ">TAbort", "REC_TARGET_ABORT": "<TAbort"}
    names |= {"REC_MASTER_ABORT": "<MAbort", "REC_SYSTEM_ERROR": "<SERR", "DETECTED_PARITY": "<PERR"}
    agrees(named(bridge.secondary_status, names), line_with(text, "Secondary status"))


@pytest.mark.parametrize("name", RECORDED)
def test_the_status_register_is_the_same(name: str, texts: dict[str, str]) -> None:
    names = {"CAP_LIST": "Cap", "PARITY": "ParErr", "SIG_TARGET_ABORT": ">TAbort", "REC_TARGET_ABORT": "<TAbort"}
    names |= {"REC_MASTER_ABORT": "<MAbort", "SIG_SYSTEM_ERROR": ">SERR", "DETECTED_PARITY": "<PERR"}
    agrees(named(part_of(name, "status"), names | {"INTERRUPT": "INTx"}), line_with(texts[name], "Status"))


@pytest.mark.parametrize("value", [0x00, 0x19, 0x4B, 0xEF])
@pytest.mark.parametrize("scale", [0, 1, 2, 3])
def test_a_slots_power_limit_is_the_value_times_the_scale(value: int, scale: int, tmp_path) -> None:
    image = with_registers({0x54 + regs.PCI_EXP_SLTCAP: (value << 7 | scale << 15, 4)})
    limit = re.search(r"PowerLimit ([^;]+);", line_with(read_by_lspci({"one": image}, tmp_path)["one"], "SltCap"))
    assert limit
    assert decode(image).slot.power_limit_w == pytest.approx(watts(limit[1]))  # type: ignore[union-attr]


def test_the_images_show_each_kind_of_register() -> None:
    """Otherwise the comparisons above could pass on zeros alone."""
    made: list[ConfigSpace] = [SEEN[name] for name in MADE]
    assert {space.link.retimers for space in made if space.link} >= {None, 0, 1, 2}
    assert {space.link.clocking for space in made if space.link} >= {"common", "separate"}
    assert {space.device.tag_bits for space in made if space.device} >= {5, 8, 10}
    assert any(space.slot and space.slot.powered is False for space in made)
    assert any(space.root and space.root.pme_requester for space in made)
