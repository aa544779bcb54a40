"""The file of rules, `mechanisms.toml`, as frozen values: signs, experiments and mechanisms. No judgement here."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Literal

import attrs
from attrs import field, frozen

from laneproof.documents import parse_toml, structure
from laneproof.errors import BadInput

HowOften = Literal["always", "usually", "sometimes", "rarely", "never"]
LEVELS: Mapping[HowOften, float] = MappingProxyType(
    {"always": 0.99, "usually": 0.8, "sometimes": 0.35, "rarely": 0.05, "never": 0.0005}
)
"""What the words are worth as chances. Coarse on purpose: an expert can say no more. They give an order, and are not
calibrated, so that no answer states a probability."""
SignKind = Literal["finding", "trait", "absence", "remark"]
Layer = Literal["physical", "data link", "transaction", "card", "switch", "host", "tester", "management"]


@frozen(kw_only=True)
class Sign:
    """What the diagnosis looks for; the kinds are explained in the file."""

    name: str
    title: str
    kind: SignKind


@frozen(kw_only=True)
class Experiment:
    """Something to do, and what to look at, as a question that is answered by yes or no."""

    name: str
    does: str
    asks: str
    harmless: bool

    @property
    def said(self) -> str:
        return f"{self.does} {self.asks[:1].upper()}{self.asks[1:]}"


@frozen(kw_only=True)
class Mechanism:
    """One cause: where it lives, how often each sign shows where it is at work, and each experiment says yes."""

    name: str
    title: str
    layer: Layer
    where: str
    what: str
    implies: str
    source: str
    signs: dict[str, HowOften]
    experiments: dict[str, HowOften] = field(factory=dict[str, HowOften])


@frozen(kw_only=True)
class Rules:
    """All of the file. Raises BadInput where a mechanism speaks of what the file does not hold, or a name is double."""

    sign: tuple[Sign, ...]
    experiment: tuple[Experiment, ...]
    mechanism: tuple[Mechanism, ...]

    def __attrs_post_init__(self) -> None:
        for names in (self.signs, self.experiments, self.mechanisms):
            if len(names) != len(set(names)):
                raise BadInput("rules: a name stands twice; give each its own")
        for one in self.mechanism:
            unknown = [name for name in one.signs if name not in self.signs]
            unknown += [name for name in one.experiments if name not in self.experiments]
            if unknown:
                raise BadInput(f'rules: mechanism "{one.name}" speaks of {", ".join(unknown)}; add it to the file')
            if "always" not in one.signs.values() and "usually" not in one.signs.values():
                raise BadInput(f'rules: mechanism "{one.name}" has no sign that it shows always or usually; give one')

    @property
    def signs(self) -> tuple[str, ...]:
        return tuple(one.name for one in self.sign)

    @property
    def experiments(self) -> tuple[str, ...]:
        return tuple(one.name for one in self.experiment)

    @property
    def mechanisms(self) -> tuple[str, ...]:
        return tuple(one.name for one in self.mechanism)

    def find(self, name: str) -> Mechanism:
        """The mechanism of that name. Raises BadInput where there is none."""
        for one in self.mechanism:
            if one.name == name:
                return one
        raise BadInput(f'rules: no mechanism is called "{name}"; `laneproof guide diagnosis` lists them')

    def without(self, *names: str) -> Rules:
        """The rules less some mechanisms: what the diagnosis would say had nobody thought of them."""
        for name in names:
            self.find(name)
        return attrs.evolve(self, mechanism=tuple(one for one in self.mechanism if one.name not in names))


@cache
def rules() -> Rules:
    """Those that laneproof brings along."""
    resource = files("laneproof.insight") / "mechanisms.toml"
    return structure(parse_toml(resource.read_bytes(), "rules"), Rules, "rules")
