"""What `run --check` finds, as plain data."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from laneproof.campaign import own_steps, power
from laneproof.campaign.declared import overdue
from laneproof.campaign.plan import Plan
from laneproof.campaign.planned import futile_limits, planned_steps, stop_rules
from laneproof.campaign.results import Plain


def planned_document(plan: Plan, rates: Mapping[str, float], moment_utc: str, declared: Sequence[str] = ()) -> Plain:
    """The document that `run --check --json` writes; its "schema" number changes with its meaning.

    `rates` are nominal bytes per second by URI, as far as they are known; `declared` is what `declaring.override` said.
    Bytes (one way, at most) and seconds (of the card's clock, about) are None where they stay open.
    """
    endpoints = [
        {
            "name": name,
            "uri": endpoint.uri,
            "group": endpoint.group,
            "steps": [
                {"kind": one.kind, "bytes": one.nbytes, "seconds": one.seconds, "claims": list(one.claims)}
                for one in planned_steps(plan, rates.get(endpoint.uri))
            ],
        }
        for name, endpoint in zip(plan.names(), plan.endpoint, strict=True)
    ]
    return {
        "schema": 1,
        "checked_utc": moment_utc,
        "plan": plan.to_dict(),
        "endpoints": endpoints,
        "own_steps": own_steps.provenance(plan.step),
        "commands": list(dict.fromkeys(command for step in plan.step for command in step.commands)),
        "declared": list(declared),
        "power": list(power.table(plan)),
        "stop_rules": list(stop_rules(plan)),
        "futile_limits": list(futile_limits(plan)),
        "overdue": list(overdue(plan.to_dict(), moment_utc)),
    }
