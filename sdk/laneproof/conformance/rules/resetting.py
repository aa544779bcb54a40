"""What must hold of resets: each level that is offered works, empties the card, and leaves it usable."""

from __future__ import annotations

from contextlib import suppress
from typing import cast

from laneproof.conformance.finding import NotDemonstrated, require
from laneproof.conformance.memory import Lent, stretch_of
from laneproof.conformance.opened import Opened
from laneproof.conformance.rule import rule
from laneproof.conformance.trial import Trial
from laneproof.contract import ErrorObserver, IdentitySource, QueuedPath, ResetLevel, Resettable
from laneproof.errors import DriverFault, EndpointBusy
from laneproof.readings import known

RESET_S = 30.0
"""What a harsh reset may take, in seconds by the card's clock."""


def _permitted(card: Opened) -> list[ResetLevel]:
    """The levels to try, mild ones first. Raises NotDemonstrated where there is none."""
    part, rig = card.part(Resettable), card.trial.rig
    levels = sorted(level for level in part.levels if level in rig.resets)
    if not levels:
        offered = ", ".join(level.name for level in part.levels)
        raise NotDemonstrated(f"the card offers {offered or 'no level'}; the rig permits none of them in resets")
    return levels


@rule("card", "wait in reset until the card can be used again, and set up again what the reset has undone")
def a_reset_leaves_the_card_usable(trial: Trial) -> str:
    """After a reset of each permitted level the same opening of the card moves data, and is the same card."""
    with trial.opened() as card:
        part, probe = card.part(Resettable), card.probe
        levels = cast("tuple[object, ...]", part.levels)
        right = levels and all(isinstance(level, ResetLevel) for level in levels) and len(set(levels)) == len(levels)
        require(right, f"levels is {levels!r}; name each ResetLevel once, or have no Resettable")
        permitted = _permitted(card)
        source = card.card.part(IdentitySource)
        identity = None if source is None else card.control(source.read_identity)
        for level in permitted:
            card.within(RESET_S, part.reset, level, what=f"reset({level.name})")
            nbytes = probe.few
            out, into = Lent(nbytes), Lent(nbytes)
            out.fill(stretch_of(level))
            into.fill_unlike(stretch_of(level))
            came = probe.echo(out.view, into.view)
            require(came == nbytes, f"after reset({level.name}) {came} of {nbytes} bytes came back")
            into.require(stretch_of(level), f"after reset({level.name})")
            if source is not None:
                require(card.control(source.read_identity) == identity, f"after reset({level.name}) it is another card")
    return f"data came back after {', '.join(level.name for level in permitted)}"


@rule("card", "empty every FIFO and ring of the card in a data reset, not only those of the host")
def a_reset_empties_the_card(trial: Trial) -> str:
    """What was sent before a reset comes out of no channel after it."""
    with trial.opened() as card:
        part = card.part(Resettable)
        card.probe.require_a_flow()
        permitted = _permitted(card)
        for level in permitted:
            for probe in card.probes:
                out = Lent(probe.few)
                out.fill(stretch_of(level))
                probe.put(out.view)
            card.within(RESET_S, part.reset, level, what=f"reset({level.name})")
            for probe in card.probes:
                came = probe.take(Lent(probe.few).view, trial.rig.wait_s)
                what = f"after reset({level.name}) {came} bytes came out of channel {probe.channel.name}"
                require(not came, f"{what} that were sent before it")
    return f"nothing came out after {', '.join(level.name for level in permitted)}"


@rule(
    "card",
    "complete what a reset aborts as stopped, in the next reap or quiesce; or raise EndpointBusy while tickets are out",
)
def a_reset_loses_no_ticket(trial: Trial) -> str:
    """A ticket that is out when the card is reset completes, once, in reap or quiesce; or the reset is refused."""
    with trial.opened() as card:
        part, probe = card.part(Resettable), card.probe
        probe.require_path(QueuedPath)
        permitted = _permitted(card)
        for level in permitted:
            into = Lent(probe.few)
            probe.submit(None, into.view)
            with suppress(EndpointBusy, DriverFault):
                card.within(RESET_S, part.reset, level, what=f"reset({level.name})")
            probe.quiesce()
            into.require_returned(f"quiesce after reset({level.name})")
    return f"a ticket that was out completed, with {', '.join(level.name for level in permitted)}"


@rule("card", "give the counts a new epoch where a reset has cleared them")
def counts_that_fall_have_a_new_epoch(trial: Trial) -> str:
    """Error counts that are lower after a reset belong to another epoch."""
    with trial.opened() as card:
        part, observer = card.part(Resettable), card.part(ErrorObserver)
        permitted = _permitted(card)
        for level in permitted:
            with suppress(NotDemonstrated):  # counts that stand at zero cannot fall
                trial.hook("cause_errors")
            before = card.control(observer.read_errors)
            card.within(RESET_S, part.reset, level, what=f"reset({level.name})")
            after = card.control(observer.read_errors)
            for end, one, two in (("near", before.near, after.near), ("far", before.far, after.far)):
                first, second = known(one), known(two)
                if first is None or second is None or first.epoch != second.epoch:
                    continue
                for name, count in first.correctable.items():
                    n, now = getattr(count, "n", 0), getattr(second.correctable.get(name), "n", 0)
                    require(now >= n, f"{name} at the {end} end was {n}, after reset({level.name}) {now}, in one epoch")
    return f"after {', '.join(level.name for level in permitted)}"
