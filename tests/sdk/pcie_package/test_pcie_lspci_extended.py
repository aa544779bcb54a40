"""Extended capabilities against lspci of pciutils, on images made for it where QEMU has no such device.

lspci 3.9 names the capabilities of 16 GT/s, margining and data link features and shows nothing of them.
"""

from __future__ import annotations

import re

import pytest
from crafted_images import L1SS, MADE, SEEN, full_image, having, part_of
from lspci_reading import agrees, flags_of, line_with, named, read_by_lspci, section

from laneproof.pcie import decode
from laneproof.pcie import registers as regs


@pytest.mark.parametrize("part", ["secondary", "dpc", "l1_substates", "acs", "serial_number", "resizable_bars", "aer"])
def test_a_capability_is_described_where_lspci_describes_it(part: str, texts: dict[str, str]) -> None:
    titles = {"secondary": "Secondary PCI Express", "dpc": "Downstream Port Containment"}
    titles |= {"l1_substates": "L1 PM Substates", "acs": "Access Control Services", "serial_number": "Serial Number"}
    titles |= {"resizable_bars": "Physical Resizable BAR", "aer": "Advanced Error Reporting"}
    assert set(having(part)) == {name for name, text in texts.items() if titles[part] in text}
    assert len(having(part)) >= 16


@pytest.mark.parametrize("name", having("aer"))
def test_the_error_control_is_the_same(name: str, texts: dict[str, str]) -> None:
    names = {"ECRC_GENC": "ECRCGenCap", "ECRC_GENE": "ECRCGenEn", "ECRC_CHKC": "ECRCChkCap", "ECRC_CHKE": "ECRCChkEn"}
    names |= {"MULT_HDRC": "MultHdrRecCap", "MULT_HDRE": "MultHdrRecEn"}
    names |= {"PREFIX_LOG_PRESENT": "TLPPfxPres", "COMP_TIME_LOG": "HdrLogCap"}
    agrees(named(part_of(name, "aer").control, names), line_with(texts[name], "AERCap"))


@pytest.mark.parametrize("name", having("secondary"))
def test_lane_errors_and_equalisation_requests_are_the_same(name: str, texts: dict[str, str]) -> None:
    secondary, text = part_of(name, "secondary"), section(texts[name], "Secondary PCI Express")
    control = flags_of(line_with(text, "LnkCtl3"))
    assert secondary.perform_equalisation == control["PerformEqu"]
    assert secondary.equalisation_interrupt == control["LnkEquIntrruptEn"]
    lanes = [int(lane) for lane in re.findall(r"\d+", line_with(text, "LaneErrStat"))]
    assert [lane for lane in secondary.lane_errors if lane < 16] == lanes  # as many as lspci shows


@pytest.mark.parametrize("name", having("dpc"))
def test_containment_is_the_same(name: str, texts: dict[str, str]) -> None:
    dpc, text = part_of(name, "dpc"), section(texts[name], "Downstream Port Containment")
    names = {"RP_EXT": "RPExt", "POISONED_TLP": "PoisonedTLP", "SW_TRIGGER": "SwTrigger", "DL_ACTIVE": "DL_ActiveErr"}
    agrees(named(dpc.supported, names), line_with(text, "DpcCap"))
    names = {"CMPL": "Cmpl", "INT_EN": "INT", "ERR_COR": "ErrCor", "TLP": "PoisonedTLP", "SW_TRIGGER": "SwTrigger"}
    control = line_with(text, "DpcCtl")
    agrees(named(dpc.control, names | {"DL_ACTIVE": "DL_ActiveErr"}), control)
    trigger = re.search(r"Trigger:(\d)", control)
    assert trigger
    assert dpc.trigger_on == {1: "ERR_FATAL", 2: "ERR_NONFATAL or ERR_FATAL"}.get(int(trigger[1]))
    status = line_with(text, "DpcSta")
    theirs = flags_of(status)
    assert (dpc.triggered, dpc.interrupt, dpc.root_port_busy) == (theirs["Trigger"], theirs["INT"], theirs["RPBusy"])
    reason, extension = (int(code, 16) for code in re.findall(r"(?:Reason|TriggerExt):(\d\d)", status))
    # Reasons: linux/pci_regs.h and drivers/pci/pcie/dpc.c.
    reasons = {0: "uncorrectable error of the port", 1: "ERR_NONFATAL received", 2: "ERR_FATAL received"}
    extended = {0: "root port I/O error", 1: "software trigger"}.get(extension, "reserved")
    assert dpc.reason == (reasons.get(reason, extended) if dpc.triggered else None)
    if dpc.source is not None:
        bus, device, function = (int(part, 16) for part in re.split("[:.]", dpc.source))
        assert f"{bus << 8 | device << 3 | function:04x}" == line_with(text, "Source").strip()


SUBSTATES = {
    "PCIPM_L1_2": "PCI-PM_L1.2",
    "PCIPM_L1_1": "PCI-PM_L1.1",
    "ASPM_L1_2": "ASPM_L1.2",
    "ASPM_L1_1": "ASPM_L1.1",
}


@pytest.mark.parametrize("name", having("l1_substates"))
def test_l1_substates_are_the_same(name: str, texts: dict[str, str]) -> None:
    substates, text = part_of(name, "l1_substates"), section(texts[name], "L1 PM Substates")
    agrees(named(substates.supported, SUBSTATES | {"L1_PM_SS": "L1_PM_Substates"}), line_with(text, "L1SubCap"))
    agrees(named(substates.enabled, SUBSTATES), line_with(text, "L1SubCtl1"))
    times = re.findall(r"(\w+(?:\.2_Threshold)?)=(?:(\d+)[un]s|<error>)", text)
    theirs = {label: int(value) if value else None for label, value in times}
    ours = {
        "PortCommonModeRestoreTime": substates.port_common_mode_us,
        "PortTPowerOnTime": substates.port_power_on_us,
        "T_CommonMode": substates.common_mode_us,
        "LTR1.2_Threshold": substates.ltr_threshold_ns,
        "T_PwrOn": substates.power_on_us,
    }
    # lspci leaves out what only L1.2 uses where the port does not have it.
    assert {label: ours[label] for label in theirs} == theirs


def test_l1_substates_with_every_scale_are_the_same(tmp_path) -> None:
    images = {
        f"{scale} {unit}": full_image(
            {
                L1SS + regs.PCI_L1SS_CAP: (0x0A00051F | unit << 16 | 9 << 19, 4),
                L1SS + regs.PCI_L1SS_CTL1: (0x0012340F | scale << 29, 4),
                L1SS + regs.PCI_L1SS_CTL2: (unit | 5 << 3, 4),
            }
        )
        for scale in range(6)
        for unit in range(3)
    }
    texts = read_by_lspci(images, tmp_path)
    for name, image in images.items():
        substates, text = decode(image).l1_substates, section(texts[name], "L1 PM Substates")
        assert substates is not None
        assert f"LTR1.2_Threshold={substates.ltr_threshold_ns}ns" in text
        assert f"T_PwrOn={substates.power_on_us}us" in text
        assert f"PortTPowerOnTime={substates.port_power_on_us}us" in text


@pytest.mark.parametrize("name", having("acs"))
def test_access_control_is_the_same(name: str, texts: dict[str, str]) -> None:
    acs, text = part_of(name, "acs"), section(texts[name], "Access Control Services")
    names = {"SV": "SrcValid", "TB": "TransBlk", "RR": "ReqRedir", "CR": "CmpltRedir", "UF": "UpstreamFwd"}
    names |= {"EC": "EgressCtrl", "DT": "DirectTrans"}
    agrees(named(acs.supported, names), line_with(text, "ACSCap"))
    agrees(named(acs.enabled, names), line_with(text, "ACSCtl"))


@pytest.mark.parametrize("name", having("serial_number"))
def test_the_serial_number_is_the_same(name: str, texts: dict[str, str]) -> None:
    assert f"Device Serial Number {SEEN[name].serial_number}" in texts[name]


@pytest.mark.parametrize("name", having("resizable_bars"))
def test_resizable_bars_are_the_same(name: str, texts: dict[str, str]) -> None:
    bars = re.findall(r"BAR (\d): current size: (\d+)([MGT])B", section(texts[name], "Physical Resizable BAR"))
    units = {"M": 1 << 20, "G": 1 << 30, "T": 1 << 40}
    ours = [(bar.index, bar.nbytes) for bar in SEEN[name].resizable_bars or ()]
    assert ours == [(int(index), int(size) * units[unit]) for index, size, unit in bars]


def test_the_made_images_show_each_kind_of_capability() -> None:
    """Otherwise the comparisons above could pass on zeros alone."""
    made = [SEEN[name] for name in MADE]
    assert {space.dpc.reason for space in made if space.dpc} >= {None, "ERR_FATAL received", "reserved"}
    assert any(space.dpc and space.dpc.source for space in made)
    assert any(space.secondary and space.secondary.lane_errors for space in made)
    assert any(space.l1_substates and space.l1_substates.ltr_threshold_ns is None for space in made)
