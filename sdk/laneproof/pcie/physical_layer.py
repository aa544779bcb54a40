"""What the physical layer shows in extended capabilities: lane errors, equalisation, parity, flit errors.

These registers name a lane. Each capability covers one rate: Secondary PCI Express 8 GT/s, Physical
Layer 16.0, 32.0 and 64.0 GT/s theirs; equalisation status at 8 GT/s is in Link Status 2. Linux 6.1's header names
hardly any of the registers. Places: EDK2's MdePkg, IndustryStandard/PciExpress40.h, PciExpress50.h and PciExpress60.h;
Secondary PCI Express: newer linux/pci_regs.h and the base specification, from memory; Flit Logging: base specification
6.0, section 7.7.8, from a public copy. Margining, which names a lane too, is in `margining`.
"""

from __future__ import annotations

from attrs import frozen

from laneproof.pcie import registers as regs
from laneproof.pcie.express import EQUALISATION
from laneproof.pcie.fields import bits, dword, field, set_of, speeds, word

SECONDARY_NBYTES = 0x0C
PHYSICAL_NBYTES = {16.0: 0x1C, 32.0: 0x10, 64.0: 0x10}
FLIT_LOGGING_NBYTES = 0x3C

_LINK_CONTROL_3, _LANE_ERRORS, _SECONDARY_LANES = 0x04, 0x08, 0x0C
_SKP_GENERATION_ENABLED = 0x0000FE00
_STATUS, _LOCAL, _FIRST_RETIMER, _SECOND_RETIMER = 0x0C, 0x10, 0x14, 0x18
# At 64 GT/s public sources disagree (EDK2: 0x10, Linux: 0x20), so that its presets are not read.
_LANES = {16.0: regs.PCI_PL_16GT_LE_CTRL, 32.0: 0x20}
# Where a rate's status register says that the transmitter precodes, and that it is asked to.
_PRECODING = {32.0: (0x100, 0x200), 64.0: (0x20, 0x40)}
_MOST_LANES = 32

_ERROR_LOG_1, _ERROR_LOG_2, _COUNTER_CONTROL, _COUNTER_STATUS = 0x04, 0x08, 0x0C, 0x0E
_MEASUREMENT, _FLITS, _INVALID_FLITS, _LANE_COUNTERS = 0x10, 0x14, 0x18, 0x1C
_FLIT_WIDTHS = {0: 1, 1: 2, 2: 4, 3: 8, 4: 16}
_COUNTED = (
    "correctable and invalid flits, framing errors",
    "correctable flits",
    "invalid flits",
    "correctable and invalid flits, framing errors, ordered sets",
)


@frozen(kw_only=True)
class LanePresets:
    """Equalisation control of one lane: the transmitter preset (0 to 10) and receiver hint for the end below
    (`upstream_port`) and above it (`downstream_port`). Hints exist at 8 GT/s only."""

    lane: int
    downstream_port_preset: int
    upstream_port_preset: int
    downstream_port_hint: int | None
    upstream_port_hint: int | None


@frozen(kw_only=True)
class Secondary:
    """The Secondary PCI Express capability at byte `offset`, for 8 GT/s.

    `lane_errors` are the lanes, counted as the port counts them, whose bit in Lane Error Status is set: sticky flags,
    no counts. `sris_generation_enabled_gtps` are the speeds at which software has switched on the SKP ordered sets
    that separate clocks need.
    """

    offset: int
    perform_equalisation: bool
    equalisation_interrupt: bool
    sris_generation_enabled_gtps: tuple[float, ...]
    lane_errors: tuple[int, ...]
    lanes: tuple[LanePresets, ...]


@frozen(kw_only=True)
class PhysicalLayer:
    """The Physical Layer capability of one rate above 8 GT/s, at byte `offset`.

    `equalisation` names what is set of "complete", "phase 1" to "phase 3" and "requested". The parity mismatches are
    lanes, sticky flags: of this port's receiver and of the first and second retimer's. They exist at 16 GT/s, whose
    registers serve the faster rates too; precoding exists above it. `lanes` is None where their place is not settled.
    """

    offset: int
    equalisation: tuple[str, ...]
    local_parity_mismatch: tuple[int, ...] | None
    first_retimer_parity_mismatch: tuple[int, ...] | None
    second_retimer_parity_mismatch: tuple[int, ...] | None
    precoding: bool | None
    precoding_requested: bool | None
    lanes: tuple[LanePresets, ...] | None


@frozen(kw_only=True)
class FlitError:
    """The oldest entry of the flit error log. `syndromes` are parity and check of the three groups of the FEC.

    `since_last` counts flits since the error logged before (15 stands for more), `following` tells of each of the
    five flits after it whether it was in error.
    """

    width: int | None
    since_last: int
    following: tuple[bool, ...]
    more: bool
    unrecognised: bool
    uncorrectable: bool
    syndromes: tuple[tuple[int, int], ...]


@frozen(kw_only=True)
class FlitLogging:
    """The Flit Logging capability at byte `offset`: FLIT mode's own evidence of errors on the link.

    `errors` is a counter that leaks, so that it is a rate, not a total; `counts` says what it counts, None while it
    is off. The measurement, None while it is off, holds flits received, invalid flits, and bit errors that the FEC
    corrected by lane, or parity mismatches; its counters stick at their largest value.
    """

    offset: int
    error: FlitError | None
    counts: str | None
    errors: int
    measuring: bool
    flits: int | None
    invalid_flits: int | None
    lane_errors: tuple[int, ...] | None


def decode_secondary(body: bytes, offset: int, width: int | None) -> Secondary:
    """The capability in `body`, of SECONDARY_NBYTES or more, of a port of at most `width` lanes."""
    control = dword(body, _LINK_CONTROL_3)
    # Each lane has 16 bits: preset and hint for the port above, then for the one below.
    lanes = tuple(
        LanePresets(
            lane=lane,
            downstream_port_preset=value & 0xF,
            downstream_port_hint=value >> 4 & 7,
            upstream_port_preset=value >> 8 & 0xF,
            upstream_port_hint=value >> 12 & 7,
        )
        for lane in range(_lanes_held(body, _SECONDARY_LANES, 2, width))
        for value in (word(body, _SECONDARY_LANES + 2 * lane),)
    )
    return Secondary(
        offset=offset,
        perform_equalisation=bool(control & 1),
        equalisation_interrupt=bool(control & 2),
        sris_generation_enabled_gtps=speeds(field(control, _SKP_GENERATION_ENABLED)),
        lane_errors=bits(dword(body, _LANE_ERRORS)),
        lanes=lanes,
    )


def decode_physical(body: bytes, offset: int, speed_gtps: float, width: int | None) -> PhysicalLayer:
    """The capability in `body`, of PHYSICAL_NBYTES or more, of a port of at most `width` lanes."""
    status = dword(body, _STATUS)

    def mismatch(at: int) -> tuple[int, ...] | None:
        return bits(dword(body, at)) if speed_gtps == 16.0 else None

    precodes, asked = _PRECODING.get(speed_gtps, (None, None))
    return PhysicalLayer(
        offset=offset,
        equalisation=set_of(status, EQUALISATION),
        local_parity_mismatch=mismatch(_LOCAL),
        first_retimer_parity_mismatch=mismatch(_FIRST_RETIMER),
        second_retimer_parity_mismatch=mismatch(_SECOND_RETIMER),
        precoding=None if precodes is None else bool(status & precodes),
        precoding_requested=None if asked is None else bool(status & asked),
        lanes=_presets(body, _LANES[speed_gtps], width) if speed_gtps in _LANES else None,
    )


def decode_flit_logging(body: bytes, offset: int, width: int | None) -> FlitLogging:
    """The capability in `body`, of FLIT_LOGGING_NBYTES or more, of a port of at most `width` lanes."""
    log, control = dword(body, _ERROR_LOG_1), word(body, _COUNTER_CONTROL)
    measuring = bool(dword(body, _MEASUREMENT) & 1)
    lanes = range(min(_lanes_held(body, _LANE_COUNTERS, 2, width), 16))
    return FlitLogging(
        offset=offset,
        error=_flit_error(log, dword(body, _ERROR_LOG_2)) if log & 1 else None,
        counts=_COUNTED[control >> 2 & 3] if control & 1 else None,
        errors=word(body, _COUNTER_STATUS) >> 8,
        measuring=measuring,
        flits=dword(body, _FLITS) if measuring else None,
        invalid_flits=word(body, _INVALID_FLITS) if measuring else None,
        lane_errors=tuple(word(body, _LANE_COUNTERS + 2 * lane) for lane in lanes) if measuring else None,
    )


def _flit_error(log: int, second: int) -> FlitError:
    return FlitError(
        width=_FLIT_WIDTHS.get(log >> 1 & 7),
        since_last=log >> 4 & 0xF,
        following=tuple(bool(log >> bit & 1) for bit in range(8, 13)),
        more=bool(log & 1 << 13),
        unrecognised=bool(log & 1 << 14),
        uncorrectable=bool(log & 1 << 15),
        syndromes=tuple(
            (value >> shift & 0xFF, value >> shift + 8 & 0xFF)
            for value, shift in ((log, 16), (second, 0), (second, 16))
        ),
    )


def _presets(body: bytes, at: int, width: int | None) -> tuple[LanePresets, ...]:
    return tuple(
        LanePresets(
            lane=lane,
            downstream_port_preset=body[at + lane] & 0xF,
            upstream_port_preset=body[at + lane] >> 4,
            downstream_port_hint=None,
            upstream_port_hint=None,
        )
        for lane in range(_lanes_held(body, at, 1, width))
    )


def _lanes_held(body: bytes, at: int, nbytes: int, width: int | None) -> int:
    """As many lanes as the port has and the room holds; none where the port does not say how many it has."""
    return min(width or 0, _MOST_LANES, max(0, len(body) - at) // nbytes)
