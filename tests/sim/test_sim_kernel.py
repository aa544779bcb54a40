"""How errors become counts: sticky flags, one count a flag and interrupt (Linux drivers/pci/pcie/aer.c)."""

from __future__ import annotations

import pytest

from laneproof.readings import AtLeast, Unavailable
from laneproof_sim.kernel import HANDLING_S, Kernel


@pytest.fixture
def kernel(bench):
    opened = bench().opened
    return Kernel(opened.near, opened.far, owned=True)


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


def test_a_flag_stays_until_it_is_handled(bench):
    opened = bench().opened
    kernel = Kernel(opened.near, opened.far, owned=True)
    kernel.note(1.0, "far", "BadTLP")
    kernel.run_until(1.0)
    assert (opened.far.correctable, count(kernel, "far", "BadTLP")) == (0x40, 0)
    kernel.run_until(1.0 + HANDLING_S)
    assert (opened.far.correctable, count(kernel, "far", "BadTLP")) == (0, 1)


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
    for partner in (errors.near, errors.far):
        assert isinstance(partner, Unavailable)
        assert why in partner.why


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
    for partner in (seen.near, seen.far):
        assert (partner.lane_errors, partner.parity_mismatches, partner.aspm, partner.margining) == (
            None,
            {},
            None,
            None,
        )
    for host in (seen.sensors, seen.memory_errors, seen.iommu_faults, seen.reported):
        assert isinstance(host, Unavailable)


def test_conditions_that_the_platform_hides_are_unavailable_with_the_reason(bench):
    seen = bench(observable=False).opened.read_conditions()
    assert isinstance(seen.near, Unavailable)
    assert isinstance(seen.far, Unavailable)
    assert "shows neither" in seen.far.why
