"""`step`: makes a kind of step out of a function, whose keyword parameters become the plan's keys."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any, Concatenate, ParamSpec, cast, get_type_hints

import attrs

from laneproof.campaign.results import Findings
from laneproof.campaign.steps.slot import Slot
from laneproof.campaign.steps.step import Step
from laneproof.errors import BadInput

_Keys = ParamSpec("_Keys")


def step(
    kind: str,
) -> Callable[[Callable[Concatenate[Slot, Findings, _Keys], None]], Callable[_Keys, Step]]:
    """Make `def f(slot, findings, *, level: int = 3)` a step of that kind, with the key `level`.

    What stands in place of the function is a `Step` class, to be called with the keys: `Plan(step=(f(level=4),))`.
    Each keyword parameter needs a type; one without a default must be given. Raises BadInput for another signature.
    """

    def made(function: Callable[Concatenate[Slot, Findings, _Keys], None]) -> Callable[_Keys, Step]:
        def run(self: Step, slot: Slot, findings: Findings) -> None:
            cast("Any", function)(slot, findings, **{name: getattr(self, name) for name in keys})

        keys = _keys(kind, function)
        made = attrs.make_class(
            function.__name__,
            keys,
            bases=(Step,),
            class_body={"__doc__": function.__doc__, "kind": kind, "run": run},
            frozen=True,
            kw_only=True,
        )
        # So that pickle finds the class where the function was.
        made.__module__, made.__qualname__ = function.__module__, function.__qualname__
        return cast("Callable[_Keys, Step]", made)

    return made


def _keys(kind: str, function: Callable[..., None]) -> dict[str, Any]:
    """attrs' fields, one for each keyword parameter."""
    where = f'step "{kind}", function {function.__qualname__}'
    parameters = list(inspect.signature(function).parameters.values())
    leading = [one for one in parameters if one.kind in (one.POSITIONAL_ONLY, one.POSITIONAL_OR_KEYWORD)]
    named = [one for one in parameters if one.kind is one.KEYWORD_ONLY]
    if len(leading) != 2 or len(leading) + len(named) < len(parameters):
        raise BadInput(f"{where}: write it as f(slot, findings, *, key: type = default, …)")
    typed = {one.name: one.annotation for one in named if one.annotation is not one.empty}
    try:  # of the keys alone: the other names may be imported for type checkers only
        hints = get_type_hints(SimpleNamespace(__annotations__=typed), getattr(function, "__globals__", {}))
    except NameError as error:
        raise BadInput(f"{where}: {error}; import what the types of its keys are written with") from None
    for one in named:
        if one.name not in hints:
            raise BadInput(f"{where}: {one.name} has no type; write {one.name}: int, say")
        if hasattr(Step, one.name):
            raise BadInput(f"{where}: {one.name} is a name of every step's; take another for the key")
    return {
        one.name: attrs.field(type=hints[one.name], default=attrs.NOTHING if one.default is one.empty else one.default)
        for one in named
    }
