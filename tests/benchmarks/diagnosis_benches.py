"""Benches drawn at random, for measuring the diagnosis: links, cards and hosts of many kinds, as scenario text.

What is wrong with them is drawn in `diagnosis_truths`.
"""

from __future__ import annotations

import json
import math
import random
from typing import Any

from attrs import define, field

Plain = dict[str, Any]

SPEEDS_GTPS = (2.5, 5.0, 8.0, 16.0, 32.0)
WIDTHS = (1, 2, 4, 8, 16)
PAYLOADS = (128, 256, 512, 1024)
SLOT = "s1"


@define
class Bench:
    """One slot, or one below a switch; tables as in a scenario's text, to be added to."""

    slot: Plain
    near: Plain
    card: Plain
    switch: Plain | None = None
    faults: list[Plain] = field(factory=list[Plain])
    switch_faults: list[Plain] = field(factory=list[Plain])

    @property
    def width(self) -> int:
        """What both partners and the wiring can do."""
        return min(self.slot["wiring"], self.near["max_width"], self.card["max_width"])

    @property
    def speed_gtps(self) -> float:
        """What both partners can do."""
        return min(float(one["max_speed"].split()[0]) for one in (self.near, self.card))

    def behind_switch(self, chance: random.Random) -> Plain:
        """Its switch; put in where there is none."""
        if self.switch is None:
            port = {"max_speed": speed(chance.choice(SPEEDS_GTPS)), "max_width": chance.choice((4, 8, 16))}
            root = {**port, "max_payload": nbytes(chance.choice(PAYLOADS))}
            for key in ("completion", "read_latency", "posted_buffer"):
                self.near.pop(key, None)
            upstream = {**port, "max_payload": nbytes(chance.choice(PAYLOADS))}
            self.switch = {"name": "hub", "wiring": port["max_width"], "near": root, "upstream": upstream}
        return self.switch

    def link_errors(self, chance: random.Random, least: float, most: float) -> None:
        """Bit errors at a rate between these, to the card, from it, or both."""
        directions = chance.choice((("to_card",), ("from_card",), ("to_card", "from_card")))
        rates: Plain = {}
        for direction in directions:
            rate = log_uniform(chance, least, most)
            lane = str(chance.randrange(self.width))
            rates[direction] = {lane: min(rate * self.width, 0.01)} if chance.random() < 0.3 else rate
        self.slot["bit_error_rate"] = rates

    def text(self) -> str:
        """The scenario."""
        head = {"schema": 1, "name": "drawn", "invented": "invented, at random", "description": "Drawn at random."}
        lines = [f"{key} = {_toml(value)}" for key, value in head.items()]
        slot = dict(self.slot)
        if self.switch is not None:
            lines += ["[[switch]]", *(f"{key} = {_toml(value)}" for key, value in self.switch.items())]
            lines += _faults("switch", self.switch_faults)
            slot["below"] = self.switch["name"]
        lines += ["[[slot]]", *(f"{key} = {_toml(value)}" for key, value in slot.items())]
        lines += [f"near = {_toml(self.near)}", f"card = {_toml(self.card)}", *_faults("slot", self.faults)]
        return "\n".join(lines) + "\n"


def _faults(owner: str, faults: list[Plain]) -> list[str]:
    return [
        line
        for fault in faults
        for line in (f"[[{owner}.fault]]", *(f"{key} = {_toml(value)}" for key, value in fault.items()))
    ]


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(one)}" for key, one in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, bool | str):
        return json.dumps(value)
    return repr(value)


def drawn(chance: random.Random) -> Bench:
    """A healthy bench."""
    wiring = chance.choice(WIDTHS)
    port = [width for width in WIDTHS if width >= wiring]
    near = {
        "max_speed": speed(chance.choice(SPEEDS_GTPS)),
        "max_width": chance.choice(port),
        "max_payload": nbytes(chance.choice(PAYLOADS)),
        "read_latency": f"{chance.uniform(0.2, 2):.3f} us",
    }
    if chance.random() < 0.3:
        near["completion"] = nbytes(chance.choice((64, 128)))
    card = {
        "max_speed": speed(chance.choice(SPEEDS_GTPS)),
        "max_width": wiring if chance.random() < 0.7 else chance.choice(WIDTHS),
        "max_payload": nbytes(chance.choice(PAYLOADS)),
        "read_request": nbytes(chance.choice((128, 256, 512, 1024, 2048))),
        "fifo": nbytes(1024 * 2 ** chance.randrange(2, 9)),
        "queue_depth": chance.choice((1, 2, 3, 4, 8, 16)),
        "model": "echo card",
        "serial": "invented-0001",
    }
    if chance.random() < 0.3:
        card["tags"] = chance.choice((8, 16, 32, 64))
    slot: Plain = {"name": SLOT, "wiring": wiring}
    if chance.random() < 0.15:
        slot["ecrc"] = True
    bench = Bench(slot=slot, near=near, card=card)
    if chance.random() < 0.25:
        bench.behind_switch(chance)
    return bench


def nbytes(count: int) -> str:
    return f"{count} B"


def speed(gtps: float) -> str:
    return f"{gtps:g} GT/s"


def log_uniform(chance: random.Random, least: float, most: float) -> float:
    return math.exp(chance.uniform(math.log(least), math.log(most)))


def power_of_two(chance: random.Random, least: int, most: int) -> int:
    return 1 << chance.randint(least.bit_length() - 1, most.bit_length() - 1)
