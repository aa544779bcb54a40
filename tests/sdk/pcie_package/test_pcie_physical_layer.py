"""What names a lane: lane errors, presets, parity mismatches, margining and flit errors, each register by its place.

lspci 3.9 shows lane errors alone of these, and another test compares them. Places: EDK2's MdePkg, IndustryStandard/
PciExpress40.h, PciExpress50.h and PciExpress60.h; margining and flit logging: base specification 6.0, sections 7.7.10
and 7.7.8, from a public copy.
"""

from __future__ import annotations

import pytest
from crafted_images import (
    EXPRESS,
    FLIT,
    LINK_FEATURE,
    MARGINING,
    PHYSICAL_16,
    PHYSICAL_32,
    PHYSICAL_64,
    SECONDARY,
    full_image,
)

from laneproof.pcie import FlitLogging, LanePresets, PhysicalLayer, decode
from laneproof.pcie import registers as regs

RATES = {16.0: PHYSICAL_16, 32.0: PHYSICAL_32, 64.0: PHYSICAL_64}


def physical(speed_gtps: float, offset: int, value: int, nbytes: int = 4) -> PhysicalLayer:
    """The capability of a rate with one register set."""
    space = decode(full_image({RATES[speed_gtps] + offset: (value, nbytes)}))
    found = {16.0: space.physical_16gt, 32.0: space.physical_32gt, 64.0: space.physical_64gt}[speed_gtps]
    assert found is not None
    assert found.offset == RATES[speed_gtps]
    return found


@pytest.mark.parametrize("speed_gtps", RATES)
@pytest.mark.parametrize(
    ("bit", "name"), list(enumerate(["complete", "phase 1", "phase 2", "phase 3", "requested"])), ids=str
)
def test_each_step_of_equalisation_shows_alone(speed_gtps: float, bit: int, name: str) -> None:
    assert physical(speed_gtps, 0x0C, 1 << bit).equalisation == (name,)


@pytest.mark.parametrize(
    ("offset", "field"),
    [
        (0x10, "local_parity_mismatch"),
        (0x14, "first_retimer_parity_mismatch"),
        (0x18, "second_retimer_parity_mismatch"),
    ],
)
def test_a_parity_mismatch_names_segment_and_lanes(offset: int, field: str) -> None:
    found = physical(16.0, offset, 1 << 0 | 1 << 5 | 1 << 15)
    segments = ["local_parity_mismatch", "first_retimer_parity_mismatch", "second_retimer_parity_mismatch"]
    assert {name: getattr(found, name) for name in segments} == {
        name: (0, 5, 15) if name == field else () for name in segments
    }


@pytest.mark.parametrize("speed_gtps", [32.0, 64.0])
def test_the_faster_rates_have_no_parity_registers_of_their_own(speed_gtps: float) -> None:
    found = physical(speed_gtps, 0x10, 0xFFFFFFFF)
    assert found.local_parity_mismatch is None
    assert found.first_retimer_parity_mismatch is None
    assert found.second_retimer_parity_mismatch is None


@pytest.mark.parametrize(("speed_gtps", "on", "requested"), [(32.0, 8, 9), (64.0, 5, 6)])
@pytest.mark.parametrize("bit", range(16))
def test_precoding_shows_as_used_and_as_requested(speed_gtps: float, on: int, requested: int, bit: int) -> None:
    found = physical(speed_gtps, 0x0C, 1 << bit)
    assert (found.precoding, found.precoding_requested) == (bit == on, bit == requested)


def test_at_16_gtps_nothing_is_precoded() -> None:
    found = physical(16.0, 0x0C, 0xFFFFFFFF)
    assert (found.precoding, found.precoding_requested) == (None, None)


@pytest.mark.parametrize("speed_gtps", [16.0, 32.0])
def test_each_lane_has_a_preset_for_either_port(speed_gtps: float) -> None:
    found = physical(speed_gtps, 0x20 + 5, 0x94, 1)
    assert found.lanes is not None
    assert len(found.lanes) == 16  # as many as the port's maximum width
    assert found.lanes[5] == LanePresets(
        lane=5,
        downstream_port_preset=4,
        upstream_port_preset=9,
        downstream_port_hint=None,
        upstream_port_hint=None,
    )
    assert {lane.downstream_port_preset for lane in found.lanes if lane.lane != 5} == {0}


def test_presets_at_64_gtps_are_left_out() -> None:
    # EDK2 has them at 0x10, newer linux/pci_regs.h at 0x20.
    assert physical(64.0, 0x10, 0xFFFFFFFF).lanes is None


def test_secondary_names_lanes_and_presets_with_hints() -> None:
    # linux/pci_regs.h of newer kernels: PCI_SECPCI_LE_CTRL is 0x0c. Fields: base specification, from memory.
    registers = {SECONDARY + 0x04: (0x0602, 4), SECONDARY + 0x08: (0x8009, 4), SECONDARY + 0x0C + 2 * 3: (0x5A27, 2)}
    secondary = decode(full_image(registers)).secondary
    assert secondary is not None
    assert secondary.lane_errors == (0, 3, 15)
    assert (secondary.perform_equalisation, secondary.equalisation_interrupt) == (False, True)
    assert secondary.sris_generation_enabled_gtps == (2.5, 5.0)
    assert secondary.lanes[3] == LanePresets(
        lane=3,
        downstream_port_preset=7,
        downstream_port_hint=2,
        upstream_port_preset=0xA,
        upstream_port_hint=5,
    )


@pytest.mark.parametrize(("code", "lanes"), [(1, 1), (4, 4), (16, 16), (32, 16), (0, 0), (63, 0)])
def test_there_are_as_many_presets_as_lanes_unless_their_room_ends(code: int, lanes: int) -> None:
    # The made capability has room for sixteen; a port that does not say its width has none.
    secondary = decode(full_image({EXPRESS + regs.PCI_EXP_LNKCAP: (code << 4 | 4, 4)})).secondary
    assert secondary is not None
    # Room goes on to the next capability, past the sixteenth lane.
    assert len(secondary.lanes) == (18 if code == 32 else lanes)


@pytest.mark.parametrize(
    ("capabilities", "status", "seen"),
    [
        (0, 0, (False, False, None)),
        (0, 1, (True, False, None)),
        (1, 3, (True, True, True)),
        (1, 1, (True, True, False)),
    ],
)
def test_margining_is_ready_by_itself_or_with_its_driver(
    capabilities: int, status: int, seen: tuple[bool, bool, bool | None]
) -> None:
    margining = decode(full_image({MARGINING + 4: (capabilities, 2), MARGINING + 6: (status, 2)})).margining
    assert margining is not None
    assert (margining.ready, margining.uses_driver_software, margining.software_ready) == seen


def flit(values: dict[int, tuple[int, int]]) -> FlitLogging:
    logging = decode(full_image({FLIT + offset: value for offset, value in values.items()})).flit_logging
    assert logging is not None
    return logging


def test_a_logged_flit_error_is_read() -> None:
    logging = flit({0x04: (0x5612A1F9 & ~0xF0 | 3 << 4, 4), 0x08: (0x44332211, 4)})
    assert logging.error is not None
    assert (logging.error.width, logging.error.since_last) == (16, 3)
    assert logging.error.following == (True, False, False, False, False)
    assert (logging.error.more, logging.error.unrecognised, logging.error.uncorrectable) == (True, False, True)
    assert logging.error.syndromes == ((0x12, 0x56), (0x11, 0x22), (0x33, 0x44))


@pytest.mark.parametrize(("code", "lanes"), [(0, 1), (1, 2), (2, 4), (3, 8), (4, 16), (5, None), (7, None)])
def test_a_flit_error_was_logged_at_a_width(code: int, lanes: int | None) -> None:
    logging = flit({0x04: (1 | code << 1, 4)})
    assert logging.error is not None
    assert logging.error.width == lanes


def test_without_the_valid_bit_no_flit_error_is_on_record() -> None:
    assert flit({0x04: (0xFFFFFFFE, 4)}).error is None


@pytest.mark.parametrize(
    ("control", "counts"),
    [
        (0x1, "correctable and invalid flits, framing errors"),
        (0x5, "correctable flits"),
        (0x9, "invalid flits"),
        (0xC, None),
    ],
)
def test_the_flit_error_counter_says_what_it_counts_while_it_is_on(control: int, counts: str | None) -> None:
    logging = flit({0x0C: (control, 2), 0x0E: (0x2A03, 2)})
    assert (logging.counts, logging.errors) == (counts, 0x2A)


def test_the_flit_measurement_counts_bit_errors_by_lane_while_it_is_on() -> None:
    counters = {0x14: (1_000_000, 4), 0x18: (7, 2), 0x1C: (3, 2), 0x1C + 2 * 15: (9, 2)}
    on, off = flit(counters | {0x10: (1, 4)}), flit(counters)
    assert (on.measuring, on.flits, on.invalid_flits) == (True, 1_000_000, 7)
    assert on.lane_errors == (3, *[0] * 14, 9)
    assert (off.measuring, off.flits, off.invalid_flits, off.lane_errors) == (False, None, None, None)


def test_the_flit_measurement_has_sixteen_lanes_at_most() -> None:
    values = {EXPRESS + regs.PCI_EXP_LNKCAP: (32 << 4 | 4, 4), FLIT + 0x10: (1, 4)}
    logging = decode(full_image(values)).flit_logging
    assert logging is not None
    assert logging.lane_errors == (0,) * 16


@pytest.mark.parametrize(
    ("local", "remote", "seen"),
    [
        (0x80000001, 0x80000001, (True, ("scaled flow control",), ("scaled flow control",))),
        (0x00000001, 0x80000000, (False, ("scaled flow control",), ())),
        (0x00000000, 0x00000001, (False, (), None)),
    ],
)
def test_data_link_features_are_read_and_the_partners_only_once_they_came(
    local: int, remote: int, seen: object
) -> None:
    # linux/pci_regs.h: PCI_DLF_EXCHANGE_ENABLE. Bit 0 of both, bit 31 of the status: base specification, from memory.
    feature = decode(full_image({LINK_FEATURE + 4: (local, 4), LINK_FEATURE + 8: (remote, 4)})).data_link_feature
    assert feature is not None
    assert (feature.exchange_enabled, feature.local, feature.remote) == seen
