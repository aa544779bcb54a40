"""What comparisons let a step conclude: reasons in words, and numbers for the record."""

from __future__ import annotations

from collections.abc import Collection

from laneproof.campaign.results import Findings, Plain
from laneproof.campaign.statistics import CONFIDENCE, error_rate_bound, format_bound
from laneproof.integrity import Comparison, WrongRegion
from laneproof.units import format_bytes

SHOWN_REGIONS = 64


def in_step(result: Comparison) -> bool:
    """Whether everything came back and nothing more, right or wrong."""
    return not result.stalled and not result.surplus_bytes and result.bytes_received == result.bytes_expected


def joined(earlier: Comparison | None, part: Comparison, at: int) -> Comparison:
    """`part` put behind what was compared before it, at position `at`."""
    placed = part.shifted(at)
    return placed if earlier is None else earlier.combined(placed)


def judge_data(name: str, result: Comparison, findings: Findings) -> None:
    """Reasons for what one comparison shows; incomplete data that is right so far says nothing here."""
    bits = 8 * result.bytes_checked
    if result.mismatched_bytes:
        where = ", ".join(_places(region) for region in result.regions[:4])
        more = len(result.regions) - 4
        several = "s" if more > 1 or result.regions_cut else ""
        more_text = f" and {more}{' or more' if result.regions_cut else ''} other place{several}" if more > 0 else ""
        findings.failed(
            f"{name}: {result.mismatched_bytes} of {result.bytes_checked} bytes came back wrong "
            f"({result.mismatched_bits} of {bits} bits), the first at byte {result.first}; "
            f"wrong: {where}{more_text}",
            of_data=True,
        )
    if result.stalled:
        findings.failed(
            f"{name}: the transfer stalled; {result.bytes_received} of {result.bytes_expected} bytes had come back "
            "when the deadline passed",
            of_data=True,
            of_stall=True,
        )
    elif result.surplus_bytes:
        findings.failed(f"{name}: at least {result.surplus_bytes} bytes came back that were never sent", of_data=True)
    if result.ok and result.bytes_checked:
        bound = error_rate_bound(0, bits)
        findings.passed(
            f"{name}: all {format_bytes(result.bytes_checked)} came back unchanged ({result.method} check): no wrong "
            f"bit in {bits} bits, so at {CONFIDENCE:.0%} confidence fewer than {format_bound(bound)} wrong per bit"
            + (f". {result.caution}" if result.caution else "")
        )


def _places(region: WrongRegion) -> str:
    last = region.stop - 1
    return f"byte {last}" if region.start == last else f"bytes {region.start} to {last}"


def judge_missing(name: str, result: Comparison, findings: Findings) -> None:
    """A tail that never came, where nothing else explains it."""
    if not result.stalled and result.bytes_received < result.bytes_expected:
        findings.failed(
            f"{name}: {result.bytes_expected - result.bytes_received} bytes never came back "
            f"({result.bytes_received} of {result.bytes_expected})",
            of_data=True,
        )


def how_checked(results: Collection[Comparison]) -> Plain:
    """Which check ran, the probability that a wrong chunk passes it, and what did the work; None of no results."""
    return {
        "method": next((result.method for result in results if result.method != "exact"), "exact" if results else None),
        "escape_probability": max((result.escape_probability for result in results), default=None),
        "kernels": " and ".join(sorted({name for result in results for name in result.kernels.split(" and ")})),
    }


def measures_of(checked: dict[str, Comparison]) -> Plain:
    """The numbers of one or more comparisons as plain data; positions are those of the first damaged one."""
    results = list(checked.values())
    nbytes = sum(result.bytes_checked for result in results)
    wrong_bits = sum(result.mismatched_bits for result in results)
    damaged = next(((name, result) for name, result in checked.items() if result.mismatched_bytes), None)
    measures: Plain = {
        "patterns": list(checked),
        **how_checked(results),
        "bytes_expected": sum(result.bytes_expected for result in results),
        "bytes_received": sum(result.bytes_received for result in results),
        "bytes_checked": nbytes,
        "bits_checked": 8 * nbytes,
        "mismatched_bytes": sum(result.mismatched_bytes for result in results),
        "mismatched_bits": wrong_bits,
        "surplus_bytes": sum(result.surplus_bytes for result in results),
        "stalled": any(result.stalled for result in results),
        "damaged_pattern": damaged[0] if damaged else None,
        "first": damaged[1].first if damaged else None,
        "regions": [[region.start, region.stop] for region in damaged[1].regions[:SHOWN_REGIONS]] if damaged else [],
        "regions_cut": bool(damaged) and (damaged[1].regions_cut or len(damaged[1].regions) > SHOWN_REGIONS),
        "residual_corruption": None,
    }
    if nbytes:
        measures["residual_corruption"] = {
            "wrong_bits": wrong_bits,
            "exposure_bits": 8 * nbytes,
            "upper_bound_per_bit": error_rate_bound(wrong_bits, 8 * nbytes),
            "confidence": CONFIDENCE,
        }
    return measures
