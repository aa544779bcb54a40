"""The cautions as a person reads them before a verb touches a physical card."""

from __future__ import annotations

from typing import TYPE_CHECKING

from laneproof import safety

if TYPE_CHECKING:
    from rich.console import Console

ACKNOWLEDGE = "--acknowledge-cautions"


def print_cautions(human: Console, acknowledging: str) -> None:
    """`acknowledging` says what the option `--acknowledge-cautions` does of this verb."""
    human.print(f"Before hands go near the computer ({ACKNOWLEDGE} {acknowledging}):")
    for caution in safety.CAUTIONS:
        human.print(f"- {caution.title}: {caution.text}")
    human.print(f"{safety.DEFERRAL}\n")
