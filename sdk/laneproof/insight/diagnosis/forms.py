"""What form each range of wrong data has: a page, a tail, a shift, a beat given out twice. Signs count forms.

Forms say what is seen and where, and name no cause. A range has one form only; which, is settled by the whole block
where one range alone does not tell.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from typing import Literal, get_args

from attrs import frozen

from laneproof.insight.diagnosis.evidence import NEAR, Block, Damage, Evidence, Range

Form = Literal[
    "whole-pre-fill",
    "whole-earlier",
    "ones",
    "head-zero",
    "alternate-zero",
    "zeros",
    "reversed",
    "foreign-whole",
    "foreign-piece",
    "other-request",
    "head-earlier",
    "tail",
    "pages-old",
    "boundary-old",
    "packets-old",
    "lines-old",
    "hole",
    "pages-swapped",
    "shift-constant",
    "shift-later",
    "head-is-tail",
    "head-is-second",
    "beat-repeated",
    "chunk-repeated",
    "misplaced",
    "unknown-data",
    "bits",
]
FORMS: tuple[Form, ...] = get_args(Form)

PAGE_BYTES = 4096
LINE_BYTES = 64
BEAT_BYTES = 64
"""The longest beat of an internal bus; what is repeated and longer than that is a chunk."""
MOST_SHIFTED = 64
_MOST_TIMES = 4
_DENSE_BYTES = 24
"""Wrong bytes in a row, near enough, that are no single bits but other data, from nowhere known."""
PACKET_BYTES = frozenset((128, 256, 512, 1024, 2048))
"""What a payload or completion may be where the link does not show its own settings (base specification; smaller than
a page)."""
_OLD = ("pre-fill", "stale", "elsewhere")


@frozen
class Wound:
    """One range of a block, and its form."""

    block: Block
    range: Range
    form: Form


def wounds(evidence: Evidence) -> tuple[Wound, ...]:
    """The form of each range of the damaged blocks that tell one."""
    found: list[Wound] = []
    left: list[tuple[Block, Range]] = []
    alternating = {one.step for one in evidence.damage if _alternates(one)}
    at_borders = _recurring([(block, one) for block in evidence.blocks for one in block.ranges if _is_short(one)])
    for block in evidence.blocks:
        for one in block.ranges:
            form = _form(block, one)
            if form in ("zeros", "bits", "unknown-data") and block.step in alternating:
                form = "alternate-zero"
            elif form == "bits" and id(one) in at_borders:
                form = "boundary-old"
            if form is None:
                left.append((block, one))
            else:
                found.append(Wound(block, one, form))
    found = _without_companions(found)
    found += _old_inside(left, evidence.packets or PACKET_BYTES)
    return tuple(found)


def _alternates(one: Damage) -> bool:
    """Whether every other word of 1 to 32 bytes is zero, and nothing else is wrong."""
    if one.zero_to_one or sum(one.byte_of_64) < LINE_BYTES or len(one.byte_of_64) != LINE_BYTES:
        return False
    wrong = [count > 0 for count in one.byte_of_64]
    words = (1, 2, 4, 8, 16, 32)
    return any(
        all(wrong[at] == (at // word % 2 == odd) for at in range(LINE_BYTES)) for word in words for odd in (0, 1)
    )


def _is_short(one: Range) -> bool:
    """Whether a range is too short for its origin to be found, and too long for a bit."""
    return one.kind == "noise" and 2 <= one.nbytes <= 16


def _form(block: Block, one: Range) -> Form | None:
    """The form of a range by itself; None for old data inside a block, which many together tell."""
    kind, length, delta = one.kind, one.nbytes, one.position_delta
    if kind == "noise":
        return "unknown-data" if one.nbytes >= _DENSE_BYTES and one.wrong_bytes >= 0.9 * one.nbytes else "bits"
    if kind == "ones":
        return "ones"
    if kind == "zeros":
        return _of_zeros(one)
    if kind.startswith("reversed"):
        return "reversed"
    if kind == "foreign":
        return "foreign-whole" if block.whole(one) else "foreign-piece"
    if kind == "early":
        return "other-request"
    if kind in _OLD:
        return _of_old(block, one)
    if delta is None:
        return "misplaced"
    if kind == "swapped" and _whole_units(one, PAGE_BYTES):
        return "pages-swapped"
    if one.start <= NEAR and delta > 0:
        if abs(one.stop + delta - block.nbytes) <= NEAR and block.nbytes > 2 * length + NEAR:
            return "head-is-tail"
        if abs(delta - length) <= NEAR:
            return "head-is-second"
    if delta < 0 and (_in_step(length, -delta) or _in_step(-delta, length)):
        return "beat-repeated" if length <= BEAT_BYTES else "chunk-repeated"
    if one.stop + max(0, delta) >= block.nbytes - NEAR:
        if delta < 0 and -delta <= MOST_SHIFTED and one.start <= MOST_SHIFTED + NEAR:
            return "shift-constant"
        if delta > 0:
            return "shift-later"
    if delta < 0 and delta % PAGE_BYTES == 0 and _whole_units(one, LINE_BYTES):
        return None  # what a memory that the data go round in held before
    return "misplaced"


def _in_step(more: int, unit: int) -> bool:
    """Whether one length is a small multiple of another, as where a chunk is given out three times in a row."""
    times = round(more / max(1, unit))
    return 1 <= times <= _MOST_TIMES and abs(more - times * unit) <= NEAR


def _of_zeros(one: Range) -> Form | None:
    if one.start <= NEAR + 1 and one.stop <= LINE_BYTES + NEAR:
        return "head-zero"
    if one.nbytes > LINE_BYTES and one.wrong_bytes < 0.6 * one.nbytes:
        return "alternate-zero"
    return None if _whole_units(one, LINE_BYTES) else "zeros"  # memory that was never written to holds zeros as well


def _of_old(block: Block, one: Range) -> Form | None:
    moved = one.kind == "elsewhere" or (one.position_delta or 0) != 0
    if block.whole(one):
        return "whole-pre-fill" if one.kind == "pre-fill" else "whole-earlier"
    if moved and one.start <= NEAR and one.nbytes < PAGE_BYTES:
        return "head-earlier"
    if block.ends(one) and not (_whole_units(one, PAGE_BYTES) and block.nbytes % PAGE_BYTES == 0):
        return "tail"
    return None


def _whole_units(one: Range, unit: int) -> bool:
    return _near_multiple(one.start, unit) and _near_multiple(one.stop, unit)


def _near_multiple(place: int, unit: int) -> bool:
    return place % unit <= NEAR or -place % unit <= NEAR


def _without_companions(found: list[Wound]) -> list[Wound]:
    """Without what other damage leaves behind by itself: places that nothing was moved to, odd bytes at a border."""
    of_block: dict[int, set[Form]] = defaultdict(set)
    for wound in found:
        of_block[id(wound.block)].add(wound.form)

    def is_companion(wound: Wound) -> bool:
        others = of_block[id(wound.block)] - {wound.form}
        if wound.form == "bits":
            return bool(others) and any(
                min(abs(one.start - wound.range.stop), abs(wound.range.start - one.stop)) <= BEAT_BYTES
                for one in wound.block.ranges
                if one.kind != "noise"
            )
        return wound.form == "tail" and "shift-later" in others

    return [wound for wound in found if not is_companion(wound)]


def _old_inside(left: Sequence[tuple[Block, Range]], packets: frozenset[int]) -> Iterator[Wound]:
    """Old data somewhere inside of blocks: by which unit it comes is seen from all of them together."""
    rest: list[tuple[Block, Range]] = []
    for block, one in left:
        shifted = [other for other in block.ranges if other.kind == "shifted"]
        if any(min(abs(other.start - one.stop), abs(other.stop - one.start)) <= NEAR for other in shifted):
            continue  # the head or tail that shifted data have left
        if _whole_units(one, PAGE_BYTES):
            yield Wound(block, one, "pages-old")
        else:
            rest.append((block, one))
    recurring = _recurring(rest)
    lengths = [round(one.nbytes / LINE_BYTES) * LINE_BYTES for _, one in rest if _whole_units(one, LINE_BYTES)]
    unit = _unit(lengths, packets)
    for block, one in rest:
        if id(one) in recurring:
            yield Wound(block, one, "boundary-old")
        elif unit > LINE_BYTES and _whole_units(one, unit):
            yield Wound(block, one, "packets-old")
        elif _whole_units(one, LINE_BYTES):
            yield Wound(block, one, "lines-old")
        else:
            yield Wound(block, one, "hole")


def _recurring(rest: Sequence[tuple[Block, Range]]) -> set[int]:
    """Ranges that begin at one distance from a page's border, page after page, as no chance would have it."""
    by_block: dict[int, list[Range]] = defaultdict(list)
    for block, one in rest:
        by_block[id(block)].append(one)
    found: set[int] = set()
    for ranges in by_block.values():
        places = Counter(round(one.start / 4) * 4 % PAGE_BYTES for one in ranges)
        place, count = places.most_common(1)[0]
        pages = {one.start // PAGE_BYTES for one in ranges}
        spread = max(pages) - min(pages) + 1
        if count >= 2 and 2 * count > spread and 4 * count > len(ranges):
            found |= {id(one) for one in ranges if round(one.start / 4) * 4 % PAGE_BYTES == place}
    alone = [(block, one) for block, one in rest if id(one) not in found]
    at_border = [one for _, one in alone if _near_multiple(one.start, PAGE_BYTES)]
    if len(at_border) >= 2 and len(at_border) >= 0.9 * len(alone):
        found |= {id(one) for one in at_border}
    return found


def _unit(lengths: Sequence[int], packets: frozenset[int]) -> int:
    """The unit in which old data come, of those lengths: a packet's size, or else a cache line's."""
    if not lengths:
        return LINE_BYTES
    fitting = [size for size in packets | PACKET_BYTES if all(length % size == 0 for length in lengths)]
    known = [size for size in fitting if size in packets]
    # Two lines that happen to be neighbours are as long as a small packet.
    return max(known or (fitting if len(lengths) > 1 else ()), default=LINE_BYTES)
