"""What may be behind an exercise: how each mechanism is put on the bench, what it shows, and what decides it.

This file holds every answer. How it is measured and graded is in `exercise.py`.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from attrs import frozen

REPLAY = (
    "PCI Express base specification, data link layer: LCRC, Nak and replay (from memory); which end counts what: "
    "its AER chapter and Linux, Documentation/PCI/pcieaer-howto.rst."
)
PRACTICE = "common practice in bringing up DMA engines and memories; no published source holds it."


@frozen(kw_only=True)
class Mechanism:
    """One possible cause. `decided_by` names the measurements that settle it, `because` says how they do."""

    name: str
    scenario: Callable[[Random], str]
    """Draws parameters; returns the keys that the slot gets in its scenario, as TOML."""
    shows: str
    decided_by: tuple[str, ...]
    because: str
    source: str


def _fault(text: str) -> str:
    return f"fault = [{{ {text} }}]\n"


def _some_bytes(chance: Random) -> int:
    return chance.randrange(2_000_000, 12_000_000)


MECHANISMS = (
    Mechanism(
        name="healthy",
        scenario=lambda chance: "",
        shows="All lanes in use, every byte right, close to the full rate, nothing counted at either end.",
        decided_by=("data", "rate", "link, near end", "errors, near end", "errors, far end"),
        because="That nothing is wrong is a finding too, and needs as much evidence as any other: data, rate, link and "
        "the counters of both ends. One transfer says little about rare errors; state the exposure with the claim.",
        source="no error in so many bits bounds a rate, and does not make it zero: Gehrels 1986 (from memory).",
    ),
    Mechanism(
        name="lane-lost",
        scenario=lambda chance: f"dead_lanes = [{chance.randrange(1, 8)}]\n",
        shows="The link is narrower than both ends and the wiring allow; what is left of it works without errors.",
        decided_by=("link, near end", "link, far end", "wiring", "rate"),
        because="Both ends could do more, and the wiring is there, so a lane between them is missing: the link fell "
        "back to a width that leaves it out. The rate is full for the link as trained, so no errors cost time. Which "
        "lane it is, the width alone does not say. Next: reseat, look for a bent or dirty contact, swap the riser.",
        source="PCI Express base specification, link training and width negotiation (from memory).",
    ),
    Mechanism(
        name="errors-to-card",
        scenario=lambda chance: f"bit_error_rate = {{ to_card = {chance.uniform(3e-6, 7e-6):.2e} }}\n",
        shows="Every byte is right, time is lost, and the far end, which received what was damaged, counts errors.",
        decided_by=("data", "rate", "errors, far end", "errors, near end"),
        because="A damaged packet fails its link CRC, is refused and sent again: data stay right, time is lost. The "
        "end that receives counts; the end that sends again counts nothing, or a Timeout where a packet was damaged "
        "again on its second way, so its silence clears nobody. Suspect the path into the card: the root port's "
        "transmitter, contacts, riser, the card's receiver.",
        source=REPLAY,
    ),
    Mechanism(
        name="errors-from-card",
        scenario=lambda chance: f"bit_error_rate = {{ from_card = {chance.uniform(3e-6, 7e-6):.2e} }}\n",
        shows="Every byte is right, time is lost, and the near end, which received what was damaged, counts errors.",
        decided_by=("data", "rate", "errors, near end", "errors, far end"),
        because="As with errors towards the card, the link repairs what it damages and pays in time. Here the near end "
        "received the damage. Suspect the path out of the card: its transmitter, contacts, riser, the root port's "
        "receiver.",
        source=REPLAY,
    ),
    Mechanism(
        name="memory-random",
        scenario=lambda chance: _fault(f'kind = "bit-flips", probability = {chance.uniform(1.5e-6, 8e-6):.3e}'),
        shows="Single wrong bits at no regular distance and in no fixed place; full rate, no link errors.",
        decided_by=("data", "distances", "bits", "rate", "errors, near end", "errors, far end"),
        because="The link would have refused and repaired damage of its own, and counted it: it counted none, and the "
        "rate is full. So the bits turned where no link CRC looks: in the card's memory or, on a real computer, in the "
        "host's. No rule in distances or bits, so no single cell or wire. Next: swap the card, read the host's ECC.",
        source=f"Replay: {REPLAY} Damage with clean counters: {PRACTICE}",
    ),
    Mechanism(
        name="memory-cell",
        scenario=lambda chance: _fault(f'kind = "regular-flips", every = "{4096 * chance.randrange(33, 200)} B"'),
        shows="One wrong byte at one constant distance, again and again; full rate, no link errors.",
        decided_by=("data", "distances", "errors, near end", "errors, far end"),
        because="One distance and no other: the data pass the same bad place of a buffer each time it comes round, and "
        "the distance is the buffer's length; subtract two positions. Random bits would have many distances, and so "
        "would a broken data line: multiples of a short word.",
        source=PRACTICE,
    ),
    Mechanism(
        name="data-line",
        scenario=lambda chance: _fault(
            f'kind = "stuck-bit", word = {(word := chance.choice((8, 16, 32, 64)))}, '
            f"byte = {chance.randrange(word)}, bit = {chance.randrange(8)}, level = {chance.randrange(2)}"
        ),
        shows="One and the same bit, at one place of each word, wrong in about half of the words; no link errors.",
        decided_by=("data", "places", "bits", "errors, near end", "errors, far end"),
        because="One bit, always the same, at a place that recurs modulo a word: that is one wire between the card's "
        "logic and its memory, held at one level. Half of the words hold that level anyway and look right. It is no "
        "lane of the link: what a lane damages is refused and sent again.",
        source=PRACTICE,
    ),
    Mechanism(
        name="card-lost",
        scenario=lambda chance: _fault(f'kind = "drop-off", after = "{_some_bytes(chance)} B"'),
        shows="The transfer ends early, the card answers no more, and the near end shows its link down.",
        decided_by=("data", "link, near end", "link, far end", "errors, near end"),
        because="A vendor id that reads FFFF says that nobody answers; the near port's link, down, says why. All ones "
        "from the card's memory alone would prove nothing: decoding may be off, or the card asleep. Next: contact, "
        "supply, temperature.",
        source="SDES (surprise down), data link layer active: PCI Express base specification (from memory), "
        "linux/pci_regs.h.",
    ),
    Mechanism(
        name="engine-halted",
        scenario=lambda chance: _fault(f'kind = "stall", after = "{_some_bytes(chance)} B"'),
        shows="The transfer reaches its deadline, while the link stays up and the card still says who it is.",
        decided_by=("data", "link, near end", "errors, near end", "errors, far end"),
        because="The card answers and its link is up and clean, so slot and lanes carry on: what stopped is the engine "
        "that moves the data. Next: one small transfer, queue depth 1, the reader started first.",
        source=PRACTICE,
    ),
    Mechanism(
        name="slot-empty",
        scenario=lambda chance: _fault('kind = "absent"'),
        shows="The card cannot be opened at all, and no lane detects a receiver.",
        decided_by=("open",),
        because="No receiver on any lane is what an empty slot looks like, a card not seated, or one without power. A "
        "card that is there but silent would have been detected.",
        source="PCI Express base specification, receiver detection (from memory).",
    ),
)
