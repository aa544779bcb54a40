"""`Rule`: a plain function from a `Rig` to a `Finding`, made of one that says what it saw or raises what is wrong."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

from attrs import evolve, field, frozen

from laneproof.conformance.finding import Broken, Finding, GivenUp, NotApplicable, NotDemonstrated, Tier
from laneproof.conformance.rig import Rig
from laneproof.conformance.trial import HOOK, Trial, came_from_driver
from laneproof.conformance.watch import Watch
from laneproof.conformance.words import told

Body = Callable[[Trial], str]
"""Tries a rule; returns what was seen of it, or raises Broken or NotDemonstrated."""


@frozen(kw_only=True, eq=False)
class Rule:
    """One thing that must hold of every driver. Call it with a rig; it returns, whatever the driver does."""

    name: str
    tier: Tier
    states: str
    """What must hold, in one sentence."""
    remedy: str
    """What to do where it does not."""
    essential: bool
    """Every card that it applies to can demonstrate it, with nothing but a URI."""
    body: Body = field(repr=False)

    def __call__(self, rig: Rig) -> Finding:
        """Try the rule. A driver that raises or hangs has broken it; nothing is raised but KeyboardInterrupt."""
        found: list[Finding] = []
        finding = Finding(rule=self.name, tier=self.tier, states=self.states, outcome="kept", seen="")
        watch = Watch(rig.patience_s)
        trial = Trial(rig, watch)

        def body() -> None:
            with suppress(GivenUp):
                found.append(self._tried(finding, trial))

        hung = watch.run(body, f"laneproof-rule-{self.name}")
        if not hung:
            return found[0]
        _undo(trial)
        seen = f"{hung} did not come back: {rig.patience_s:g} s beyond its time it was left behind"
        if hung.startswith(HOOK):
            return evolve(finding, outcome="not demonstrated", seen=seen)
        return evolve(finding, outcome="broken", seen=seen, remedy=self.remedy)

    def _tried(self, finding: Finding, trial: Trial) -> Finding:
        try:
            return evolve(finding, seen=self.body(trial))
        except NotApplicable as reason:
            return evolve(finding, outcome="not demonstrated", seen=str(reason))
        except NotDemonstrated as reason:
            return evolve(finding, outcome="not demonstrated", seen=str(reason), missing=self.essential)
        except Broken as broken:
            return evolve(finding, outcome="broken", seen=str(broken), remedy=self.remedy)
        except GivenUp:
            raise
        except BaseException as error:  # a driver may raise anything, and this thread is the rule's own
            if not came_from_driver(error):
                seen = f"the kit itself failed, which says nothing of the driver: {told(error)}"
                return evolve(finding, outcome="not demonstrated", seen=seen, missing=True)
            return evolve(finding, outcome="broken", seen=f"the driver raised {told(error)}", remedy=self.remedy)

    def __str__(self) -> str:
        return self.name


def _undo(given_up: Trial) -> None:
    """Let the rig undo what it did for a rule that was given up, so that the next one finds the card as it was."""
    watch = Watch(given_up.rig.patience_s)
    trial = Trial(given_up.rig, watch, given_up.to_undo)

    def undo() -> None:
        with suppress(NotDemonstrated, GivenUp):
            trial.undo()

    watch.run(undo, "laneproof-rule-undo")


def rule(tier: Tier, remedy: str, *, essential: bool = False) -> Callable[[Body], Rule]:
    """Make a rule of a function: its name is the function's, with hyphens; its docstring states it."""

    def made(body: Body) -> Rule:
        return Rule(
            name=body.__name__.replace("_", "-"),
            tier=tier,
            states=" ".join((body.__doc__ or "").split()),
            remedy=remedy,
            essential=essential,
            body=body,
        )

    return made
