"""The rules, by what they are about. Each module holds the rules of one subject and no more."""

from __future__ import annotations

from laneproof.conformance.rule import Rule
from laneproof.conformance.rules import (
    data,
    driver,
    lending,
    losing,
    parts,
    patterns,
    process,
    queueing,
    readings,
    regions,
    resetting,
    sharing,
    soaking,
    tickets,
    waiting,
    whole,
    windows,
)

_SUBJECTS = (
    driver,
    process,
    readings,
    data,
    lending,
    waiting,
    queueing,
    tickets,
    windows,
    regions,
    resetting,
    parts,
    sharing,
    patterns,
    whole,
    losing,
    soaking,
)

RULES = tuple(thing for subject in _SUBJECTS for thing in vars(subject).values() if isinstance(thing, Rule))
"""Every rule, in the order in which to try them: what a later one rests on comes first."""
