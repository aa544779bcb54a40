"""What a survey says of one link: path, bottleneck, payload sizes, wiring, power, and who holds its functions."""

from __future__ import annotations

import pytest

from laneproof.clock import Deadline
from laneproof.readings import HostLink, HostSurvey
from laneproof_drivers.linux_host import LinuxHost

NIC_PORT, NIC = "0000:00:06.0", "0000:03:00.0"
SWITCH_ROOT, UPSTREAM, DOWNSTREAM, RNG = "0000:00:07.0", "0000:04:00.0", "0000:05:00.0", "0000:06:00.0"
EMPTY_PORT = "0000:00:08.0"


def survey(tree, whole: bool = False) -> HostSurvey:
    with Deadline(20) as deadline:
        return LinuxHost(tree.root.parent if whole else tree.root).survey(deadline)


def link_at(tree, near_address: str) -> HostLink:
    (link,) = [link for link in survey(tree).links if link.near_address == near_address]
    return link


def remarks(tree, near_address: str, about: str) -> list[str]:
    return [remark for remark in link_at(tree, near_address).remarks if about in remark]


def train(tree, address: str, speed: str, width: int) -> None:
    tree.write(
        address,
        current_link_speed=f"{speed} GT/s PCIe",
        current_link_width=str(width),
        max_link_speed=f"{speed} GT/s PCIe",
        max_link_width=str(width),
    )


def patch(tree, address: str, register: int, mask: int, value: int, nbytes: int = 2) -> None:
    """Changes the bits under `mask` of a register of the PCI Express capability (offsets: linux/pci_regs.h)."""
    at = tree.express(address) + register
    old = int.from_bytes(tree.config(address)[at : at + nbytes], "little")
    tree.patch_config(address, at, (old & ~mask | value).to_bytes(nbytes, "little"))


# --- path and bottleneck ---


def test_the_slowest_bandwidth_limits_a_path_not_the_lowest_generation(tree):
    """Linux commit af125b754e2f: 16 GT/s x1 (1969 MB/s) limits a path with 2.5 GT/s x16 (4000 MB/s) in it."""
    for address in (SWITCH_ROOT, UPSTREAM):
        train(tree, address, "16.0", 1)
    for address in (DOWNSTREAM, RNG):
        train(tree, address, "2.5", 16)
    link = link_at(tree, DOWNSTREAM)
    assert link.path == (SWITCH_ROOT, DOWNSTREAM)
    assert link.bottleneck == SWITCH_ROOT
    (remark,) = remarks(tree, DOWNSTREAM, "limited further up")
    assert f"{SWITCH_ROOT} to {UPSTREAM}: 16 GT/s x1, 1.97 GB/s" in remark


def test_a_link_that_is_itself_the_slowest_is_not_limited_further_up(tree):
    for address in (SWITCH_ROOT, UPSTREAM):
        train(tree, address, "2.5", 16)
    for address in (DOWNSTREAM, RNG):
        train(tree, address, "16.0", 1)
    assert link_at(tree, DOWNSTREAM).bottleneck == DOWNSTREAM
    assert remarks(tree, DOWNSTREAM, "limited") == []


def test_links_of_equal_rate_are_no_bottleneck_for_each_other(tree):
    for address in (SWITCH_ROOT, UPSTREAM, DOWNSTREAM, RNG):
        train(tree, address, "8.0", 4)
    assert remarks(tree, DOWNSTREAM, "limited") == []


def test_a_path_with_a_link_of_unknown_rate_names_no_bottleneck(tree):
    for address in (SWITCH_ROOT, UPSTREAM):
        tree.write(address, current_link_speed="Unknown")
    assert link_at(tree, DOWNSTREAM).bottleneck is None


# --- payload sizes: DEVCTL at 0x08, payload code in bits 7:5, read request code in bits 14:12; DEVCAP at 0x04, 2:0 ---


def sizes(tree, address: str, payload: int, request: int | None = None, supported: int = 5) -> None:
    patch(tree, address, 0x08, 0x00E0, (payload // 128).bit_length() - 1 << 5)
    patch(tree, address, 0x04, 0x7, supported)
    if request is not None:
        patch(tree, address, 0x08, 0x7000, (request // 128).bit_length() - 1 << 12)


def path_sizes(tree, root: int, switch: int, card: int, request: int) -> list[str]:
    for address in (SWITCH_ROOT,):
        sizes(tree, address, root)
    for address in (UPSTREAM, DOWNSTREAM):
        sizes(tree, address, switch)
    sizes(tree, RNG, card, request)
    return remarks(tree, DOWNSTREAM, "payload")


def test_a_card_that_may_write_more_than_a_switch_on_the_way_takes_clashes(tree):
    (remark,) = path_sizes(tree, 512, 256, 512, 512)
    assert f"{RNG} may write 512 bytes at once, and {UPSTREAM} takes 256" in remark


def test_a_root_port_that_may_answer_with_more_than_the_card_takes_clashes(tree):
    (remark,) = path_sizes(tree, 512, 512, 128, 512)
    assert f"{SWITCH_ROOT} may answer reads with 512 bytes at once, and {RNG} takes 128" in remark


def test_differing_sizes_do_not_clash_where_the_read_request_keeps_answers_small(tree):
    """The kernel argument pci=pcie_bus_perf rests on this (Linux drivers/pci/probe.c)."""
    (remark,) = path_sizes(tree, 512, 512, 256, 256)
    assert "do not clash" in remark


def test_equal_sizes_are_no_remark_unless_all_could_take_more(tree):
    (remark,) = path_sizes(tree, 256, 256, 256, 4096)
    assert "payload is set to 256 bytes, and all on the path can take 4096" in remark
    sizes(tree, UPSTREAM, 256, supported=1)
    assert remarks(tree, DOWNSTREAM, "payload") == []


# --- wiring ---


def slot_record(lanes_code: int, bus: int, device: int = 0) -> bytes:
    """A System Slot (SMBIOS type 9, from memory): width at 6, segment at 0x0d, bus at 0x0f, device at 0x10."""
    record = bytearray(0x13)
    record[0], record[1], record[4], record[5], record[6] = 9, len(record), 1, 0xB6, lanes_code
    record[0x0F], record[0x10] = bus, device << 3
    return bytes(record) + b"SLOT3\0\0"


def declare(tree, record: bytes) -> None:
    folder = tree.root / "firmware/dmi/entries/9-0"
    folder.mkdir(parents=True)
    (folder / "raw").write_bytes(record)


def wide(tree, width: int) -> None:
    for address in (NIC_PORT, NIC):
        tree.write(address, max_link_width="8", current_link_width=str(width), max_link_speed="2.5 GT/s PCIe")


def test_a_link_as_wide_as_its_slot_is_wired_is_no_shortfall(tree):
    wide(tree, 4)
    declare(tree, slot_record(0x0A, bus=3))
    link = link_at(tree, NIC_PORT)
    assert link.link.wiring == 4
    assert not [remark for remark in link.remarks if "trained below" in remark]


def test_a_link_narrower_than_its_slot_is_wired_is_one(tree):
    wide(tree, 1)
    declare(tree, slot_record(0x0A, bus=3))
    (remark,) = remarks(tree, NIC_PORT, "trained below")
    assert "what the slot's wiring can: x1 of x4" in remark


@pytest.mark.parametrize("record", [b"", b"\x09", slot_record(0x02, 3), slot_record(0x0A, 9), b"\xff" * 40])
def test_a_record_that_says_nothing_of_this_slot_changes_nothing(tree, record):
    wide(tree, 4)
    declare(tree, record)
    assert link_at(tree, NIC_PORT).link.wiring is None


def test_a_slot_record_that_the_link_disproves_is_said_to_be_wrong(tree):
    wide(tree, 8)
    declare(tree, slot_record(0x0A, bus=3))
    (remark,) = remarks(tree, NIC_PORT, "wired")
    assert "says x4 wired and is wrong: the link has x8" in remark


def test_a_slot_is_called_by_the_name_that_the_platform_gives_it(tree):
    for name, place in (("3-1", "0000:03:00"), ("9", "0000:08:00")):
        (tree.root / "bus/pci/slots" / name).mkdir(parents=True)
        (tree.root / "bus/pci/slots" / name / "address").write_text(f"{place}\n")
    assert link_at(tree, NIC_PORT).slot == "3-1"
    assert link_at(tree, EMPTY_PORT).slot == "9"  # behind it stands bus 8, as its registers say


# --- power, holders, flags ---


def test_who_holds_a_function_and_where_is_shown(tree):
    tree.write(NIC, numa_node="1")
    (tree.root / "kernel/iommu_groups/12").mkdir(parents=True)
    (tree.root / "bus/pci/drivers/e1000e").mkdir(parents=True, exist_ok=True)
    folder = tree.folder(NIC)
    (folder / "iommu_group").symlink_to(tree.root / "kernel/iommu_groups/12")
    (folder / "driver").unlink(missing_ok=True)
    (folder / "driver").symlink_to(tree.root / "bus/pci/drivers/e1000e")
    (function,) = link_at(tree, NIC_PORT).functions
    assert (function.driver, function.numa_node, function.iommu_group) == ("e1000e", 1, "12")


def test_a_machine_without_numa_shows_no_node(tree):
    """Linux writes -1 there (Documentation/ABI/testing/sysfs-bus-pci)."""
    tree.write(NIC, numa_node="-1")
    (function,) = link_at(tree, NIC_PORT).functions
    assert function.numa_node is None


def test_a_card_that_sleeps_is_remarked(tree):
    (tree.folder(NIC) / "power").mkdir()
    (tree.folder(NIC) / "power/runtime_status").write_text("suspended\n")
    (tree.folder(NIC) / "power/control").write_text("auto\n")
    (function,) = link_at(tree, NIC_PORT).functions
    assert (function.runtime_status, function.runtime_control) == ("suspended", "auto")
    (remark,) = remarks(tree, NIC_PORT, "power management when it was looked at")
    assert f"{NIC} was suspended" in remark


def test_link_errors_beside_link_power_states_ask_for_a_repeat_without_them(tree):
    (tree.folder(NIC) / "link").mkdir()
    (tree.folder(NIC) / "link/l1_aspm").write_text("1\n")
    assert remarks(tree, NIC_PORT, "power states") == []
    tree.write(NIC, aer_dev_correctable="RxErr 3")
    assert link_at(tree, NIC_PORT).aspm == ("L1",)
    (remark,) = remarks(tree, NIC_PORT, "power states")
    assert "switch them off" in remark


@pytest.mark.parametrize(("bit", "says"), [(0x4000, "was not the link's own choice"), (0x8000, "no sign of a fault")])
def test_changes_of_bandwidth_by_choice_and_for_reliability_are_told_apart(tree, bit, says):
    """linux/pci_regs.h: LNKSTA at 0x12, LBMS 0x4000, LABS 0x8000; both need LBNC, bit 21 of LNKCAP at 0x0c."""
    patch(tree, NIC_PORT, 0x0C, 1 << 21, 1 << 21, nbytes=4)
    assert remarks(tree, NIC_PORT, "noted a change") == []
    patch(tree, NIC_PORT, 0x12, bit, bit)
    (remark,) = remarks(tree, NIC_PORT, "noted a change")
    assert says in remark


def test_the_power_that_a_slot_offers_is_shown(tree):
    """linux/pci_regs.h: SLTCAP at 0x14, limit in bits 14:7, scale in 16:15 (0: 1 W); slot implemented, FLAGS 0x0100."""
    patch(tree, NIC_PORT, 0x02, 0x0100, 0x0100)
    patch(tree, NIC_PORT, 0x14, 0x1FF80, 75 << 7, nbytes=4)
    assert link_at(tree, NIC_PORT).slot_power_w == link_at(tree, NIC_PORT).link.slot_power_w == 75


def test_a_flag_that_stays_set_is_blind_and_said_to_be(tree):
    """linux/pci_regs.h: AER is extended capability 1; correctable status at 0x10, BadTLP bit 6."""
    image, at = tree.config(NIC), 0x100
    while int.from_bytes(image[at : at + 2], "little") != 0x0001:
        at = int.from_bytes(image[at : at + 4], "little") >> 20
    tree.patch_config(NIC, at + 0x10, (1 << 6).to_bytes(4, "little"))
    (remark,) = remarks(tree, NIC_PORT, "blind")
    assert remark.endswith("BadTLP")


def test_error_flags_of_a_card_without_counters_are_remarked(tree):
    """linux/pci_regs.h: DEVSTA at 0x0a, CED 1, URD 8. The emulated NVMe controller has no AER."""
    patch(tree, "0000:02:00.0", 0x0A, 0x0F, 0x09)
    (remark,) = remarks(tree, "0000:00:05.0", "flags for these errors")
    assert remark.endswith("correctable, unsupported request")


def test_error_flags_are_evidence_where_nobody_keeps_the_counters(tree):
    patch(tree, NIC, 0x0A, 0x0F, 0x02)
    assert remarks(tree, NIC_PORT, "flags for these errors") == []
    (tree.root / "bus/pci_express/drivers").mkdir(parents=True)
    (remark,) = remarks(tree, NIC_PORT, "flags for these errors")
    assert remark.endswith("nonfatal")


def test_ends_that_differ_are_remarked(tree):
    tree.write(NIC, current_link_width="1", max_link_width="4")
    tree.write(NIC_PORT, current_link_width="4")
    (remark,) = remarks(tree, NIC_PORT, "the ends differ")
    assert remark == f"the ends differ in width: 4 at {NIC_PORT}, 1 at {NIC}; read them again"


def test_the_further_functions_of_a_card_are_listed_and_their_link_errors_counted_once(tree):
    other = tree.add_function("0000:03:00.1", like=NIC)
    tree.write(NIC, aer_dev_correctable="RxErr 4\nNonFatalErr 0")
    tree.write(other, aer_dev_correctable="RxErr 4\nNonFatalErr 2")
    link = link_at(tree, NIC_PORT)
    assert [function.address for function in link.functions] == [NIC, other]
    assert link.description.endswith("and 1 more function")
    assert link.errors.far.correctable["RxErr"].n == 4
    assert [remark for remark in link.remarks if other in remark] == [
        f"{other} has counted correctable errors of its own, these at least: NonFatalErr 2"
    ]


# --- ends that do not report ---


def handled(tree) -> None:
    (tree.root / f"bus/pci_express/drivers/aer/{NIC_PORT}:pcie002").mkdir(parents=True)


def test_an_end_that_does_not_report_errors_is_not_taken_for_one_without(tree):
    """linux/pci_regs.h: DEVCTL at 0x08, enables 0x000f; COMMAND at 4, SERR 0x0100, which enables uncorrectable ones."""
    handled(tree)
    patch(tree, NIC, 0x08, 0x000F, 0x000F)
    assert remarks(tree, NIC_PORT, f"{NIC} is not set to report") == []
    patch(tree, NIC, 0x08, 0x000F, 0x000E)
    (remark,) = remarks(tree, NIC_PORT, f"{NIC} is not set to report")
    assert "report correctable errors" in remark
    patch(tree, NIC, 0x08, 0x000F, 0)
    tree.patch_config(NIC, 4, b"\x06\x00")
    (remark,) = remarks(tree, NIC_PORT, f"{NIC} is not set to report")
    assert "report correctable, nonfatal, fatal errors" in remark


def test_a_masked_link_error_is_remarked_and_one_masked_by_default_is_not(tree):
    """linux/pci_regs.h: AER correctable mask at 0x14; BadTLP bit 6. 0xe000 is the mask after a reset."""
    handled(tree)
    assert remarks(tree, NIC_PORT, "masks") == []
    tree.patch_config(NIC, 0x100 + 0x14, (0xE040).to_bytes(4, "little"))
    (remark,) = remarks(tree, NIC_PORT, "masks")
    assert remark.startswith(NIC)
    assert remark.endswith(": BadTLP")


# --- what the kernel was told ---


@pytest.mark.parametrize(
    ("argument", "says"),
    [
        ("pci=noaer", "counts and reports no PCI Express error"),
        ("pci=nommconf", "ends at byte 256"),
        ("pcie_ports=compat", "no errors are counted"),
        ("pcie_aspm=off", "as firmware set them"),
        ("pcie_aspm=force", "link errors may come of it"),
        ("iommu=pt", "lets pass"),
    ],
)
def test_a_kernel_argument_that_hides_evidence_is_remarked_with_its_effect(tree, argument, says):
    """Linux Documentation/admin-guide/kernel-parameters.txt."""
    tree.proc(cmdline=f"BOOT_IMAGE=/vmlinuz {argument} quiet -- pci=off")
    seen = survey(tree, whole=True)
    assert seen.kernel_arguments == (argument,)
    (remark,) = [remark for remark in seen.remarks if argument in remark]
    assert says in remark


def test_the_policy_for_link_power_states_is_shown_and_one_that_saves_power_remarked(tree):
    (tree.root / "module/pcie_aspm/parameters").mkdir(parents=True)
    policy = tree.root / "module/pcie_aspm/parameters/policy"
    policy.write_text("default performance [powersave] powersupersave \n")
    seen = survey(tree)
    assert seen.aspm_policy == "powersave"
    assert any("judge them under load" in remark for remark in seen.remarks)
    policy.write_text("[default] performance powersave powersupersave \n")
    assert survey(tree).aspm_policy == "default"
    assert not any("judge them under load" in remark for remark in survey(tree).remarks)


def test_a_hypervisor_below_the_computer_is_remarked(tree):
    tree.proc(cpuinfo="processor\t: 0\nflags\t\t: fpu vme hypervisor lahf_lm")
    assert any("a hypervisor runs this computer" in remark for remark in survey(tree, whole=True).remarks)
    tree.proc(cpuinfo="model name\t: hypervisor\nflags\t\t: fpu vme lahf_lm")
    assert not any("a hypervisor runs this computer" in remark for remark in survey(tree, whole=True).remarks)
