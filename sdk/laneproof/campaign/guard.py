"""Limits of temperature and power that end a slot: which sensors are watched, and when a limit has been passed.

Reading the sensors is in `steps.observation`, and what ends a slot in `slot_run`. A guard protects neither persons nor
the computer: it comes as late as its readings, and a computer that hangs has none.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from attrs import frozen

from laneproof.errors import BadInput
from laneproof.readings import Sensor, Unavailable

if TYPE_CHECKING:
    from laneproof.campaign.plan import PlannedEndpoint

MISSES = 3
"""Readings in a row without a sensor after which it is lost: a chip may be busy once."""
GRACE_S = 2.0
"""Seconds of the card's clock that the transfer under way has to come back once a limit has been passed."""


@frozen
class _Limit:
    key: str
    most: float
    unit: str

    def __str__(self) -> str:
        return f"{self.key} = {self.most:g} {self.unit}"


def limits(planned: PlannedEndpoint) -> tuple[_Limit, ...]:
    """The limits that a plan sets for an endpoint."""
    given = (
        ("stop_above_temperature", planned.stop_above_temperature, "°C"),
        ("stop_above_power", planned.stop_above_power, "W"),
    )
    return tuple(_Limit(key, most, unit) for key, most, unit in given if most is not None)


def guard_rules(planned: PlannedEndpoint) -> tuple[str, ...]:
    """A sentence for each of them."""
    of = f' whose name holds "{planned.stop_sensors}"' if planned.stop_sensors else ""
    return tuple(f"{limit}: the slot ends once a sensor in {limit.unit}{of} shows more" for limit in limits(planned))


class Guard:
    """Watches the sensors of one slot through all its steps, in the hands of one thread at a time."""

    def __init__(self, planned: PlannedEndpoint, stop: Callable[[str, bool], None]) -> None:
        """`stop` ends the slot by a rule; told to do so at once, it interrupts the transfer under way."""
        self._limits = limits(planned)
        self._named = planned.stop_sensors or ""
        self._stop = stop
        self._missed: dict[tuple[str, str], int] = {}
        """By sensor watched, readings in a row that lacked it."""
        self.tripped = ""
        """The rule by which it has ended the slot."""
        self._tripped_s = 0.0

    @classmethod
    def of(cls, planned: PlannedEndpoint, stop: Callable[[str, bool], None]) -> Guard | None:
        """None where the plan sets no limit."""
        return cls(planned, stop) if limits(planned) else None

    def begin(self, clock_s: float, sensors: Sequence[Sensor] | Unavailable) -> None:
        """Find the sensors before the first step, and hold them to the limits.

        Raises BadInput where a limit has none: a plan that asks for a guard must not run without.
        """
        shown: Sequence[Sensor] = () if isinstance(sensors, Unavailable) else sensors
        for limit in self._limits:
            found = [(one.name, one.unit) for one in shown if one.unit == limit.unit and self._named in one.name]
            if not found:
                raise BadInput(f"{limit} cannot be watched: {self._why_none(limit, sensors)}")
            self._missed |= dict.fromkeys(found, 0)
        self.look(clock_s, sensors)

    def look(self, clock_s: float, sensors: Sequence[Sensor] | Unavailable) -> str:
        """Hold one reading, at that time of the card's clock since it was opened, to the limits.

        Returns what has ended the slot, the first time alone; empty where nothing has.
        """
        if self.tripped:
            return ""
        shown = {} if isinstance(sensors, Unavailable) else {(one.name, one.unit): one.value for one in sensors}
        for key, misses in self._missed.items():
            self._missed[key] = 0 if key in shown else misses + 1
        self.tripped = self._passed(clock_s, shown) or self._lost(clock_s)
        if self.tripped:
            self._tripped_s = clock_s
            self._stop(self.tripped, False)
        return self.tripped

    def insist(self, clock_s: float) -> None:
        """Once the grace is over, interrupt the transfer that goes on nevertheless; to be called again and again."""
        if self.tripped and clock_s - self._tripped_s >= GRACE_S:
            self._stop(self.tripped, True)

    def _passed(self, clock_s: float, shown: dict[tuple[str, str], float]) -> str:
        for limit in self._limits:
            over = [(shown[key], key[0]) for key in self._missed if key[1] == limit.unit and key in shown]
            value, name = max(over, default=(limit.most, ""))
            if value > limit.most:
                return f"{limit}, and {name} showed {value:g} {limit.unit} at {clock_s:.3f} s of the card's clock"
        return ""

    def _lost(self, clock_s: float) -> str:
        for (name, unit), misses in self._missed.items():
            if misses >= MISSES:
                limit = next(limit for limit in self._limits if limit.unit == unit)
                return f"{limit}, and {name} showed nothing {misses} times up to {clock_s:.3f} s of the card's clock"
        return ""

    def _why_none(self, limit: _Limit, sensors: Sequence[Sensor] | Unavailable) -> str:
        if isinstance(sensors, Unavailable):
            return f"{sensors.why}; make one readable, or leave the key out and watch by other means"
        names = [one.name for one in sensors if one.unit == limit.unit]
        if names:
            shown = ", ".join(names[:8])
            return f'no sensor has "{self._named}" in its name; those in {limit.unit} are {shown}: correct stop_sensors'
        return f"no sensor in {limit.unit} is shown; load its driver, or leave the key out and watch by other means"
