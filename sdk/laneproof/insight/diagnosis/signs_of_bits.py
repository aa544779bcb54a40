"""Signs in single wrong bits and bytes: which bit of the word, which byte of the bus, at which distance."""

from __future__ import annotations

import math
from collections import defaultdict
from itertools import pairwise

from laneproof.insight.diagnosis.evidence import Block, Damage
from laneproof.insight.diagnosis.sign import NO, UNKNOWN, Material, Seen, sign
from laneproof.insight.diagnosis.signs_of_data import enough, every_is_damaged, of_blocks, verified

FEW = 4
"""Wrong words below which chance may make them look alike."""
FEW_PLACES = 3
"""Blocks from which on it is no chance that the same byte of each is wrong."""
ENOUGH = 12
"""Wrong bits from which on their direction is no chance: one in 2^11."""
LANES = (8, 16, 32, 64)
"""Bytes modulo which damage recurs, of a memory or an internal bus."""
LEAST_PERIOD = 256


def _bits(material: Material) -> list[Damage]:
    blocks = {id(wound.block) for wound in material.of("bits")}
    return [one for one in material.evidence.damage if any(id(block) in blocks for block in one.blocks)]


def _only_bits(material: Material) -> list[Damage]:
    """Records of steps in which nothing but single bits was wrong, so that their sums speak of bits alone."""
    others = {id(wound.block) for wound in material.wounds if wound.form != "bits"}
    return [one for one in _bits(material) if not any(id(block) in others for block in one.blocks)]


@sign("bits")
def bits(material: Material) -> Seen:
    """Single bits or bytes are wrong, with no other data in their place."""
    if not material.evidence.blocks:
        return NO if verified(material) else UNKNOWN
    count = material.blocks("bits")
    there = count and enough(count, material)
    return Seen(True, f"{of_blocks(count, material)} have wrong bits here and there") if there else NO


@sign("one-bit-position")
def one_bit_position(material: Material) -> Seen:
    """All wrong bits are of one number in their byte, and always the same byte of the word."""
    found = _only_bits(material)
    if sum(one.wrong_dwords for one in found) < FEW:
        return UNKNOWN
    numbers = {at % 8 for one in found for at, count in enumerate(one.bit_of_dword) if count}
    return Seen(len(numbers) == 1, f"only bit {min(numbers)} of a byte is ever wrong") if numbers else UNKNOWN


@sign("one-direction")
def one_direction(material: Material) -> Seen:
    """All wrong bits went the same way, from one to zero or back."""
    found = _only_bits(material)
    up, down = sum(one.zero_to_one for one in found), sum(one.one_to_zero for one in found)
    if up + down < ENOUGH:
        return UNKNOWN
    return Seen(not (up and down), f"{up} bits went from 0 to 1, {down} from 1 to 0")


@sign("half-of-words")
def half_of_words(material: Material) -> Seen:
    """Every second word of the lane that is hit is wrong, as random data have it where a bit is stuck."""
    found = _only_bits(material)
    if not found:
        return UNKNOWN
    words = sum(min(block.nbytes, block.seen) / 8 for one in found for block in one.blocks)
    share = sum(one.wrong_dwords for one in found) / max(1.0, words)
    return Seen(share > 0.02, f"{share:.2%} as many wrong words as words of 8 B")


@sign("byte-lane")
def byte_lane(material: Material) -> Seen:
    """Wrong bytes recur modulo 8, 16, 32 or 64, and their bits vary."""
    found = _only_bits(material)
    counts = [sum(at) for at in zip(*(one.byte_of_64 for one in found), strict=False)]
    total = sum(counts)
    if total < 2 * FEW or len(counts) != 64:
        return UNKNOWN
    if one_bit_position(material).there or same_place(material).there:
        return NO
    wrong = [at for at, count in enumerate(counts) if count]
    for width in LANES:
        if len({at % width for at in wrong}) == 1:
            return Seen(True, f"all {total} wrong bytes are byte {wrong[0] % width} modulo {width}")
    return NO


@sign("constant-distance")
def constant_distance(material: Material) -> Seen:
    """Single wrong bytes come at a constant distance along the stream of transfers."""
    if same_place(material).there:
        return NO
    bytes_wrong = sum(sum(one.byte_of_64) for one in _only_bits(material))
    if bytes_wrong and sum(one.zero_to_one + one.one_to_zero for one in _only_bits(material)) > 1.5 * bytes_wrong:
        return NO  # more than a bit of a byte: no cell
    known: list[int] = []
    for size, places in _places(material):
        if len(places) < FEW:
            continue
        distance = math.gcd(*(after - before for before, after in pairwise(places)))
        if distance % size:  # by whole buffers it may be the host's own that come round
            known.append(distance)
    if not known:
        return UNKNOWN
    return Seen(min(known) >= LEAST_PERIOD, f"wrong bytes lie a multiple of {min(known)} B apart")


def _places(material: Material) -> list[tuple[int, list[int]]]:
    """Of each check the size of its blocks, and the positions of wrong bytes along it, ascending."""
    found: list[tuple[int, list[int]]] = []
    of_step: dict[int, list[Block]] = defaultdict(list)
    for block in _blocks_of_bits(material):
        of_step[block.step].append(block)
    for blocks in of_step.values():
        size = max(block.nbytes for block in blocks)
        alike = [block for block in blocks if block.nbytes == size]
        places = {block.number * size + one.start for block in alike for one in block.ranges if one.kind == "noise"}
        found.append((size, sorted(places)))
    return found


def _blocks_of_bits(material: Material) -> list[Block]:
    found = {id(wound.block): wound.block for wound in material.of("bits")}
    return list(found.values())


@sign("same-place")
def same_place(material: Material) -> Seen:
    """The same bytes of every transfer's buffer are wrong, in the same bits, also with buffers of other sizes."""
    blocks = _blocks_of_bits(material)
    if len(blocks) < FEW_PLACES or len({block.nbytes for block in blocks}) < 2:
        return UNKNOWN
    places = {tuple(one.start for one in block.ranges if one.kind == "noise") for block in blocks}
    masks = {mask for one in _only_bits(material) for mask, _ in one.masks}
    place = min(places)
    same = len(places) == 1 and len(place) <= 2 and len(masks) == 1 and every_is_damaged(material) is not False
    return Seen(same, f"byte {place[0]} of each of {len(blocks)} transfers is wrong" if same and place else "")


@sign("one-packet")
def one_packet(material: Material) -> Seen:
    """The wrong bits of a transfer lie within one packet, two or more of them."""
    blocks = [block for block in _blocks_of_bits(material) if block.wrong_bytes > 1]
    if not blocks:
        return NO if material.blocks("bits") >= FEW else UNKNOWN
    most = max(material.evidence.packets, default=512)
    near = [block for block in blocks if _extent(block) <= most]
    return Seen(len(near) == len(blocks), f"in {len(near)} of {len(blocks)} transfers wrong bits lie within {most} B")


def _extent(block: Block) -> int:
    places = [place for one in block.ranges for place in (one.start, one.stop)]
    return max(places) - min(places)


@sign("random-bits")
def random_bits(material: Material) -> Seen:
    """Wrong bits that follow no rule of place, bit or distance."""
    if material.blocks("bits") == 0:
        return UNKNOWN
    rules = (one_bit_position, byte_lane, constant_distance, same_place)
    answers = [rule(material).there for rule in rules]
    if any(answers):
        return NO
    return Seen(True, "wrong bits that share no bit, byte lane or distance") if False in answers else UNKNOWN
