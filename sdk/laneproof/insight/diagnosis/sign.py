"""What a sign is: a named question to the evidence, answered by yes, no or not known, and with what was seen."""

from __future__ import annotations

from collections.abc import Callable

from attrs import frozen

from laneproof.insight.diagnosis.evidence import Evidence
from laneproof.insight.diagnosis.forms import Form, Wound


@frozen
class Seen:
    """Whether a sign is there, None where nothing was measured that would tell, and in few words what was seen."""

    there: bool | None
    what: str = ""


UNKNOWN = Seen(None)
NO = Seen(False)


@frozen
class Material:
    """What signs look at: the evidence, and the forms of its wrong data."""

    evidence: Evidence
    wounds: tuple[Wound, ...]

    def blocks(self, *forms: Form) -> int:
        """How many of the examined blocks show one of these forms."""
        return len({id(wound.block) for wound in self.wounds if wound.form in forms})

    def of(self, *forms: Form) -> list[Wound]:
        return [wound for wound in self.wounds if wound.form in forms]


Look = Callable[[Material], Seen]
"""Answers one sign. Raises nothing."""

SIGNS: dict[str, Look] = {}
"""Every sign that can be computed, by its name in the file of rules."""


def sign(name: str) -> Callable[[Look], Look]:
    """Enter a function under the name that rules know it by; its docstring says how it is computed."""

    def enter(look: Look) -> Look:
        SIGNS[name] = look
        return look

    return enter
