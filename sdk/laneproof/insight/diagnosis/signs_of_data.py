"""Signs in the wrong data: which form they have, which bits and bytes of a word they are, which transfers they hit."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from laneproof.insight.diagnosis.evidence import LEAST_BYTES
from laneproof.insight.diagnosis.forms import FORMS, LINE_BYTES, Form, Wound
from laneproof.insight.diagnosis.sign import NO, SIGNS, UNKNOWN, Look, Material, Seen, sign

_NEVER_CAME = re.compile(r"(\d{1,12}) bytes never came back \((?!0 of)")
_RETURNED = re.compile(r"the card returned (\d{1,12}) of (\d{1,12}) bytes and ended the transfer")
_MOST_MISSING = 1 << 16
"""Bytes; what lacks more than that lacks more than its last beats."""

_FORM_SAYS: dict[Form, str] = {
    "whole-pre-fill": "hold nothing but the pre-fill",
    "whole-earlier": "are an earlier transfer as a whole",
    "ones": "are all ones",
    "head-zero": "begin with zeros",
    "alternate-zero": "have every other word zero",
    "reversed": "have bytes, words or bits reversed in each unit",
    "foreign-whole": "are another channel's as a whole",
    "foreign-piece": "hold pieces of other channels",
    "other-request": "hold data of a later transfer",
    "head-earlier": "begin with the tail of an earlier one",
    "pages-old": "hold whole pages of 4 KiB that are old or pre-fill",
    "boundary-old": "hold old data at one place of each 4 KiB",
    "packets-old": "hold old data in units of a packet",
    "lines-old": "hold old data in units of 64 B",
    "hole": "hold a stretch of old data that no unit fits",
    "pages-swapped": "have pages of 4 KiB in each other's place",
    "shift-constant": "stand a few bytes from their place throughout",
    "shift-later": "go on too early from some place, the end unfilled",
    "head-is-tail": "have their last words in place of the first",
    "head-is-second": "have their second block in place of the first",
    "beat-repeated": "have a few bytes given out twice in place",
    "chunk-repeated": "have chunks given out twice, the next one missing",
    "misplaced": "hold their own data at places that follow no known rule",
    "zeros": "hold zeros where none belong",
    "unknown-data": "hold data that come from nowhere known",
}


def _of_form(form: Form, says: str) -> Look:
    def look(material: Material) -> Seen:
        if not material.evidence.blocks:
            return NO if verified(material) else UNKNOWN
        count = material.blocks(form)
        return Seen(True, f"{of_blocks(count, material)} {says}") if count and enough(count, material) else NO

    look.__doc__ = f"Some damaged transfers {says}."
    return look


for _form in FORMS:
    if _form in _FORM_SAYS:
        SIGNS[_form] = _of_form(_form, _FORM_SAYS[_form])


def enough(count: int, material: Material) -> bool:
    """Whether so many blocks make a sign: one of many may be misread, at a border of what was examined, say."""
    blocks = len(material.evidence.blocks)
    return blocks <= 3 or (count >= 2 and count * 20 >= blocks)


def of_blocks(count: int, material: Material) -> str:
    return f"{count} of {len(material.evidence.blocks)} examined transfers"


def verified(material: Material) -> bool:
    """Whether data were compared in a pattern that tells places, and none were wrong; then no form is there."""
    return any(step.bytes_moved for step in material.evidence.steps) and not material.evidence.damage


# --- tails


def _tails(material: Material) -> tuple[list[Wound], list[Wound]]:
    """Tails of up to 64 B, and longer ones; none where more of the blocks have such data inside, and so here too."""
    tails = material.of("tail")
    inside = material.blocks("lines-old", "packets-old", "pages-old", "boundary-old")
    if len(tails) < inside:
        return [], []
    short = [wound for wound in tails if wound.range.nbytes <= LINE_BYTES]
    return short, [wound for wound in tails if wound.range.nbytes > LINE_BYTES]


@sign("tail-old")
def tail_old(material: Material) -> Seen:
    """Some transfers are old or pre-fill from a place on to their end, more than 64 B of it."""
    if not material.evidence.blocks:
        return NO if verified(material) else UNKNOWN
    _, long = _tails(material)
    return Seen(True, f"{of_blocks(len(long), material)} are new at the head and old at the tail") if long else NO


@sign("split-moves")
def split_moves(material: Material) -> Seen:
    """Where old data begin is another place in each transfer."""
    lengths = [wound.range.nbytes for wound in _tails(material)[1]]
    if len(lengths) < 2:
        return UNKNOWN
    return Seen(len(set(lengths)) > len(lengths) // 2, f"the old tails are {min(lengths)} to {max(lengths)} B long")


@sign("end-missing")
def end_missing(material: Material) -> Seen:
    """Up to 64 B are missing at the end of transfers: still pre-fill, or the card says that they are fewer."""
    short, long = _tails(material)
    if short and len(short) > len(long):
        return Seen(True, f"{of_blocks(len(short), material)} lack their last {_span(w.range.nbytes for w in short)} B")
    missing = _missing(material)
    if missing and not missing_once(material).there:
        return Seen(True, f"{_span(missing)} bytes never came back in {len(missing)} steps")
    return NO if verified(material) or material.evidence.blocks else UNKNOWN


def _span(numbers: Iterable[int]) -> str:
    found = sorted(set(numbers))
    return str(found[0]) if len(found) == 1 else f"{found[0]} to {found[-1]}"


def _missing(material: Material) -> list[int]:
    """Bytes that never came, of each step in which some did not, though it did not stall; link steps count them in
    words only."""
    found: list[int] = []
    for step in material.evidence.steps:
        if step.measures.get("stalled"):
            continue
        for reason in step.reasons:
            if (match := _NEVER_CAME.search(reason.text)) is not None:
                found.append(int(match[1]))
            elif (match := _RETURNED.search(reason.text)) is not None:
                found.append(int(match[2]) - int(match[1]))
    return [number for number in found if 0 < number <= _MOST_MISSING]


@sign("missing-once")
def missing_once(material: Material) -> Seen:
    """The same few bytes are missing in each step that lacks any, however many transfers it had: of one transfer."""
    missing = _missing(material)
    if not missing:
        return NO if verified(material) or material.evidence.blocks else UNKNOWN
    if len(missing) < 2:
        return UNKNOWN
    once = len(set(missing)) == 1 and missing[0] <= 4096
    return Seen(once, f"{_span(missing)} bytes are missing in each of {len(missing)} steps")


@sign("surplus")
def surplus(material: Material) -> Seen:
    """More bytes came back than were sent."""
    found = [step.measures.get("surplus_bytes") for step in material.evidence.steps]
    found += [point.get("surplus_bytes") for point in points(material)]
    known = [number for number in found if isinstance(number, int)]
    if not known:
        return UNKNOWN
    return Seen(True, f"at least {max(known)} bytes came back that were never sent") if any(known) else NO


# --- which transfers


def points(material: Material) -> list[dict[str, object]]:
    """All points of all sweeps, as `laneproof.campaign.steps.sweep` records them."""
    found: list[dict[str, object]] = []
    for step in material.evidence.steps:
        for point in step.measures.get("points") or ():
            if isinstance(point, dict):
                found.append(point)  # pyright: ignore[reportUnknownArgumentType]
    return found


def every_is_damaged(material: Material) -> bool | None:
    """Whether all transfers of the steps that had damage were damaged, as far as their number is known."""
    shares: list[float] = []
    for one in material.evidence.damage:
        step = material.evidence.steps[one.step]
        checked = step.measures.get("bytes_checked")
        sizes = {block.nbytes for block in one.blocks if block.nbytes >= LEAST_BYTES}
        if isinstance(checked, int) and checked and len(sizes) == 1 and not step.measures.get("points"):
            shares.append(one.blocks_damaged * sizes.pop() / checked)
    return None if not shares else max(shares) >= 0.9


@sign("every-transfer")
def every_transfer(material: Material) -> Seen:
    """All transfers of a step are damaged, and not some of them."""
    every = every_is_damaged(material)
    if every is None:
        return UNKNOWN
    return Seen(every, "every transfer is damaged" if every else "some transfers are damaged, others are right")


def _by(material: Material, sweep: str, key: str) -> tuple[list[int], list[int]]:
    """The points of a sweep by that key: right ones, wrong ones."""
    right: list[int] = []
    wrong: list[int] = []
    for point in points(material):
        value = point.get(key)
        if point.get("sweep") == sweep and isinstance(value, int):
            (right if point.get("ok") is True else wrong).append(value)
    return right, wrong


@sign("only-deep")
def only_deep(material: Material) -> Seen:
    """Damage only where several transfers are under way at once."""
    right, wrong = _by(material, "depths", "depth")
    if not wrong:
        return UNKNOWN
    least = min(wrong)
    return Seen(1 in right and least > 1, f"wrong from queue depth {least} on; depth 1 is right" if 1 in right else "")


@sign("only-above-size")
def only_above_size(material: Material) -> Seen:
    """Damage only in transfers above some size."""
    right, wrong = _by(material, "sizes", "bytes")
    if len(right) < 2 or not wrong:
        return Seen(False) if wrong and not right else UNKNOWN
    above = sum(size > min(wrong) for size in right) <= 0.1 * len(wrong) and min(right) < min(wrong)
    return Seen(above, f"wrong from {min(wrong)} B on, right below" if above else "")


@sign("not-multiple")
def not_multiple(material: Material) -> Seen:
    """Damage only in transfers that are no multiple of a word, or of a beat."""
    right, wrong = _by(material, "sizes", "bytes")
    if len(right) < 2 or not wrong:
        return UNKNOWN
    for unit in (64, 32, 16, 8, 4):
        if all(size % unit for size in wrong) and sum(size % unit != 0 for size in right) <= 0.1 * len(right):
            return Seen(True, f"wrong where the length is no multiple of {unit} B, right where it is")
    return NO


@sign("offset-matters")
def offset_matters(material: Material) -> Seen:
    """Whether a transfer is damaged depends on where in a page its buffer begins."""
    right, wrong = _by(material, "offsets", "offset")
    if len(right) + len(wrong) < 2:
        return UNKNOWN
    apart = bool(right) and bool(wrong) and len(wrong) > 1
    return Seen(apart, f"wrong at offsets {_list(wrong)}, right at {_list(right)}" if apart else "")


def _list(numbers: Sequence[int]) -> str:
    return ", ".join(map(str, sorted(numbers)[:4])) + (", …" if len(numbers) > 4 else "")
