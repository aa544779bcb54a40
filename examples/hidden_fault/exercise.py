"""An exercise: one simulated slot, perhaps with a fault. Measure, conclude, and have the conclusion graded.

    python exercise.py --seed 7                        what the tools see, and not a word about the cause
    python exercise.py --seed 7 --answer MECHANISM     right or wrong, and which of the measurements decides it

The seed decides fault and parameters. Exit status: 0 measured, or answered rightly; 1 answered wrongly; 2 wrong use.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import textwrap
from collections.abc import Iterator
from pathlib import Path
from random import Random
from urllib.parse import quote

import numpy as np
from mechanisms import MECHANISMS, Mechanism

import laneproof
from laneproof import AtLeast, CannotOpen, DeviceLost, TransferTimeout, Unavailable
from laneproof.readings import PartnerErrors, PartnerLink

BENCH = """\
schema = 1
name = "exercise"
invented = "invented: the shore station of a chain of tide gauges"
description = "One slot, and perhaps a fault."

[[slot]]
name = "north"
wiring = 8
near = { max_speed = "8 GT/s", max_width = 8, max_payload = "256 B" }
card = { max_speed = "8 GT/s", max_width = 8, model = "echo card, eight lanes", serial = "invented-0001" }
"""
NBYTES = 16 << 20
SHOWN = 6
"""How many wrong bytes are shown one by one."""


def draw(seed: int) -> tuple[Mechanism, str]:
    """The mechanism behind a seed, and the scenario that has it, as TOML."""
    chance = Random(seed)
    mechanism = chance.choice(MECHANISMS)
    return mechanism, BENCH + mechanism.scenario(chance)


def measure(uri: str) -> Iterator[tuple[str, str]]:
    """What the tools see of a slot: topic and text, in the order in which it was measured."""
    try:
        card = laneproof.open(uri)
    except CannotOpen as refused:
        yield "open", str(refused.args[0])
        return
    with card:
        before = card.read_errors()
        yield "open", answering(card)
        yield from measure_data(card)
        yield from measure_link(card)
        card.clock.sleep(0.1)  # the kernel takes its time to handle and count an error
        added = card.read_errors().since(before)
        yield "errors, near end", shown_errors(added.near)
        yield "errors, far end", shown_errors(added.far)


def measure_data(card: laneproof.Endpoint) -> Iterator[tuple[str, str]]:
    pattern = laneproof.pattern("prbs31", seed=1)
    out, back = np.zeros(NBYTES, np.uint8), np.zeros(NBYTES, np.uint8)
    pattern.fill(out)
    pattern.fill_unlike(back)
    try:
        transfer = card.loopback(out, back)
    except DeviceLost as lost:
        yield "data", f"ended early: {lost.args[0]}"
        return
    except TransferTimeout as late:
        yield "data", f"ended early: {late.args[0]}; then {answering(card)}"
        return
    result = pattern.verify(back)
    yield "data", f"{result.bytes_checked} bytes came back, {result.mismatched_bytes} of them wrong"
    if result.mismatched_bytes:
        wrong = np.flatnonzero(out != back)
        flipped = out[wrong] ^ back[wrong]
        yield "wrong bytes", ", ".join(f"{at} ({out[at]:02X} became {back[at]:02X})" for at in wrong[:SHOWN]) + " …"
        yield "distances", f"{len(np.unique(np.diff(wrong)))} different from one wrong byte to the next"
        yield "places", f"modulo 64, wrong bytes lie at {listed(wrong % 64)}"
        yield "bits", f"the differences are {listed(flipped, '02X')}"
    yield "rate", f"{share_of_ceiling(card, NBYTES / transfer.seconds):.0%} of what the link as trained can carry"


def measure_link(card: laneproof.Endpoint) -> Iterator[tuple[str, str]]:
    reading = card.read_link()
    for end, partner in (("near", reading.near), ("far", reading.far)):
        yield f"link, {end} end", shown_link(partner)
    yield "wiring", f"{reading.wiring} lanes"


def share_of_ceiling(card: laneproof.Endpoint, bytes_per_s: float) -> float:
    link = card.read_link().near
    if isinstance(link, Unavailable) or not (link.speed_gtps and link.width and link.max_payload):
        return float("nan")
    limit = laneproof.pcie.ceiling(link.speed_gtps, link.width, link.max_payload, direction="both")
    return bytes_per_s / limit.bytes_per_second


def answering(card: laneproof.Endpoint) -> str:
    identity = card.identity
    return identity.why if isinstance(identity, Unavailable) else f"answers as {identity.model}, {identity.serial}"


def shown_link(partner: PartnerLink | Unavailable) -> str:
    if isinstance(partner, Unavailable):
        return f"not to be seen: {partner.why}"
    now = "is DOWN" if partner.active is False else f"trained to {partner.speed_gtps:g} GT/s x{partner.width}"
    return f"{now}; can do {partner.max_speed_gtps:g} GT/s x{partner.max_width}"


def shown_errors(partner: PartnerErrors | Unavailable) -> str:
    if isinstance(partner, Unavailable):
        return f"not known: {partner.why}"
    counts = [*partner.correctable.items(), *partner.nonfatal.items(), *partner.fatal.items()]
    known = [(name, count) for name, count in counts if not isinstance(count, Unavailable)]
    shown = [f"{'at least ' * isinstance(count, AtLeast)}{count.n} {name}" for name, count in known if count.n]
    return ", ".join(shown) or ("none counted" if len(known) == len(counts) else "some counters cannot be read")


def listed(numbers: np.ndarray, form: str = "d") -> str:
    """The different values among `numbers`: each of them, or their number where they are many."""
    values = np.unique(numbers)
    return f"{len(values)} different values" if len(values) > 16 else ", ".join(format(value, form) for value in values)


def main(arguments: list[str]) -> int:
    names = [mechanism.name for mechanism in MECHANISMS]
    parser = argparse.ArgumentParser(description="find out what is wrong with a simulated slot, if anything is")
    parser.add_argument("--seed", type=int, required=True, help="which exercise")
    parser.add_argument("--answer", choices=names, metavar="MECHANISM", help=f"one of {', '.join(names)}")
    chosen = parser.parse_args(arguments)
    if not 0 <= chosen.seed < 2**32:
        parser.error("--seed is a number from 0 to 4294967295")
    mechanism, scenario = draw(chosen.seed)
    with tempfile.TemporaryDirectory() as folder:  # readable by its owner alone
        bench = Path(folder) / "bench.toml"
        bench.write_text(scenario, "utf-8")
        seen = dict(measure(f"sim:{quote(str(bench))}?seed={chosen.seed}#north"))
    if chosen.answer is None:
        print("A simulated slot of an invented computer. It says nothing about any real one.\n")
        print("\n".join(f"{topic:17} {text}" for topic, text in seen.items()))
        print(f"\nWhich is it? --answer {' | '.join(names)}")
        return 0
    answered = MECHANISMS[names.index(chosen.answer)]
    if answered is not mechanism:
        print(f"Wrong. {answered.name} would show itself like this: {answered.shows}")
        print("Hold that against each line of what was measured, and answer again.")
        return 1
    print(f"Right: {mechanism.name}. {mechanism.shows}\n\nIt is decided by")
    print("\n".join(f"{topic:17} {seen[topic]}" for topic in mechanism.decided_by))
    print(f"\n{textwrap.fill(mechanism.because, 100)}\n\n{textwrap.fill(f'Source: {mechanism.source}', 100)}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
