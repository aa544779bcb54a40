"""A report's plots as inline SVG: what lies where. Colours are classes of the page's style, foreign text is escaped.

Each carries a title and a description for those who do not see it, and everything that it shows stands in a table or a
sentence too.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import svg
from attrs import define
from markupsafe import Markup, escape

from laneproof.documents import printable
from laneproof.insight.report_series import Moment, SlotSeries, Stretch
from laneproof.units import format_bytes, format_bytes_per_s, format_seconds

WIDTH = 640.0
"""Of each plot, in its own units; the page scales it."""
_LEFT, _RIGHT = 104.0, 30.0
_INNER = WIDTH - _LEFT - _RIGHT
_RATE_HEIGHT, _LANE, _AXIS = 150.0, 22.0, 40.0
_MOST_BARS = 400
"""In one lane of a time axis; the rest stands in tables."""
_MOST_LANES = 10
_TIME_UNITS = ((86400.0, "d"), (3600.0, "h"), (60.0, "min"), (1.0, "s"), (1e-3, "ms"), (1e-6, "µs"))
_KIND_CLASSES = 6

Elements = list[svg.Element]


def timeline(series: SlotSeries, name: str, ceiling: float | None = None) -> Markup:
    """Rate over time with its extremes, and below it steps, windows, events and markers; empty where nothing is."""
    if series.length_s <= 0:
        return Markup("")
    axis = _Scale(0.0, series.length_s, _LEFT, _LEFT + _INNER)
    drawn: Elements = []
    top = 14.0
    if series.points:
        drawn += _rate(series, axis, top, ceiling)
        top += _RATE_HEIGHT + 12
    lanes = list(_lanes(series))
    bottom = top + _LANE * len(lanes)
    over = [svg.Rect(**_box(axis(one.from_s), 14.0, axis(one.to_s), bottom), class_=["gap"]) for one in series.gaps]
    for one in series.windows:
        over.append(svg.Rect(**_box(axis(one.from_s), 14.0, axis(one.to_s), bottom), class_=["window"]))
    for label, bars, marks in lanes:
        drawn += _lane(label, bars, marks, axis, top)
        top += _LANE
    drawn += _time_axis(axis, top, "simulated time" if series.virtual else "time since the run began")
    return _figure([*over, *drawn], top + _AXIS, f"What happened when: {name}", _told(series, ceiling))


def rate_bar(slowest: float, median: float, fastest: float, ceiling: float, asked: float | None, name: str) -> Markup:
    """One rate against the link's ceiling: the median as a bar, the extremes as whiskers, what was asked for as a line.

    All in bytes per second.
    """
    scale = _Scale(0.0, max(ceiling, fastest) * 1.04, _LEFT, _LEFT + _INNER)
    middle = 48.0
    ends = [part for x in (slowest, fastest) for part in (svg.M(_r(scale(x)), middle - 6), svg.v(12))]
    drawn: Elements = [
        _text(_LEFT - 8, middle + 5, "rate", "label end"),
        svg.Rect(**_box(scale(0), middle - 10, scale(median), middle + 10), class_=["bar"]),
        svg.Path(
            d=[svg.M(_r(scale(slowest)), middle), svg.L(_r(scale(fastest)), middle), *ends],
            class_=["whisker"],
        ),
        svg.Path(d=[svg.M(_r(scale(ceiling)), 16), svg.V(66)], class_=["ceiling"]),
        _text(scale(ceiling), 12, "ceiling", "label end"),
    ]
    if asked is not None:
        drawn.append(svg.Path(d=[svg.M(_r(scale(asked)), 30), svg.V(66)], class_=["asked"]))
        drawn.append(_text(scale(asked), 27, "asked for", "label end"))
    drawn += _value_axis(scale, 70.0)
    told = (
        f"Median {format_bytes_per_s(median)}, between {format_bytes_per_s(slowest)} and "
        f"{format_bytes_per_s(fastest)}; the ceiling is {format_bytes_per_s(ceiling)}"
        + (f", {format_bytes_per_s(asked)} is asked for." if asked is not None else ".")
    )
    return _figure(drawn, 92.0, f"Rate against the ceiling: {name}", told)


def damage_map(damage: Mapping[str, Any], name: str) -> Markup:
    """Where in each examined block data were wrong, by what stood there instead."""
    blocks: Sequence[Mapping[str, Any]] = damage["blocks"]
    size = max(max(int(block["received"]), int(block["last"]) + 1, 1) for block in blocks)
    scale = _Scale(0.0, float(size), _LEFT, _LEFT + _INNER)
    kinds = list(dict.fromkeys(str(one["kind"]) for block in blocks for one in block["origins"]))
    drawn: Elements = []
    top = 10.0
    for block in blocks:
        drawn.append(_text(_LEFT - 8, top + 13, f"block {block['number']}", "label end"))
        drawn.append(svg.Rect(**_box(scale(0), top + 2, scale(min(size, block["received"])), top + 16), class_=["row"]))
        for one in block["origins"]:
            box = _box(scale(one["start"]), top + 2, scale(one["stop"]), top + 16, least=2.5)
            drawn.append(svg.Rect(**box, class_=[f"kind{kinds.index(str(one['kind'])) % _KIND_CLASSES}"]))
        top += 20
    drawn += _byte_axis(scale, top)
    top += _AXIS
    left = _LEFT
    for number, kind in enumerate(kinds[:_KIND_CLASSES]):
        label = _short(kind, 28)
        if left + 24 + 7 * len(label) > WIDTH:
            left, top = _LEFT, top + 20
        drawn.append(svg.Rect(x=_r(left), y=_r(top), width=12, height=12, class_=[f"kind{number}"]))
        drawn.append(_text(left + 18, top + 11, label, "label"))
        left += 40 + 7.2 * len(label)
    told = "; ".join(
        f"block {block['number']}: {block['wrong_bytes']} wrong bytes from {block['first']} to {block['last']}"
        for block in blocks
    )
    return _figure(drawn, top + 20, f"Where data were wrong, position in the block: {name}", told)


def bit_histogram(counts: Sequence[int], unit: str, per_label: int, name: str) -> Markup:
    """Wrong bits by place in a word, place 0 leftmost; a label on every `per_label`th."""
    most = max([*counts, 1])
    across = _Scale(0.0, float(len(counts)), _LEFT, _LEFT + _INNER)
    up = _Scale(0.0, float(most), 96.0, 12.0)
    drawn: Elements = []
    for value in _ticks(0.0, float(most), 3):
        if value == int(value):
            drawn.append(svg.Path(d=[svg.M(_LEFT, _r(up(value))), svg.h(_INNER)], class_=["grid"]))
            drawn.append(_text(_LEFT - 8, up(value) + 4, f"{value:.0f}", "label end"))
    for place, count in enumerate(counts):
        if count:
            box = _box(across(place) + 1, up(count), across(place + 1) - 1, up(0))
            drawn.append(svg.Rect(**box, class_=["bar"]))
        if place % per_label == 0:
            drawn.append(_text(across(place + 0.5), 112.0, str(place), "label middle"))
    drawn.append(svg.Path(d=[svg.M(_LEFT, 96), svg.h(_INNER)], class_=["axis"]))
    drawn.append(_text(_LEFT + _INNER / 2, 130.0, unit, "label middle"))
    ranked = sorted(((count, -place) for place, count in enumerate(counts) if count), reverse=True)
    told = ", ".join(f"{-place}: {count}" for count, place in ranked[:8]) or "none"
    return _figure(drawn, 138.0, f"Wrong bits by {unit}: {name}", f"Place and count, most first: {told}.")


# --- parts of the time axis


def _rate(series: SlotSeries, axis: _Scale, top: float, ceiling: float | None) -> Elements:
    most = max([one.fastest for one in series.points] + ([ceiling] if ceiling else []))
    up = _Scale(0.0, most * 1.05, top + _RATE_HEIGHT, top)
    drawn: Elements = []
    for value in _ticks(0.0, most * 1.05, 4):
        drawn.append(svg.Path(d=[svg.M(_LEFT, _r(up(value))), svg.h(_INNER)], class_=["grid"]))
        drawn.append(_text(_LEFT - 8, up(value) + 4, format_bytes_per_s(value) if value else "0", "label end"))
    band: list[svg.PathData] = []
    line: list[svg.PathData] = []
    last_s = -1.0
    for one in series.points:
        left, right = _r(axis(one.from_s)), _r(max(axis(one.to_s), axis(one.from_s) + 1))
        band += [svg.M(left, _r(up(one.fastest))), svg.H(right), svg.V(_r(up(one.slowest) + 1)), svg.H(left), svg.Z()]
        joined = last_s >= 0 and one.from_s - last_s < 0.02 * series.length_s
        line.append((svg.L if joined else svg.M)(left, _r(up(one.bytes_per_s))))
        line.append(svg.H(right))
        last_s = one.to_s
    drawn += [svg.Path(d=band, class_=["band"]), svg.Path(d=line, class_=["line"])]
    for one in series.points:
        if one.wrong_bits:
            x, y = _r(axis((one.from_s + one.to_s) / 2)), _r(up(one.bytes_per_s))
            drawn.append(
                svg.Path(d=[svg.M(x - 4, y - 4), svg.l(8, 8), svg.M(x - 4, y + 4), svg.l(8, -8)], class_=["wrong"])
            )
    if ceiling:
        drawn.append(svg.Path(d=[svg.M(_LEFT, _r(up(ceiling))), svg.h(_INNER)], class_=["ceiling"]))
        drawn.append(_text(_LEFT + _INNER, up(ceiling) - 4, "ceiling", "label end"))
    return drawn


def _lanes(series: SlotSeries) -> Iterable[tuple[str, Sequence[Stretch], Sequence[Moment]]]:
    if series.steps:
        yield "steps", series.steps, ()
    if series.windows:
        yield "windows", series.windows, ()
    if series.markers:
        yield "markers", (), series.markers
    kinds = [kind for kind, _ in Counter(one.kind for one in series.events).most_common()]
    for kind in kinds[:_MOST_LANES]:
        yield kind, (), [one for one in series.events if one.kind == kind]
    rest = [one for one in series.events if one.kind in kinds[_MOST_LANES:]]
    if rest:
        yield "others", (), rest


def _lane(label: str, bars: Sequence[Stretch], marks: Sequence[Moment], axis: _Scale, top: float) -> Elements:
    middle = top + _LANE / 2
    drawn: Elements = [
        _text(_LEFT - 8, middle + 4, _short(label, 14), "label end"),
        svg.Path(d=[svg.M(_LEFT, middle), svg.h(_INNER)], class_=["grid"]),
    ]
    for one in bars[:_MOST_BARS]:
        left, right = axis(one.from_s), axis(one.to_s)
        drawn.append(
            svg.Rect(**_box(left, middle - 8, right, middle + 8, least=2), class_=["step", one.verdict or "window"])
        )
        if right - left > 6.5 * len(one.text) + 6:
            drawn.append(_text((left + right) / 2, middle + 4, _short(one.text, 30), "label middle"))
    if marks:
        drawn.append(svg.Path(d=list(_ticks_at([axis(one.at_s) for one in marks], middle)), class_=["tick"]))
    return drawn


def _ticks_at(places: Iterable[float], middle: float) -> Iterable[svg.PathData]:
    """A tick at each place; those that touch become one block, so that there are never more than the width has room."""
    blocks: list[list[int]] = []
    for place in sorted({int(place) for place in places}):
        if blocks and place <= blocks[-1][1] + 1:
            blocks[-1][1] = place
        else:
            blocks.append([place, place])
    for first, last in blocks:
        yield from (svg.M(first - 0.5, _r(middle - 7)), svg.h(last - first + 1.2), svg.v(14))
        yield from (svg.h(-(last - first + 1.2)), svg.Z())


def _told(series: SlotSeries, ceiling: float | None) -> str:
    told: list[str] = []
    if series.points:
        low, high = min(one.slowest for one in series.points), max(one.fastest for one in series.points)
        told.append(f"Rates between {format_bytes_per_s(low)} and {format_bytes_per_s(high)}")
        if ceiling:
            told.append(f"ceiling {format_bytes_per_s(ceiling)}")
        wrong = sum(one.wrong_bits for one in series.points)
        told.append(f"{wrong} wrong bits" if wrong else "no wrong bit")
    told += [f"step {one.text} {one.verdict}" for one in series.steps[:12]]
    told += [f"{n} times {kind}" for kind, n in Counter(one.kind for one in series.events).most_common(_MOST_LANES)]
    if series.markers:
        told.append(f"{len(series.markers)} markers")
    if series.gaps:
        told.append(f"{len(series.gaps)} stretches that were not measured")
    return f"Over {format_seconds(series.length_s)}: " + "; ".join(told) + "."


# --- axes and pieces


@define
class _Scale:
    """From a quantity to a place."""

    low: float
    high: float
    start: float
    stop: float

    def __call__(self, value: float) -> float:
        share = (float(value) - self.low) / (self.high - self.low) if self.high > self.low else 0.0
        return self.start + min(1.0, max(0.0, share)) * (self.stop - self.start)


def _ticks(low: float, high: float, about: int) -> list[float]:
    """Round values between, some `about` of them."""
    if not high > low:
        return [low]
    raw = (high - low) / about
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(factor * power for factor in (1, 2, 5, 10) if factor * power >= raw * 0.999)
    return [number * step for number in range(math.ceil(low / step), math.floor(high / step * 1.000001) + 1)]


def _time_axis(axis: _Scale, top: float, called: str) -> Elements:
    size, unit = next(((size, unit) for size, unit in _TIME_UNITS if axis.high >= 2 * size), _TIME_UNITS[-1])
    places = [(value * size, f"{value:g}") for value in _ticks(0.0, axis.high / size, 8)]
    return _axis(axis, top, places, f"{called}, {unit}")


def _value_axis(scale: _Scale, top: float) -> Elements:
    places = [(value, format_bytes_per_s(value) if value else "0") for value in _ticks(0.0, scale.high, 5)]
    return _axis(scale, top, places, "")


def _byte_axis(scale: _Scale, top: float) -> Elements:
    """Binary units have round places of their own."""
    step = 2.0 ** max(0, math.ceil(math.log2(max(1.0, scale.high / 6))))
    places = [(number * step, format_bytes(int(number * step))) for number in range(int(scale.high / step) + 1)]
    return _axis(scale, top, places, "position in the block")


def _axis(scale: _Scale, top: float, places: Iterable[tuple[float, str]], called: str) -> Elements:
    drawn: Elements = [svg.Path(d=[svg.M(_LEFT, _r(top)), svg.h(_INNER)], class_=["axis"])]
    for value, label in places:
        x = scale(value)
        drawn.append(svg.Path(d=[svg.M(_r(x), _r(top)), svg.v(4)], class_=["axis"]))
        drawn.append(_text(x, top + 17, label, "label middle"))
    if called:
        drawn.append(_text(_LEFT + _INNER / 2, top + 34, called, "label middle"))
    return drawn


def _figure(drawn: Elements, height: float, title: str, told: str) -> Markup:
    title, told = printable(title), printable(told, most=2000)
    picture = svg.SVG(
        viewBox=svg.ViewBoxSpec(0, 0, _r(WIDTH), _r(height)),
        class_=["plot"],
        extra={"role": "img", "aria-label": str(escape(f"{title}. {told}"))},
        elements=[svg.Title(text=str(escape(title))), svg.Desc(text=str(escape(told))), *drawn],
    )
    return Markup(picture.as_str())  # noqa: S704  (all text in it went through `escape`)


def _text(x: float, y: float, text: str, classes: str) -> svg.Text:
    return svg.Text(x=_r(x), y=_r(y), text=str(escape(printable(text))), class_=classes.split())


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 1]}…"


def _box(left: float, top: float, right: float, bottom: float, least: float = 0.5) -> dict[str, Any]:
    return {"x": _r(left), "y": _r(top), "width": _r(max(least, right - left)), "height": _r(bottom - top)}


def _r(value: float) -> float:
    return round(float(value), 1)
