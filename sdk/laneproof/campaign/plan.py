"""A plan: endpoints with what is expected of them, and the steps to take on each. Read from TOML, strictly."""

from __future__ import annotations

import datetime
import math
import secrets
from collections.abc import Callable, Iterable, Mapping, Sequence
from importlib.resources import files
from itertools import chain, count
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal, cast

import attrs
from attrs import field, frozen, validators

from laneproof import registry
from laneproof.campaign import declared, own_steps, power
from laneproof.campaign.declared import Ambient, Declared, Equipment, Notes, Operator, Sample, Text
from laneproof.campaign.guard import guard_rules
from laneproof.campaign.order import Order, Turn, turns
from laneproof.campaign.own_steps import kind_of as kind_of  # looked for here
from laneproof.campaign.steps import Expectation, Step
from laneproof.documents import (
    Celsius,
    Rate,
    Seconds,
    Share,
    Size,
    SpeedGtps,
    Watts,
    parse_toml,
    printable,
    read_toml,
    structure,
)
from laneproof.errors import BadInput
from laneproof.integrity import pattern

MOST_TURNS = 10_000
"""Steps, repetitions included, that a plan may have."""
StopOn = Literal["never", "error", "fail"]
"""The mildest verdict that ends something; an error ends what a fail does."""


@frozen(kw_only=True)
class PlannedEndpoint:
    """One card to test: its URI, where its link is seen, what is expected, and the name that results carry.

    Endpoints of one `group` take turns, whole slot after whole slot; all others run at the same time. `power` is what
    the card may draw, `slot_power`, `riser_power` and `auxiliary_power` what these may give it (see `power`). A sensor
    above `stop_above_temperature` or `stop_above_power` ends the slot; `stop_sensors` is what the names of the sensors
    that count have in them.
    """

    uri: str
    observe: str | None = None
    name: str | None = None
    group: Text | None = None
    power: Watts | None = field(default=None, validator=validators.optional(validators.gt(Watts(0))))
    slot_power: Watts | None = None
    riser_power: Watts | None = None
    auxiliary_power: Watts | None = None
    stop_above_temperature: Celsius | None = None
    stop_above_power: Watts | None = field(default=None, validator=validators.optional(validators.gt(Watts(0))))
    stop_sensors: Text | None = None
    expect: Expectation = field(factory=Expectation)


@frozen(kw_only=True)
class Plan:
    """Steps over endpoints. Every endpoint goes through all steps, `repeat` times; endpoints run at the same time,
    but for those of one group.

    `stop_slot_on` and `stop_run_on` say after which verdict of a step its slot, or every slot, takes no other;
    `stop_after` ends the run after that time by the computer's clock. A card that is lost, or does not come back in
    step, is tried again `try_again` times a slot, each `try_again_after` later. Slots begin `stagger` apart.
    `supply_power` is what the computer's supply gives to all cards together.
    """

    schema: Literal[1] = 1
    name: str = "plan"
    seed: int | None = field(default=None, validator=validators.optional([validators.ge(0), validators.lt(1 << 64)]))
    """Decides which stretch of each pattern is sent; the same seed sends the same bytes. Left out: see `seeded`."""
    repeat: int = field(default=1, validator=[validators.ge(1), validators.le(MOST_TURNS)])
    order: Order = "as written"
    """Shuffled: by the seed, anew in each repetition."""
    stop_slot_on: StopOn = "never"
    stop_run_on: StopOn = "never"
    stop_after: Seconds | None = field(default=None, validator=validators.optional(validators.gt(Seconds(0))))
    try_again: int = field(default=0, validator=[validators.ge(0), validators.le(MOST_TURNS)])
    try_again_after: Seconds = field(default=Seconds(10), validator=validators.gt(Seconds(0)))
    stagger: Seconds = field(default=Seconds(0))
    supply_power: Watts | None = None
    endpoint: tuple[PlannedEndpoint, ...] = ()
    steps_from: tuple[str, ...] = ()
    """Python files whose steps the plan uses; read from a document, with their whole paths."""
    step: tuple[Step, ...] = ()
    operator: Operator | None = None
    sample: Sample | None = None
    equipment: tuple[Equipment, ...] = ()
    ambient: Ambient = field(factory=Ambient)
    declared: Declared = field(factory=Declared)
    notes: Notes = field(factory=lambda: Notes({}))

    @property
    def turns(self) -> tuple[Turn, ...]:
        """Which step stands at each position of a slot's run."""
        return tuple(turns(len(self.step), self.repeat, self.order, self.seed or 0))

    @property
    def sequence(self) -> tuple[Step, ...]:
        """The step at each position."""
        return tuple(self.step[turn.step] for turn in self.turns)

    def over(self, uris: Iterable[str]) -> Plan:
        """The same steps over other endpoints; those that the plan knows keep what it says of them."""
        planned = {endpoint.uri: endpoint for endpoint in self.endpoint}
        return attrs.evolve(self, endpoint=tuple(planned.get(uri, PlannedEndpoint(uri=uri)) for uri in uris))

    def seeded(self, *, physical: bool) -> Plan:
        """The plan with a seed: its own, else 0, else, where a card is `physical`, one that is drawn.

        A simulated card starts empty. A physical one may still hold what an earlier run sent, which must not pass.
        """
        if self.seed is not None:
            return self
        return attrs.evolve(self, seed=secrets.randbits(32) if physical else 0)

    def refuse_commands(self) -> None:
        """Raise BadInput if the plan would run a command, or code, of the host's: it may come from somebody else."""
        if self.steps_from:
            raise BadInput(_refused_code(self.steps_from))
        for index, step in enumerate(self.step):
            for command in step.commands:
                raise BadInput(
                    f"step[{index}].command would run {printable(command)}; to let the plan do so give "
                    "--allow-commands, in Python allow_commands=True"
                )

    def names(self) -> tuple[str, ...]:
        """A name of its own for each endpoint: as given, else its slot, else its URI; numbered where taken."""
        names: list[str] = []
        for endpoint in self.endpoint:
            own = endpoint.name or registry.parse_uri(endpoint.uri).address.slot or endpoint.uri
            numbered = (f"{own} ({number})" for number in count(2))
            names.append(next(name for name in chain((own,), numbered) if name not in names))
        return tuple(names)

    def to_dict(self) -> dict[str, Any]:
        """The plan as plain data, sizes in bytes, times in seconds, dates as text; what the ledger keeps."""
        plain = attrs.asdict(self, value_serializer=lambda _, __, value: _plain(value))
        plain["step"] = [own_steps.plain(step) for step in self.step]
        return plain

    def check(self) -> None:
        """Raise BadInput, with the key, for what no single value shows to be wrong."""
        if self.repeat * len(self.step) > MOST_TURNS:
            raise BadInput(f"repeat: {self.repeat} × {len(self.step)} steps are more than {MOST_TURNS}; repeat less")
        for index, endpoint in enumerate(self.endpoint):
            try:
                registry.parse_uri(endpoint.uri)
            except BadInput as error:
                raise BadInput(f"endpoint[{index}].uri: {error.args[0]}") from None
            if endpoint.name and endpoint.name in [other.name for other in self.endpoint[:index]]:
                raise BadInput(
                    f'endpoint[{index}].name: "{printable(endpoint.name)}" is taken; give each a name of its own'
                )
            if endpoint.stop_sensors and not guard_rules(endpoint):
                raise BadInput(
                    f"endpoint[{index}].stop_sensors: no limit is set for them; give stop_above_temperature or "
                    "stop_above_power"
                )
        power.check(self)
        for index, step in enumerate(self.step):
            if own_steps.is_own(step):
                try:
                    own_steps.check(step)
                except BadInput as error:
                    raise BadInput(f"step[{index}]: {error.args[0]}") from None
            for name in _patterns(step):
                try:
                    pattern(name)
                except BadInput as error:
                    raise BadInput(f"step[{index}]: {error.args[0]}") from None


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, datetime.date) else value


def load(path: Path, *, allow_commands: bool = False, steps: Iterable[Callable[..., Step]] = ()) -> Plan:
    """The plan in a TOML file. Raises BadInput that names the file, the key or line, and the remedy.

    `allow_commands` lets it load the Python files that it names in `steps_from`, relative to its own folder. `steps`
    are classes of steps that it may use beside those.
    """
    data = read_toml(path, "plan")
    return parse(data, f"plan {path}", folder=path.parent, allow_commands=allow_commands, steps=steps)


def builtin() -> Plan:
    """The plan that runs when none is given."""
    resource = files("laneproof.campaign") / "plans" / "builtin.toml"
    return parse(parse_toml(resource.read_bytes(), "the built-in plan"), "the built-in plan")


def kept(
    data: dict[str, Any], where: str, *, allow_commands: bool = False, steps: Iterable[Callable[..., Step]] = ()
) -> Plan:
    """A plan as a ledger keeps it (`Plan.to_dict`). Raises BadInput for what is none; the rest as `load`."""
    numbers = {kind: _read_number(kind) for kind in _QUANTITIES}
    readers = {**numbers, datetime.date: declared.read_kept_date}
    return parse(_without_none(data), where, readers=readers, allow_commands=allow_commands, steps=steps)


_QUANTITIES = {
    Size: int,
    **dict.fromkeys((Seconds, SpeedGtps, Rate, Share, Watts, Celsius, declared.Offset), float),
}
"""What has a unit in a document, and as what kind of number it is kept."""


def _read_number(kind: Any) -> Callable[[Any], Any]:
    def read(value: Any) -> Any:
        if isinstance(value, bool) or not isinstance(value, int | _QUANTITIES[kind]) or not math.isfinite(value):
            raise BadInput(f"{value!r} is no number")
        return _QUANTITIES[kind](value)

    return read


def _without_none(value: Any) -> Any:
    if isinstance(value, dict):
        table = cast("dict[str, Any]", value)
        return {key: _without_none(item) for key, item in table.items() if item is not None}
    return [_without_none(item) for item in cast("list[Any]", value)] if isinstance(value, list) else value


def parse(
    data: dict[str, Any],
    where: str,
    readers: Mapping[Any, Callable[[Any], Any]] = MappingProxyType({}),
    *,
    folder: Path | None = None,
    allow_commands: bool = False,
    steps: Iterable[Callable[..., Step]] = (),
) -> Plan:
    """A plan from the tables of a document; `where` names it in errors, `readers` are those of `structure`.

    `folder` is what `steps_from` is relative to; the rest as `load`.
    """
    if data.get("schema") != 1:
        raise BadInput(f"{where}: schema: write schema = 1, the form of plans that this version reads")
    try:
        files = _files(data.get("steps_from", []), folder or Path(), allowed=allow_commands)
        brought = [*steps, *chain.from_iterable(own_steps.classes_in(file) for file in files)]
        named = data.get("step", [])
        kinds = own_steps.known_kinds(
            [cast("dict[str, Any]", one).get("kind") for one in cast("list[Any]", named) if isinstance(one, dict)]
            if isinstance(named, list)
            else [],
            brought,
        )
    except BadInput as error:
        raise BadInput(f"{where}: {error.args[0]}") from None
    if files:
        data = data | {"steps_from": [str(file) for file in files]}
    plan = structure(data, Plan, where, readers={**declared.READERS, **readers}, tagged={Step: kinds})
    try:
        plan.check()
    except BadInput as error:
        raise BadInput(f"{where}: {error.args[0]}") from None
    return plan


def _files(given: Any, folder: Path, *, allowed: bool) -> list[Path]:
    """The files of `steps_from`, for as far as the user lets them be run."""
    if not isinstance(given, list | tuple) or not all(isinstance(one, str) for one in cast("list[Any]", given)):
        raise BadInput('steps_from: write a list of Python files, for example ["./my_steps.py"]')
    names = cast("Sequence[str]", given)
    if names and not allowed:
        raise BadInput(_refused_code(names))
    try:
        return [(folder / name).resolve() for name in names]
    except (OSError, ValueError, RuntimeError) as error:
        raise BadInput(f"steps_from: {printable(str(error))}") from None


def _refused_code(files: Iterable[str]) -> str:
    return (
        f"steps_from would run the Python code in {printable(', '.join(files))}; to let the plan do so give "
        "--allow-commands, in Python allow_commands=True"
    )


def _patterns(step: Step) -> tuple[str, ...]:
    if own_steps.is_own(step):  # what a key is called there says nothing of what it means
        return ()
    several: tuple[str, ...] = getattr(step, "patterns", ())
    one: str | None = getattr(step, "pattern", None)
    return several + ((one,) if one is not None else ())
