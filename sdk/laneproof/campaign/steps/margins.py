"""Margins of one receiver's lanes: searched from the normal sampling point outward, and written for a reader.

What they are held to is the step `margin`'s business. An offset is the receiver's own word, in its own steps.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Literal

from attrs import asdict, frozen

from laneproof.on_request import MarginingReceiver, MarginPoint
from laneproof.pcie.margining import Direction

Measure = Callable[[MarginingReceiver, int, Direction, int], MarginPoint]
"""Margins one lane of a receiver at one step of a direction."""
Quantity = Literal["timing", "voltage"]
SIDES: dict[Quantity, tuple[Direction, Direction]] = {"timing": ("left", "right"), "voltage": ("down", "up")}
_FULL = 0.99
"""The share of a dwell that counts as all of it: clocks and looks are not exact."""
_NAME = 32
"""Columns of a receiver's name in a table."""


@frozen(kw_only=True)
class Margin:
    """How far the sampling point of one lane can be moved to one side, in steps, before errors pass their limit.

    `offset` is that in unit intervals or volts, None where the receiver does not report offsets. `at_least`: no step
    beyond it passed the limit, either since there is none, or since it could not be told, for which see `untold`.
    """

    receiver: int
    name: str
    lane: int
    quantity: Quantity
    side: str
    """"left", "right", "down", "up", or "both", of a receiver that moves to both sides at once."""
    steps: int
    offset: float | None
    at_least: bool = False
    untold: str = ""
    bits: float | None = None
    """Compared at each step; None where that is not known."""

    @property
    def place(self) -> str:
        """What it is the margin of."""
        side = "both sides" if self.side == "both" else self.side
        return f"lane {self.lane} of {self.name}, {side}"

    def __str__(self) -> str:
        """The margin itself: "7 steps, 17.5 % of a UI"."""
        steps = f"{'at least ' if self.at_least else ''}{self.steps} step{'s' * (self.steps != 1)}"
        return steps if self.offset is None else f"{steps}, {format_offset(self.quantity, self.offset)}"

    def to_dict(self) -> dict[str, Any]:
        """Plain data; `offset` has its unit in its key."""
        plain = asdict(self)
        plain["offset_ui" if self.quantity == "timing" else "offset_v"] = plain.pop("offset")
        return plain


def format_offset(quantity: str, offset: float) -> str:
    """An offset with its unit."""
    return f"{100 * offset:.3g} % of a UI" if quantity == "timing" else f"{1e3 * offset:.3g} mV"


def steps_of(receiver: MarginingReceiver, quantity: Quantity) -> int:
    return receiver.timing_steps if quantity == "timing" else receiver.voltage_steps


def search(
    receiver: MarginingReceiver, lane: int, quantity: Quantity, dwell_s: float, measure: Measure
) -> Iterator[Margin]:
    """Both sides of one lane, or the one margin of a receiver that does not tell them apart."""
    apart = receiver.independent_timing if quantity == "timing" else receiver.independent_voltage
    for direction in SIDES[quantity] if apart else SIDES[quantity][1:]:
        yield _outward(receiver, lane, quantity, direction, direction if apart else "both", dwell_s, measure)


def _outward(
    receiver: MarginingReceiver,
    lane: int,
    quantity: Quantity,
    direction: Direction,
    side: str,
    dwell_s: float,
    measure: Measure,
) -> Margin:
    most, passed, bits, untold, ended = steps_of(receiver, quantity), 0, None, "", False
    while passed < most and not (untold or ended):
        point = measure(receiver, lane, direction, passed + 1)
        if point.outcome == "beyond":
            ended = True
        elif point.outcome == "within" and point.seconds >= _FULL * dwell_s:
            passed, bits = passed + 1, point.bits
        elif point.outcome == "within":
            untold = f"step {passed + 1} was held for {point.seconds:.3g} s only"
        else:
            untold = f"step {passed + 1} was {point.outcome}" + (" in time" if point.outcome == "not begun" else "")
    whole = receiver.timing_offset_ui if quantity == "timing" else receiver.voltage_offset_v
    return Margin(
        receiver=receiver.number,
        name=receiver.name,
        lane=lane,
        quantity=quantity,
        side=side,
        steps=passed,
        offset=None if whole is None else whole * passed / most,
        at_least=not ended,
        untold=untold,
        bits=bits,
    )


def margin_table(margins: Sequence[Mapping[str, Any]]) -> list[str]:
    """Lines of at most 76 columns, one for each lane of each receiver; `margins` as `Margin.to_dict` has them.

    An offset that no error came within is marked ">="; where a receiver reports none, steps stand for it.
    """
    if not margins:
        return []
    rows: dict[tuple[int, str, int], dict[str, str]] = {}
    for one in margins:
        row = rows.setdefault((one["receiver"], one["name"], one["lane"]), {})
        sides = SIDES[one["quantity"]] if one["side"] == "both" else (one["side"],)
        row |= dict.fromkeys(sides, _cell(one))
    columns = ("left", "right", "down", "up")
    lines = [f"{'receiver':{_NAME}} lane" + "".join(f"{name:>9}" for name in columns)]
    lines += [
        f"{_short(name):{_NAME}} {lane:>4}" + "".join(f"{row.get(side, '-'):>9}" for side in columns)
        for (_, name, lane), row in rows.items()
    ]
    return [*lines, "left, right: % of a unit interval; down, up: mV; by the receiver's own word"]


def _cell(one: Mapping[str, Any]) -> str:
    least = ">=" if one["at_least"] else ""
    offset = one.get("offset_ui", one.get("offset_v"))
    if offset is None:
        return f"{least}{one['steps']} st"
    return f"{least}{(100 if one['quantity'] == 'timing' else 1e3) * offset:.3g}"


def _short(name: str) -> str:
    return name if len(name) <= _NAME else name[: _NAME - 1] + "…"
