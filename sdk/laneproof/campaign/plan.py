"""A plan: endpoints with what is expected of them, and the steps to take on each. Read from TOML, strictly."""

from __future__ import annotations

import datetime
import math
import secrets
from collections.abc import Callable, Iterable, Mapping
from importlib.resources import files
from itertools import chain, count
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal, cast

import attrs
from attrs import field, frozen, validators

from laneproof import registry
from laneproof.campaign import declared
from laneproof.campaign.declared import Ambient, Declared, Equipment, Notes, Operator, Sample, Text
from laneproof.campaign.order import Order, Turn, turns
from laneproof.campaign.steps import STEPS, Expectation, Step
from laneproof.documents import Rate, Seconds, Share, Size, SpeedGtps, parse_toml, printable, read_toml, structure
from laneproof.errors import BadInput
from laneproof.integrity import pattern

MOST_TURNS = 10_000
"""Steps, repetitions included, that a plan may have."""
StopOn = Literal["never", "error", "fail"]
"""The mildest verdict that ends something; an error ends what a fail does."""


@frozen(kw_only=True)
class PlannedEndpoint:
    """One card to test: its URI, where its link is seen, what is expected, and the name that results carry.

    Endpoints of one `group` take turns, whole slot after whole slot; all others run at the same time.
    """

    uri: str
    observe: str | None = None
    name: str | None = None
    group: Text | None = None
    expect: Expectation = field(factory=Expectation)


@frozen(kw_only=True)
class Plan:
    """Steps over endpoints. Every endpoint goes through all steps, `repeat` times; endpoints run at the same time,
    but for those of one group.

    `stop_slot_on` and `stop_run_on` say after which verdict of a step its slot, or every slot, takes no other;
    `stop_after` ends the run after that time by the computer's clock.
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
    endpoint: tuple[PlannedEndpoint, ...] = ()
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
        """Raise BadInput if a step would run a command of the host's: a plan may come from somebody else."""
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
        plain["step"] = [{"kind": kind_of(step), **attrs.asdict(step)} for step in self.step]
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
        for index, step in enumerate(self.step):
            for name in _patterns(step):
                try:
                    pattern(name)
                except BadInput as error:
                    raise BadInput(f"step[{index}]: {error.args[0]}") from None


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, datetime.date) else value


def kind_of(step: Step) -> str:
    """The kind that a plan writes for this step."""
    return next(kind for kind, known in STEPS.items() if isinstance(step, known))


def load(path: Path) -> Plan:
    """The plan in a TOML file. Raises BadInput that names the file, the key or line, and the remedy."""
    return parse(read_toml(path, "plan"), f"plan {path}")


def builtin() -> Plan:
    """The plan that runs when none is given."""
    resource = files("laneproof.campaign") / "plans" / "builtin.toml"
    return parse(parse_toml(resource.read_bytes(), "the built-in plan"), "the built-in plan")


def kept(data: dict[str, Any], where: str) -> Plan:
    """A plan as a ledger keeps it (`Plan.to_dict`). Raises BadInput for what is none."""
    numbers = {kind: _read_number(kind) for kind in _QUANTITIES}
    return parse(_without_none(data), where, readers={**numbers, datetime.date: declared.read_kept_date})


_QUANTITIES = {Size: int, Seconds: float, SpeedGtps: float, Rate: float, Share: float}
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


def parse(data: dict[str, Any], where: str, readers: Mapping[Any, Callable[[Any], Any]] = MappingProxyType({})) -> Plan:
    """A plan from the tables of a document; `where` names it in errors, `readers` are those of `structure`."""
    if data.get("schema") != 1:
        raise BadInput(f"{where}: schema: write schema = 1, the form of plans that this version reads")
    plan = structure(data, Plan, where, readers={**declared.READERS, **readers}, tagged={Step: STEPS})
    try:
        plan.check()
    except BadInput as error:
        raise BadInput(f"{where}: {error.args[0]}") from None
    return plan


def _patterns(step: Step) -> tuple[str, ...]:
    several: tuple[str, ...] = getattr(step, "patterns", ())
    one: str | None = getattr(step, "pattern", None)
    return several + ((one,) if one is not None else ())
