"""A plan: endpoints with what is expected of them, and the steps to take on each. Read from TOML, strictly."""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from importlib.resources import files
from itertools import chain, count
from pathlib import Path
from typing import Any, Literal

import attrs
from attrs import field, frozen, validators

from laneproof import registry
from laneproof.campaign.steps import STEPS, Expectation, Step
from laneproof.documents import parse_toml, read_toml, structure
from laneproof.errors import BadInput
from laneproof.integrity import pattern


@frozen(kw_only=True)
class PlannedEndpoint:
    """One card to test: its URI, where its link is seen, what is expected, and the name that results carry."""

    uri: str
    observe: str | None = None
    name: str | None = None
    expect: Expectation = field(factory=Expectation)


@frozen(kw_only=True)
class Plan:
    """Steps over endpoints. Every endpoint goes through all steps, in order; endpoints run at the same time."""

    schema: Literal[1] = 1
    name: str = "plan"
    seed: int | None = field(default=None, validator=validators.optional(validators.ge(0)))
    """Decides which stretch of each pattern is sent; the same seed sends the same bytes. Left out: see `seeded`."""
    endpoint: tuple[PlannedEndpoint, ...] = ()
    step: tuple[Step, ...] = ()

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

    def names(self) -> tuple[str, ...]:
        """A name of its own for each endpoint: as given, else its slot, else its URI; numbered where taken."""
        names: list[str] = []
        for endpoint in self.endpoint:
            own = endpoint.name or registry.parse_uri(endpoint.uri).address.slot or endpoint.uri
            numbered = (f"{own} ({number})" for number in count(2))
            names.append(next(name for name in chain((own,), numbered) if name not in names))
        return tuple(names)

    def to_dict(self) -> dict[str, Any]:
        """The plan as plain data, sizes in bytes, times in seconds; what the ledger keeps."""
        return {
            "schema": self.schema,
            "name": self.name,
            "seed": self.seed,
            "endpoint": [attrs.asdict(endpoint) for endpoint in self.endpoint],
            "step": [{"kind": kind_of(step), **attrs.asdict(step)} for step in self.step],
        }


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


def parse(data: dict[str, Any], where: str) -> Plan:
    """A plan from the tables of a document; `where` names it in errors."""
    if data.get("schema") != 1:
        raise BadInput(f"{where}: schema: write schema = 1, the form of plans that this version reads")
    plan = structure(data, Plan, where, tagged={Step: STEPS})
    for index, endpoint in enumerate(plan.endpoint):
        try:
            registry.parse_uri(endpoint.uri)
        except BadInput as error:
            raise BadInput(f"{where}: endpoint[{index}].uri: {error.args[0]}") from None
        if endpoint.name and endpoint.name in [other.name for other in plan.endpoint[:index]]:
            raise BadInput(f'{where}: endpoint[{index}].name: "{endpoint.name}" is taken; give each a name of its own')
    for index, step in enumerate(plan.step):
        for name in _patterns(step):
            try:
                pattern(name)
            except BadInput as error:
                raise BadInput(f"{where}: step[{index}]: {error.args[0]}") from None
    return plan


def _patterns(step: Step) -> tuple[str, ...]:
    several: tuple[str, ...] = getattr(step, "patterns", ())
    one: str | None = getattr(step, "pattern", None)
    return several + ((one,) if one is not None else ())
