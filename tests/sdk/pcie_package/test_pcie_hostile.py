"""Images that are none, or hostile: what is refused, what is described without the odd part, and at what cost."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable

import pytest
from crafted_images import (
    ACS,
    ADDED,
    AER,
    ALL,
    DPC,
    EXPRESS,
    PORT,
    REBAR,
    RECORDED,
    SECONDARY,
    full_image,
    with_registers,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from laneproof.errors import BadInput
from laneproof.pcie import ConfigSpace, decode
from laneproof.pcie import registers as regs


def with_register(offset: int, value: int, nbytes: int) -> bytes:
    """The recorded root port, one register set to `value`."""
    return with_registers({offset: (value, nbytes)})


# --- images that are none ---


@pytest.mark.parametrize("nbytes", [0, 63, 65, 100, 255, 257, 4095, 4097])
def test_another_size_is_refused(nbytes: int) -> None:
    with pytest.raises(BadInput, match=f"^{nbytes} bytes are no configuration space image; it has 64, 256 or 4096$"):
        decode(bytes(nbytes))


@pytest.mark.parametrize("nbytes", [64, 256, 4096])
def test_all_ones_mean_that_no_device_answered(nbytes: int) -> None:
    with pytest.raises(BadInput, match="no device answered"):
        decode(b"\xff" * nbytes)


@pytest.mark.parametrize("nbytes", [64, 256, 4096])
def test_all_zeros_are_refused(nbytes: int) -> None:
    with pytest.raises(BadInput, match="all zeros"):
        decode(bytes(nbytes))


@pytest.mark.parametrize("given", ["00: 36 1b", None, 4096, [0] * 64])
def test_what_is_not_bytes_is_refused(given: object) -> None:
    with pytest.raises(BadInput, match="image is bytes"):
        decode(given)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("offset", "value", "nbytes", "complaint"),
    [
        (0x41, 0x54, 1, r"list loops: byte 0x41 points back to 0x54$"),
        (0x41, 0x40, 1, r"list loops: byte 0x41 points back to 0x40$"),
        (0x34, 0x10, 1, r"leaves its room: byte 0x34 points to 0x10$"),
        (0x48, 0xFF, 1, r"at 0x48 reads all ones"),
        (0x148, 0x1481000D, 4, r"list loops: 0x148 points back to 0x148$"),
        (0x148, 0x1001000D, 4, r"list loops: 0x148 points back to 0x100$"),
        (0x148, 0x0401000D, 4, r"leaves its room: 0x148 points to 0x040$"),
        (0x148, 0xFFFFFFFF, 4, r"at 0x148 reads all ones"),
    ],
)
def test_a_list_that_cannot_be_is_refused_with_its_offset(offset: int, value: int, nbytes: int, complaint: str) -> None:
    with pytest.raises(BadInput, match=complaint):
        decode(with_register(offset, value, nbytes))


def test_reserved_bits_of_a_pointer_are_masked() -> None:
    assert decode(with_register(0x34, 0x57, 1)) == decode(RECORDED[PORT])


@pytest.mark.parametrize("header", [0, 0xFFFFFFFF])
def test_an_extended_list_that_starts_empty_is_empty(header: int) -> None:
    seen = decode(with_register(0x100, header, 4))
    assert not any(capability.extended for capability in seen.capabilities)
    assert seen.aer is None


# --- a capability without room takes nothing else with it ---


def lost(image: bytes, whole: bytes) -> set[str]:
    """The parts that `whole` has and `image` has not."""
    ours, theirs = decode(image).to_dict(), decode(whole).to_dict()
    return {key for key, value in ours.items() if value is None and theirs[key] is not None}


def test_a_capability_that_the_next_one_cuts_short_is_listed_and_said_to_be_odd() -> None:
    image = with_register(0x100, 0x11010001, 4)
    seen = decode(image)
    assert lost(image, RECORDED[PORT]) == {"aer", "acs"}  # the list now leads to 0x110, where nothing is
    assert [entry.offset for entry in seen.capabilities if entry.extended] == [0x100, 0x110]
    assert seen.oddities == (
        "the Advanced Error Reporting capability at 0x100 has 16 bytes before the next one or the end of its space,"
        " and needs 44; it is not described",
    )


def test_a_cut_pci_express_capability_takes_the_link_but_not_error_reporting() -> None:
    seen = decode(with_registers({0x41: (0x54, 1), 0x55: (0x58, 1), 0x59: (0, 1)}))
    assert seen.link is None
    assert seen.aer is not None
    assert seen.aer.root is None  # which port has root registers is not known without it
    assert seen.oddities[0].startswith("the PCI Express capability at 0x54 has 4 bytes")


def test_a_capability_that_runs_past_its_space_is_listed_and_said_to_be_odd() -> None:
    image = bytearray(RECORDED["edu"])
    image[0x34], image[0xF0:0xF4] = 0xF0, bytes((regs.PCI_CAP_ID_EXP, 0, 2, 0))
    seen = decode(image)
    assert seen.device is None
    assert seen.oddities[0].startswith("the PCI Express capability at 0xf0 has 16 bytes")


@pytest.mark.parametrize("offset", ADDED)
def test_each_optional_capability_without_room_is_lost_alone(offset: int) -> None:
    """A header put right behind it leaves it four bytes; the list goes on from there as it did."""
    whole = full_image()
    header = int.from_bytes(whole[offset : offset + 4], "little")
    cut = header & 0xFFFFF | offset + 4 << 20
    behind = regs.PCI_EXT_CAP_ID_VNDR | 1 << 16 | header & 0xFFF00000
    image = with_registers({offset: (cut, 4), offset + 4: (behind, 4)}, whole)
    assert len(lost(image, whole)) == 1
    assert len(decode(image).oddities) == 1
    assert decode(whole).oddities == ()


def test_lanes_that_do_not_fit_are_left_out_and_the_rest_is_described() -> None:
    # The capability after it begins where the fourth lane would.
    whole = full_image({SECONDARY + 0x08: (0x11, 4)})
    header = int.from_bytes(whole[SECONDARY : SECONDARY + 4], "little")
    after = SECONDARY + 0x0C + 2 * 4
    behind = regs.PCI_EXT_CAP_ID_VNDR | 1 << 16 | header & 0xFFF00000
    changed = {SECONDARY: (header & 0xFFFFF | after << 20, 4), after: (behind, 4)}
    secondary = decode(with_registers(changed, whole)).secondary
    assert secondary is not None
    assert (len(secondary.lanes), secondary.lane_errors) == (4, (0, 4))


@pytest.mark.parametrize(("entries", "described"), [(1, 1), (3, 3), (7, 4)])
def test_bars_that_do_not_fit_are_left_out(entries: int, described: int) -> None:
    # A capability of four entries, the next one right behind it.
    behind = REBAR + 4 + 4 * 8
    registers = {REBAR: (0x00010015 | behind << 20, 4), behind: (0x0001000B, 4)}
    bars = decode(full_image(registers | {REBAR + regs.PCI_REBAR_CTRL: (entries << 5, 4)})).resizable_bars
    assert bars is not None
    assert len(bars) == described


@pytest.mark.parametrize(
    ("end", "present"),
    [(0x34, {"equalisation": True, "control2": True}), (0x2C, {"equalisation": False, "control2": True})],
)
def test_registers_of_version_2_are_read_as_far_as_the_room_goes(end: int, present: dict[str, bool]) -> None:
    # An endpoint's capability whose next one begins at `end`; Linux's PCI_CAP_EXP_ENDPOINT_SIZEOF_V2 is 0x32.
    image = bytearray(RECORDED["virtio_rng_aer"])
    at = 0x40
    assert image[at] == regs.PCI_CAP_ID_EXP
    rest, image[at + 1] = image[at + 1], at + end
    image[at + end : at + end + 2] = bytes((regs.PCI_CAP_ID_VNDR, rest))
    seen = decode(image)
    assert seen.link is not None
    assert seen.device is not None
    assert (seen.link.equalisation is not None) == present["equalisation"]
    assert (seen.device.control2 is not None) == present["control2"]


def test_of_two_capabilities_of_one_kind_the_first_is_described() -> None:
    first = with_registers({DPC: (regs.PCI_EXT_CAP_ID_SECPCI | 1 << 16 | 0x1D0 << 20, 4)}, full_image())
    secondary = decode(first).secondary
    assert secondary is not None
    assert secondary.offset == SECONDARY


def test_an_unknown_capability_keeps_its_identifier_and_offset() -> None:
    entry = decode(with_register(ACS, 0x000107FF, 4)).capabilities[-1]
    assert (entry.id, entry.name, entry.offset, entry.extended) == (0x07FF, "unknown", ACS, True)


# --- anything at all ---


def describes_or_refuses(image: bytes) -> None:
    try:
        seen = decode(image)
    except BadInput as error:
        refusal = str(error)
    else:
        refusal = "described"
        plain = seen.to_dict()
        assert json.loads(json.dumps(plain)) == plain
        assert "".join(seen.oddities).isprintable()
        assert len(seen.capabilities) == len({capability.offset for capability in seen.capabilities})
    assert len(refusal.splitlines()) == 1


NOISE = st.tuples(st.sampled_from([64, 256, 4096]), st.randoms(use_true_random=False))


@settings(derandomize=True, deadline=None, max_examples=150)
@given(NOISE.map(lambda noise: noise[1].randbytes(noise[0])))
def test_random_bytes_are_described_or_refused(image: bytes) -> None:
    describes_or_refuses(image)


@settings(derandomize=True, deadline=None, max_examples=300)
@given(
    st.sampled_from(sorted(RECORDED)),
    st.lists(st.tuples(st.integers(0, 0x1FF), st.integers(0, 255)), min_size=1, max_size=40),
)
def test_mutated_images_are_described_or_refused(name: str, changes: list[tuple[int, int]]) -> None:
    image = bytearray(RECORDED[name])
    for offset, value in changes:
        image[offset % len(image)] = value
    describes_or_refuses(bytes(image))


@settings(derandomize=True, deadline=None, max_examples=100)
@given(st.binary(max_size=300))
def test_short_input_is_described_or_refused(image: bytes) -> None:
    describes_or_refuses(image)


@settings(derandomize=True, deadline=None, max_examples=300)
@given(
    st.integers(0, 1 << 32),
    st.dictionaries(st.sampled_from([ACS, AER, *ADDED]), st.integers(0, 0xFFF), min_size=1),
    st.dictionaries(st.sampled_from([0x34, 0x41, 0x49, EXPRESS + 1]), st.integers(0, 0xFF)),
)
def test_mutated_pointers_are_described_or_refused(seed: int, after: dict[int, int], standard: dict[int, int]) -> None:
    whole = full_image(seed=seed)
    changed = {
        offset: (int.from_bytes(whole[offset : offset + 4], "little") & 0xFFFFF | pointer << 20, 4)
        for offset, pointer in after.items()
    }
    describes_or_refuses(with_registers(changed | {offset: (value, 1) for offset, value in standard.items()}, whole))


@settings(derandomize=True, deadline=None, max_examples=300)
@given(
    st.sampled_from(sorted(RECORDED)),
    st.lists(st.tuples(st.integers(0, 0xFFF), st.integers(0, 7)), min_size=1, max_size=64),
)
def test_flipped_bits_are_described_or_refused(name: str, flips: list[tuple[int, int]]) -> None:
    image = bytearray(RECORDED[name])
    for offset, bit in flips:
        image[offset % len(image)] ^= 1 << bit
    describes_or_refuses(bytes(image))


@settings(derandomize=True, deadline=None, max_examples=150)
@given(st.integers(0, 0xFFFFFFFF), st.sampled_from([0x00, 0xFF]), st.integers(1, 4096))
def test_images_that_stop_answering_are_described_or_refused(seed: int, filler: int, answered: int) -> None:
    describes_or_refuses(full_image(seed=seed)[:answered].ljust(4096, bytes((filler,))))


# --- what it costs ---


def longest_lists() -> bytes:
    """As many capabilities as fit, 48 and 960."""
    image = bytearray(RECORDED["edu"] + bytes(4096 - 256))
    for offset in range(0x40, 0x100, 4):
        image[offset : offset + 2] = bytes((regs.PCI_CAP_ID_VNDR, (offset + 4) & 0xFF))
    for offset in range(0x100, 0x1000, 4):
        header = regs.PCI_EXT_CAP_ID_VNDR | 1 << 16 | ((offset + 4) & 0xFFF) << 20
        image[offset : offset + 4] = header.to_bytes(4, "little")
    return bytes(image)


def calls_of(work: Callable[[], ConfigSpace]) -> int:
    """How many functions, Python's and its built-in ones, `work` calls."""
    calls = 0

    def count(_frame: object, event: str, _argument: object) -> None:
        nonlocal calls
        calls += event in ("call", "c_call")

    before = sys.getprofile()
    sys.setprofile(count)
    try:
        work()
    finally:
        sys.setprofile(before)
    return calls


def test_the_longest_possible_lists_are_walked_to_their_end() -> None:
    assert len(decode(longest_lists()).capabilities) == 48 + 960


@pytest.mark.parametrize("image", [longest_lists(), full_image(seed=1), *ALL.values()])
def test_no_image_takes_more_than_ten_thousand_calls(image: bytes) -> None:
    # A few milliseconds on a slow computer, counted and not timed.
    assert calls_of(lambda: decode(image)) < 10_000
