"""How errors become counts: sticky flags, one count a flag and interrupt (Linux drivers/pci/pcie/aer.c)."""

from __future__ import annotations

import attrs
import pytest
from one_partner import READ, TRAINED, WRITE, errors, flags, partner, unmask

from laneproof import pcie
from laneproof.pcie import registers as regs
from laneproof.readings import AtLeast, ReportedError, Unavailable
from laneproof_sim.config_space import AER, EXPRESS
from laneproof_sim.kernel import HANDLING_S, MAX_REPORTED, WHY_AT_LEAST, WHY_BLIND, Kernel
from laneproof_sim.registers import LinkPartner


@pytest.fixture
def near() -> LinkPartner:
    return partner("root port")


@pytest.fixture
def far() -> LinkPartner:
    return partner("endpoint")


@pytest.fixture
def kernel(near: LinkPartner, far: LinkPartner) -> Kernel:
    return Kernel(near, far, owned=True)


def counted(kernel: Kernel, end: str) -> dict[tuple[str, str], AtLeast]:
    """All that is not zero, by severity and name."""
    seen = kernel.errors(end, "")
    groups = {"correctable": seen.correctable, "nonfatal": seen.nonfatal, "fatal": seen.fatal}
    return {(severity, name): count for severity, group in groups.items() for name, count in group.items() if count.n}


def count(kernel: Kernel, end: str, name: str) -> int:
    return kernel.errors(end, "").correctable[name].n


def test_errors_of_one_kind_between_two_interrupts_count_as_one(kernel):
    for at_s in (1.0, 1.0 + HANDLING_S / 3, 1.0 + HANDLING_S / 2):
        kernel.note(at_s, "far", "BadTLP")
    kernel.run_until(2.0)
    assert count(kernel, "far", "BadTLP") == 1


def test_errors_further_apart_than_an_interrupt_count_each(kernel):
    for number in range(5):
        kernel.note(1.0 + 2 * HANDLING_S * number, "far", "BadTLP")
    kernel.run_until(2.0)
    assert count(kernel, "far", "BadTLP") == 5


def test_one_interrupt_counts_every_kind_on_record(kernel):
    kernel.note(1.0, "near", "RxErr")
    kernel.note(1.0, "near", "Timeout")
    kernel.note(1.0, "far", "BadTLP")
    kernel.run_until(2.0)
    assert [count(kernel, *which) for which in (("near", "RxErr"), ("near", "Timeout"), ("far", "BadTLP"))] == [1] * 3


def test_errors_noted_out_of_order_are_handled_in_order_of_time(kernel):
    kernel.note(1.0 + 3 * HANDLING_S, "far", "RxErr")
    kernel.note(1.0, "far", "RxErr")
    kernel.run_until(2.0)
    assert count(kernel, "far", "RxErr") == 2


def test_a_flag_stays_until_it_is_handled(kernel, far):
    kernel.note(1.0, "far", "BadTLP")
    kernel.run_until(1.0)
    assert (far.correctable, count(kernel, "far", "BadTLP")) == (0x40, 0)
    kernel.run_until(1.0 + HANDLING_S)
    assert (far.correctable, count(kernel, "far", "BadTLP")) == (0, 1)
    assert flags(far) == ()


# --- severities


def test_a_nonfatal_error_is_counted_and_its_flag_cleared(kernel, far):
    kernel.note(1.0, "far", "PoisonedTLP", header=WRITE)
    kernel.run_until(2.0)
    assert counted(kernel, "far") == {("nonfatal", "PoisonedTLP"): AtLeast(1, WHY_AT_LEAST)}
    assert (errors(far).uncorrectable.status, flags(far)) == ((), ())


def test_a_fatal_error_of_a_port_is_counted_and_its_flag_stays(kernel, near):
    # Linux clears non-fatal flags only after a recovery (pci_aer_clear_nonfatal_status).
    kernel.note(1.0, "near", "SDES")
    for now_s in (1.0, 2.0):  # before it is handled, and after
        kernel.run_until(now_s)
        assert counted(kernel, "near") == {("fatal", "SDES"): AtLeast(1, WHY_BLIND, blind=True)}
    assert (errors(near).uncorrectable.status, flags(near)) == (("SDES",), ("FED",))


def test_a_fatal_error_below_a_link_is_reported_without_a_name_and_shows_by_its_flag_alone(kernel, far):
    # aer_get_device_error_info does not read such a function's registers; the test of the real kernel shows the same.
    kernel.note(1.0, "far", "MalfTLP", header=WRITE)
    kernel.run_until(2.0)
    assert [(one.severity, one.errors, one.header_log) for one in kernel.reported] == [("fatal", (), None)]
    assert counted(kernel, "far") == {("fatal", "MalfTLP"): AtLeast(1, WHY_BLIND, blind=True)}
    assert far.uncorrectable == regs.PCI_ERR_UNC_MALF_TLP


def test_flags_count_at_the_severity_of_the_message(kernel, near):
    kernel.note(1.0, "near", "CmpltTO")
    kernel.note(1.0, "near", "DLP")
    kernel.run_until(2.0)
    assert {key for key, count in counted(kernel, "near").items() if not count.blind} == {("fatal", "CmpltTO")}


def test_after_a_nonfatal_message_fatal_flags_stay(kernel, near):
    near.write(regs.PCI_COMMAND, 0)
    near.write(EXPRESS + regs.PCI_EXP_DEVCTL, regs.PCI_EXP_DEVCTL_NFERE)
    kernel.note(1.0, "near", "DLP")  # sends nothing
    kernel.note(1.0, "near", "CmpltTO")
    kernel.run_until(2.0)
    assert errors(near).uncorrectable.status == ("DLP",)


def test_a_correctable_error_is_handled_beside_an_uncorrectable_one(kernel):
    kernel.note(1.0, "far", "CmpltTO")
    kernel.note(1.0, "far", "BadTLP")
    kernel.run_until(2.0)
    assert set(counted(kernel, "far")) == {("nonfatal", "CmpltTO"), ("correctable", "BadTLP")}


def test_a_masked_advisory_error_is_not_counted_and_shows_by_its_flag(kernel):
    kernel.note(1.0, "far", "UnxCmplt", header=READ, advisory=True)
    kernel.run_until(2.0)
    assert counted(kernel, "far") == {("correctable", "NonFatalErr"): AtLeast(1, WHY_BLIND, blind=True)}
    assert kernel.reported == ()


def test_an_unmasked_advisory_error_is_counted_as_correctable(kernel, far):
    unmask(far, correctable=True)
    kernel.note(1.0, "far", "UnxCmplt", header=READ, advisory=True)
    kernel.run_until(2.0)
    assert counted(kernel, "far")["correctable", "NonFatalErr"] == AtLeast(1, WHY_AT_LEAST)
    assert errors(far).uncorrectable.status == ("UnxCmplt",)  # Linux clears the correctable status alone


# --- whom the handler asks


def test_after_one_message_only_its_sender_is_asked(kernel, near):
    near.write(regs.PCI_COMMAND, 0)
    near.write(EXPRESS + regs.PCI_EXP_DEVCTL, regs.PCI_EXP_DEVCTL_NFERE)
    kernel.note(1.0, "near", "BadDLLP")  # sends nothing
    kernel.note(1.0, "far", "CmpltTO")
    kernel.run_until(2.0)
    assert counted(kernel, "near") == {("correctable", "BadDLLP"): AtLeast(1, WHY_BLIND, blind=True)}
    assert counted(kernel, "far") == {("nonfatal", "CmpltTO"): AtLeast(1, WHY_AT_LEAST)}


def test_after_one_message_of_the_root_port_the_first_with_a_flag_is_asked(kernel, far):
    # Its number has bus 0, which Linux takes for a number that was lost, so that flags decide.
    far.write(regs.PCI_COMMAND, 0)
    far.write(EXPRESS + regs.PCI_EXP_DEVCTL, regs.PCI_EXP_DEVCTL_NFERE)
    kernel.note(1.0, "far", "BadDLLP")  # sends nothing
    kernel.note(1.0, "near", "RxErr")
    kernel.run_until(2.0)
    assert [(one.device, one.errors) for one in kernel.reported] == [("0000:00:01.0", ("RxErr",))]


def test_an_error_that_sends_no_message_is_not_counted(kernel, far):
    far.write(EXPRESS + regs.PCI_EXP_DEVCTL, 0)
    kernel.note(1.0, "far", "BadTLP")
    kernel.run_until(2.0)
    assert (kernel.reported, far.correctable) == ((), regs.PCI_ERR_COR_BAD_TLP)


def test_a_message_for_which_the_root_port_does_not_interrupt_waits_for_one_for_which_it_does(kernel, near):
    near.write(AER + regs.PCI_ERR_ROOT_COMMAND, regs.PCI_ERR_ROOT_CMD_NONFATAL_EN)
    kernel.note(1.0, "far", "BadTLP")
    kernel.run_until(1.5)
    assert kernel.reported == ()
    kernel.note(2.0, "far", "CmpltTO")
    kernel.run_until(3.0)
    assert [one.errors for one in kernel.reported] == [("BadTLP",), ("CmpltTO",)]


# --- below a switch


@pytest.fixture
def upper(near) -> Kernel:
    """The kernel of the link above a switch."""
    return Kernel(near, ported("upstream port", 0x0100), owned=True)


@pytest.fixture
def lower(upper, far) -> Kernel:
    """The kernel of a slot below it."""
    return Kernel(ported("downstream port", 0x0200), numbered(far, 0x0300), owned=True, above=upper)


def ported(kind, requester_id: int) -> LinkPartner:
    return numbered(partner(kind), requester_id)


def numbered(one: LinkPartner, requester_id: int) -> LinkPartner:
    return LinkPartner(attrs.evolve(one.function, requester_id=requester_id), TRAINED)


@pytest.mark.parametrize(("end", "source"), [("far", "03:00.0"), ("near", "02:00.0")])
def test_a_message_from_below_a_switch_reaches_the_root_port_under_its_sender_s_number(upper, lower, near, end, source):
    lower.note(1.0, end, "BadTLP")
    lower.run_until(1.0)
    assert errors(near).root.correctable_source == source
    lower.run_until(2.0)
    assert counted(lower, end) == {("correctable", "BadTLP"): AtLeast(1, WHY_AT_LEAST)}
    assert not any(counted(upper, other) for other in ("near", "far"))


@pytest.mark.parametrize("which", ["downstream port", "upstream port", "root port"])
def test_each_port_on_the_way_can_stop_it(upper, lower, near, which):
    for port in (near, *(one for kernel in (upper, lower) for _, _, one in kernel.sources())):
        if port.function.kind == which:
            port.write(regs.PCI_BRIDGE_CONTROL & ~3, 0)
    lower.note(1.0, "far", "BadTLP")
    lower.run_until(2.0)
    assert (errors(near).root.status, lower.reported) == ((), ())


def test_a_system_error_from_below_shows_at_every_port_that_it_passed(upper, lower, near):
    lower.note(1.0, "far", "CmpltTO")
    lower.run_until(1.0)
    ports = [one for kernel in (upper, lower) for _, _, one in kernel.sources() if one.function.is_bridge]
    assert len(ports) == 3
    assert all(pcie.decode(port.image()).bridge.secondary_status == ("REC_SYSTEM_ERROR",) for port in ports)


def test_one_interrupt_serves_all_links_below_its_root_port(upper, lower, far):
    beside = Kernel(ported("downstream port", 0x0208), ported("endpoint", 0x0400), owned=True, above=upper)
    for kernel, end in ((lower, "far"), (beside, "near"), (upper, "far")):
        kernel.note(1.0, end, "BadTLP")
    upper.run_until(2.0)
    found = [counted(kernel, end) for kernel, end in ((lower, "far"), (beside, "near"), (upper, "far"))]
    assert found == [{("correctable", "BadTLP"): AtLeast(1, WHY_AT_LEAST)}] * 3


def test_a_link_that_goes_down_drops_its_own_errors_alone(upper, lower):
    lower.note(1.0, "far", "BadTLP")
    upper.note(1.0, "far", "BadTLP")
    lower.forget()
    upper.run_until(2.0)
    assert (len(lower.reported), len(upper.reported)) == (0, 1)


def test_a_slot_that_was_closed_is_asked_no_more(upper, lower, far):
    beside = Kernel(ported("downstream port", 0x0208), ported("endpoint", 0x0400), owned=True, above=upper)
    lower.note(1.0, "far", "BadTLP")
    lower.leave()
    for end in ("near", "far"):
        beside.note(1.0, end, "RxErr")
    beside.run_until(2.0)
    assert (len(lower.reported), len(beside.reported)) == (0, 2)


# --- the log


def test_what_is_reported_has_time_device_severity_names_and_the_header(kernel):
    kernel.note(1.0, "far", "UnsupReq", header=WRITE)
    kernel.note(2.0, "near", "RxErr")
    kernel.note(2.0, "near", "Timeout")
    kernel.run_until(3.0)
    assert kernel.reported == (
        ReportedError(
            time_s=1.0 + HANDLING_S,
            device="0000:01:00.0",
            severity="nonfatal",
            errors=("UnsupReq",),
            header_log=WRITE,
        ),
        ReportedError(
            time_s=2.0 + HANDLING_S, device="0000:00:01.0", severity="correctable", errors=("RxErr", "Timeout")
        ),
    )


def test_the_header_of_a_completion_timeout_is_in_the_register_and_not_in_the_log(kernel, far):
    # AER_LOG_TLP_MASKS of Linux's aer.c, from memory: completion timeouts are not among them.
    kernel.note(1.0, "far", "CmpltTO", header=READ)
    kernel.run_until(2.0)
    assert (kernel.reported[0].header_log, errors(far).header_log) == (None, READ)


def test_the_log_keeps_the_last_errors(kernel):
    for number in range(MAX_REPORTED + 5):
        kernel.note(1.0 + number, "far", "BadTLP")
    kernel.run_until(1e6)
    assert len(kernel.reported) == MAX_REPORTED
    assert kernel.reported[0].time_s == 6.0 + HANDLING_S
    assert count(kernel, "far", "BadTLP") == MAX_REPORTED + 5


def test_the_firmware_clears_flags_and_neither_counts_nor_logs(near, far):
    kernel = Kernel(near, far, owned=False)
    kernel.note(1.0, "far", "BadTLP")
    kernel.note(1.0, "near", "SDES")
    kernel.add_counts("far", "correctable", "BadTLP", 7)
    kernel.run_until(2.0)
    assert (far.correctable, near.uncorrectable, kernel.reported) == (0, 0, ())
    assert not any(counted(kernel, end) for end in ("near", "far"))


def test_counts_can_be_added_at_once(kernel, far):
    kernel.add_counts("far", "correctable", "BadTLP", 7)
    assert counted(kernel, "far") == {("correctable", "BadTLP"): AtLeast(7, WHY_AT_LEAST)}
    assert far.correctable == 0


def test_a_lane_is_marked_when_its_time_has_come(kernel, far):
    kernel.mark_lane(1.0, "far", 3, parity=False)
    kernel.run_until(0.5)
    assert pcie.decode(far.image()).secondary.lane_errors == ()
    kernel.run_until(1.0)
    assert pcie.decode(far.image()).secondary.lane_errors == (3,)


# --- what an open slot shows of it


def test_a_masked_error_is_not_counted(kernel):
    kernel.note(1.0, "far", "CorrIntErr")
    kernel.note(1.0, "far", "BadTLP")
    kernel.run_until(2.0)
    assert (count(kernel, "far", "CorrIntErr"), count(kernel, "far", "BadTLP")) == (0, 1)


def test_every_count_is_a_lower_bound_with_its_reason(bench):
    errors = bench().opened.read_errors()
    counts = [*errors.near.correctable.values(), *errors.far.fatal.values()]
    assert all(isinstance(value, AtLeast) and value.why for value in counts)


@pytest.mark.parametrize(
    ("changes", "why"), [({"errors_owned_by": "firmware"}, "firmware"), ({"observable": False}, "shows neither")]
)
def test_errors_that_cannot_be_read_are_unavailable_with_the_reason(bench, changes, why):
    errors = bench(**changes).opened.read_errors()
    for end in (errors.near, errors.far):
        assert isinstance(end, Unavailable)
        assert why in end.why


def test_a_slot_opened_again_starts_a_new_epoch(bench):
    first, second = (bench().opened.read_errors() for _ in range(2))
    assert first.near.epoch == first.far.epoch
    assert first.near.epoch != second.near.epoch


def test_a_flag_of_device_status_is_read_from_the_registers_until_the_kernel_clears_it(bench):
    opened = bench().opened
    opened.far.raise_error("BadTLP")
    opened.near.raise_error("SDES")
    seen = opened.read_conditions()
    assert (seen.far.device_status, seen.near.device_status) == (("CED",), ("FED",))
    opened.far.clear_errors()
    assert opened.read_conditions().far.device_status == ()


def test_what_the_registers_of_the_model_do_not_hold_is_not_shown(bench):
    seen = bench().opened.read_conditions()
    for end in (seen.near, seen.far):
        assert (end.aspm, end.margining, end.retimers, end.parity_mismatches) == (None, None, None, {})
    for host in (seen.memory_errors, seen.iommu_faults):
        assert isinstance(host, Unavailable)


def test_conditions_hold_what_the_kernel_has_reported(bench):
    opened = bench().opened
    assert opened.read_conditions().reported == ()
    opened.link.kernel.note(opened.clock.now_s(), "far", "UnsupReq", header=WRITE)
    opened.clock.sleep(1e-3)
    (report,) = opened.read_conditions().reported
    assert (report.errors, report.header_log) == (("UnsupReq",), WRITE)


@pytest.mark.parametrize(
    ("changes", "why"), [({"errors_owned_by": "firmware"}, "firmware"), ({"observable": False}, "shows neither")]
)
def test_reports_that_the_kernel_does_not_have_are_unavailable_with_the_reason(bench, changes, why):
    reported = bench(**changes).opened.read_conditions().reported
    assert isinstance(reported, Unavailable)
    assert why in reported.why


def test_conditions_that_the_platform_hides_are_unavailable_with_the_reason(bench):
    seen = bench(observable=False).opened.read_conditions()
    assert isinstance(seen.near, Unavailable)
    assert isinstance(seen.far, Unavailable)
    assert "shows neither" in seen.far.why
