"""Sensor readings along a step: extremes of each, and a time series that stays short however long the step is."""

from __future__ import annotations

from collections.abc import Sequence

from laneproof.campaign.results import Plain
from laneproof.readings import Sensor

POINTS_LIMIT = 512
"""Points of the series. When it is full every second one goes, and from then on half as many are taken."""
SENSORS_LIMIT = 64
"""Sensors that are followed, those that are first seen."""


class SensorSeries:
    """Grows while a step runs."""

    def __init__(self) -> None:
        self._extremes: dict[tuple[str, str], tuple[float, float]] = {}
        self._points: list[tuple[float, dict[tuple[str, str], float]]] = []
        self._every = 1
        self._skipped = 0

    def add(self, clock_s: float, sensors: Sequence[Sensor]) -> None:
        """One reading of all sensors, at that time of the card's clock since it was opened."""
        values: dict[tuple[str, str], float] = {}
        for sensor in sensors:
            key = sensor.name, sensor.unit
            if key in self._extremes or len(self._extremes) < SENSORS_LIMIT:
                values[key] = sensor.value
                low, high = self._extremes.get(key, (sensor.value, sensor.value))
                self._extremes[key] = min(low, sensor.value), max(high, sensor.value)
        self._skipped += 1
        if self._skipped < self._every:
            return
        self._skipped = 0
        self._points.append((clock_s, values))
        if len(self._points) >= POINTS_LIMIT:
            self._points = self._points[::2]
            self._every *= 2

    def to_dict(self) -> Plain:
        """ "sensors" with their extremes, and "series": times, and by sensor the value at each, None where not read."""
        return {
            "sensors": [
                {"name": name, "unit": unit, "lowest": low, "highest": high}
                for (name, unit), (low, high) in self._extremes.items()
            ],
            "series": {
                "clock_s": [clock_s for clock_s, _ in self._points],
                "values": [[values.get(key) for _, values in self._points] for key in self._extremes],
            },
        }
