"""`laneproof decode` for people: a logged packet, lanes, what is missing and what is odd, in 80 columns."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from laneproof.pcie import registers as regs

Run = Callable[..., object]
IMAGES = Path(__file__).parents[2] / "fixtures" / "config"
AER, ACS = 0x100, 0x148  # where the recorded root port has them, as lspci lists them
# Linux Documentation/PCI/pcieaer-howto.rst: the header that it logs with an unsupported request.
LOGGED = (0x04000001, 0x00200A03, 0x05010000, 0x00050100)


def root_port(values: dict[int, tuple[int, int]]) -> bytes:
    """The recorded root port with registers set: by offset their value and number of bytes."""
    image = bytearray((IMAGES / "rootport_16gts_x16_edu.bin").read_bytes())
    for offset, (value, nbytes) in values.items():
        image[offset : offset + nbytes] = value.to_bytes(nbytes, "little")
    return bytes(image)


def with_log(control: int) -> bytes:
    values = {AER + regs.PCI_ERR_UNCOR_STATUS: (1 << 20, 4), AER + regs.PCI_ERR_CAP: (control, 4)}
    return root_port(values | {AER + regs.PCI_ERR_HEADER_LOG + 4 * at: (word, 4) for at, word in enumerate(LOGGED)})


@pytest.fixture
def decoded(laneproof: Run, tmp_path: Path) -> Callable[[bytes], list[str]]:
    """The lines that the verb prints of an image."""

    def run(image: bytes) -> list[str]:
        (tmp_path / "image").write_bytes(image)
        done = laneproof("decode", "image")
        assert (done.status, done.err) == (0, "")
        return done.out.splitlines()

    return run


def test_a_logged_header_is_shown_in_hexadecimal_and_as_the_packet_that_it_is(decoded) -> None:
    lines = decoded(with_log(20))
    assert "  header_log: 04000001 00200a03 05010000 00050100" in lines
    assert "  tlp: CfgRd0 from 00:04.0, tag 0x0a, to 05:00.1 register 0x000, 1 DW" in lines


def test_a_header_of_flit_mode_is_shown_in_hexadecimal_and_said_not_to_be_decoded(decoded) -> None:
    lines = decoded(with_log(20 | 1 << 18))
    assert "  flit_header_log: 04000001 00200a03 05010000 00050100" in lines
    assert "  tlp_undecoded: flit-mode header, not decoded" in lines


def test_lanes_with_errors_and_presets_fill_a_few_lines(decoded) -> None:
    secondary = {0x150: (0x00010019, 4), 0x158: (0x9, 4), 0x15C: (0x0504, 2)}
    lines = decoded(root_port(secondary | {ACS: (0x1501000D, 4)}))
    assert "  lane_errors: 0, 3" in lines
    assert "    downstream_port_presets from lane 0 on: 4" + " 0" * 15 in lines
    assert "    upstream_port_presets from lane 0 on: 5" + " 0" * 15 in lines


def test_capabilities_are_listed_with_offset_and_identifier(decoded) -> None:
    lines = decoded(root_port({ACS: (0x000107FF, 4)}))
    assert "  0x100 Advanced Error Reporting (extended 0x01)" in lines
    assert "  0x148 unknown (extended 0x7ff)" in lines


def test_what_an_image_does_not_hold_is_named_at_the_end(decoded) -> None:
    last = " ".join(decoded(root_port({})[:64]))
    assert "not in this image: port_type, device_status, link, payload, aer," in last


def test_a_capability_that_could_not_be_described_is_said_to_be_odd(decoded) -> None:
    text = " ".join(line.strip() for line in decoded(root_port({AER: (0x11010001, 4)})))
    assert "oddities: the Advanced Error Reporting capability at 0x100 has 16 bytes" in text


@pytest.mark.parametrize("path", sorted(IMAGES.glob("*.bin")), ids=lambda path: path.stem)
def test_every_recorded_image_fits_80_columns(decoded, path: Path) -> None:
    lines = decoded(path.read_bytes())
    assert max(map(len, lines)) <= 80
    assert "".join(lines).isprintable()
