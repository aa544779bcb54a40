"""A test sequence of one's own: sizes around boundaries, a long loopback, the link under load, one way, link errors.

    python sequence.py [URI]        (without one: sim:demo#north)

Exit status: 0 pass, 1 fail, 2 wrong use, 3 inconclusive or nothing judged, 4 the card could not be tested.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator

import laneproof
from laneproof import AtLeast, BadInput, DeviceLost, LaneproofError, NotOffered, TransferTimeout, Unavailable

BOUNDARIES = (64, 4096, 65536)
"""Where transfers like to break, in bytes: a completion boundary, a page, a common buffer of DMA engines."""
REPEATS = 64
LONG_BYTES = 32 << 20

EXIT_STATUS = {"none": 3, "pass": 0, "inconc": 3, "fail": 1, "error": 4}
"""In the order of TTCN-3, from mild to grave: the gravest finding is the verdict, so it never gets better."""

Finding = tuple[str, str]
"""A verdict, and the sentence that says what it rests on."""


def sequence(card: laneproof.Endpoint) -> Iterator[Finding]:
    """Everything that is tested, in order. Change this."""
    before = card.read_errors()
    for boundary in BOUNDARIES:
        yield from sizes_around(card, boundary)
    yield from long_loopback(card)
    yield from link(card)  # just after a load: an idle link may have slowed down to save power
    yield from one_way(card)
    yield from link_errors(card.read_errors().since(before))


def sizes_around(card: laneproof.Endpoint, boundary: int) -> Iterator[Finding]:
    grain = card.limits.granularity
    middle = -(-boundary // grain) * grain
    for size in (middle - grain, middle, middle + grain):
        if not 0 < size <= card.limits.max_transfer:
            yield "none", f"transfers of {size} B: not tested, the card does not take that size"
            continue
        result = card.check("prbs31", REPEATS * size, block=size)
        yield judged(f"{REPEATS} transfers of {size} B", result)
        if not card.channels[0].in_step:  # bytes missing or left over: the next transfer would meet them
            card.recover()


def long_loopback(card: laneproof.Endpoint) -> Iterator[Finding]:
    nbytes = LONG_BYTES - LONG_BYTES % card.limits.granularity
    pattern = laneproof.pattern("prbs31", seed=1)
    out, back = bytearray(nbytes), bytearray(nbytes)
    pattern.fill(out)
    pattern.fill_unlike(back)  # a byte that never arrives must not look right
    try:
        transfer = card.loopback(out, back)
    except TransferTimeout as stalled:
        yield "fail", f"loopback: stalled: {stalled.args[0]}"
        card.recover()
    else:
        rate = nbytes / transfer.seconds if transfer.seconds else float("inf")
        yield judged(f"loopback of {nbytes} B at {rate / 1e6:.0f} MB/s each way", pattern.verify(back))


def link(card: laneproof.Endpoint) -> Iterator[Finding]:
    reading = card.read_link()
    for end, partner in (("near", reading.near), ("far", reading.far)):
        if isinstance(partner, Unavailable):
            yield "inconc", f"link, {end} end: cannot be seen: {partner.why}"
    seen = [partner for partner in (reading.near, reading.far) if not isinstance(partner, Unavailable)]
    speeds = [partner.max_speed_gtps for partner in seen if partner.max_speed_gtps]
    widths = [width for width in (reading.wiring, *(partner.max_width for partner in seen)) if width]
    for partner in seen:
        found, wanted = (partner.speed_gtps, partner.width), (min(speeds, default=None), min(widths, default=None))
        if None in (*found, *wanted):
            yield "inconc", f"link, {partner.name}: does not say what it trained to, or what it should have"
        else:
            text = f"link, {partner.name}: trained to {found[0]:g} GT/s x{found[1]}"
            yield ("pass", text) if found == wanted else ("fail", f"{text} instead of {wanted[0]:g} GT/s x{wanted[1]}")


def one_way(card: laneproof.Endpoint) -> Iterator[Finding]:
    try:
        yield judged("to the card only", card.check("prbs31", 1 << 20, direction="to_card"))
    except NotOffered as missing:  # said aloud, and no pass: nothing was seen
        yield "none", f"to the card only: not tested: {missing.args[0]}"


def link_errors(added: laneproof.ErrorReading) -> Iterator[Finding]:
    for end, partner in (("near", added.near), ("far", added.far)):
        if isinstance(partner, Unavailable):
            yield "inconc", f"link errors, {end} end: not known, which is not none: {partner.why}"
            continue
        counts = [*partner.correctable.items(), *partner.nonfatal.items(), *partner.fatal.items()]
        known = [(name, count) for name, count in counts if not isinstance(count, Unavailable)]
        shown = [f"{'at least ' * isinstance(count, AtLeast)}{count.n} {name}" for name, count in known if count.n]
        if shown:
            yield "fail", f"link errors, {end} end: {', '.join(shown)}"
        elif not known or len(known) < len(counts):
            yield "inconc", f"link errors, {end} end: some of the counters cannot be read"
        else:
            yield "pass", f"link errors, {end} end: none counted"


def judged(what: str, result: laneproof.Comparison) -> Finding:
    if result.ok:  # never for a comparison of nothing
        return "pass", f"{what}: every byte came back as it went out"
    if result.mismatched_bytes:
        return "fail", f"{what}: {result.mismatched_bytes} wrong bytes, the first at byte {result.first}"
    if result.stalled or result.bytes_received < result.bytes_expected:
        return "fail", f"{what}: {result.bytes_received} of {result.bytes_expected} bytes came back"
    if result.surplus_bytes:
        return "fail", f"{what}: at least {result.surplus_bytes} bytes came back that were never sent"
    return "none", f"{what}: nothing was compared"


def main(uri: str) -> int:
    verdict = "none"
    try:
        with laneproof.open(uri) as card:
            for caveat in card.caveats[:1]:  # the first says the most; a report carries them all
                print(f"note    {caveat}")
            for finding in sequence(card):
                verdict = worse(verdict, *finding)
    except BadInput as wrong:
        print(f"wrong use: {wrong}", file=sys.stderr)
        return 2
    except DeviceLost as lost:
        # A slot that drops its link has failed. Where nothing vouches for that, the loss convicts nobody.
        why = lost.link_evidence or "nothing shows that its link went down"
        verdict = worse(verdict, "fail" if lost.link_evidence else "inconc", f"the card was lost: {why}")
    except LaneproofError as broken:
        verdict = worse(verdict, "error", str(broken))
    print(f"verdict: {verdict}")
    return EXIT_STATUS[verdict]


def worse(verdict: str, found: str, text: str) -> str:
    print(f"{found:6}  {text}")
    return max(verdict, found, key=list(EXIT_STATUS).index)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1] if len(sys.argv) > 1 else "sim:demo#north"))
