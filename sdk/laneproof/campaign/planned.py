"""What a plan would run, how long that takes and what it could claim at best; and limits in it that decide nothing."""

from __future__ import annotations

from collections.abc import Iterator

from attrs import frozen

from laneproof.campaign.guard import guard_rules
from laneproof.campaign.own_steps import is_own
from laneproof.campaign.plan import Plan, kind_of
from laneproof.campaign.statistics import CONFIDENCE, error_rate_bound, format_bound
from laneproof.units import format_bytes, format_seconds


@frozen(kw_only=True)
class PlannedStep:
    """One step of a plan on one endpoint, once; `claims` are those that it supports if nothing goes wrong."""

    kind: str
    nbytes: int | None
    """Payload bytes at most, each way, or one way; None: open-ended."""
    seconds: float | None
    """By the card's clock, at its nominal rate; None: open-ended."""
    claims: tuple[str, ...]
    one_way: bool = False
    """Whether its bytes do not come back."""
    in_turns: bool = False
    """Whether the other endpoints rest meanwhile, and each has its turn."""

    def __str__(self) -> str:
        way = "one way" if self.one_way else "each way"
        much = "open-ended" if self.nbytes is None else f"at most {format_bytes(self.nbytes)} {way}"
        time = "time open-ended" if self.seconds is None else f"about {format_seconds(self.seconds)}"
        return f"{self.kind}: {much}, {time}{', alone: endpoints take turns' if self.in_turns else ''}"


def planned_steps(plan: Plan, bytes_per_s: float | None) -> Iterator[PlannedStep]:
    """The steps as written, on a card of that nominal rate; None where it is not known before the card is open."""
    for step in plan.step:
        nbytes = step.bytes_at(bytes_per_s)
        claims: list[str] = []
        if step.verified and nbytes:
            bits = 8 * nbytes
            claims.append(
                f"without a wrong bit fewer than {format_bound(error_rate_bound(0, bits))} wrong per bit at "
                f"{CONFIDENCE:.0%} confidence ({bits} bits, one way)"
            )
        elif step.verified and nbytes is None:
            claims.append("a bound on wrong bits that follows from what will have moved")
        if step.best_claim:
            claims.append(step.best_claim)
        yield PlannedStep(
            kind=kind_of(step),
            nbytes=nbytes,
            seconds=step.seconds_at(bytes_per_s),
            claims=tuple(claims),
            one_way=step.goes_one_way,
            in_turns=len(plan.endpoint) > 1 and not is_own(step) and step.meets == "alone",
        )


def stop_rules(plan: Plan) -> Iterator[str]:
    """The rules that may end the run, or a slot, before its end."""
    if plan.stop_slot_on != "never":
        yield f'stop_slot_on = "{plan.stop_slot_on}": a slot takes no step after one that ends so'
    if plan.stop_run_on != "never":
        yield f'stop_run_on = "{plan.stop_run_on}": no slot goes on after a step that ends so'
    if plan.stop_after is not None:
        yield f"stop_after: the run ends after {format_seconds(plan.stop_after)} by the computer's clock"
    for name, endpoint in zip(plan.names(), plan.endpoint, strict=True):
        yield from (f"{name}: {rule}" for rule in guard_rules(endpoint))


def going_on(plan: Plan) -> Iterator[str]:
    """How slots begin, and go on where a card is lost, as far as that is not the usual."""
    if plan.stagger:
        yield f"stagger: slots begin {format_seconds(plan.stagger)} apart"
    if plan.try_again:
        yield (
            f"try_again: a card that is lost is tried again {format_seconds(plan.try_again_after)} later, at most "
            f"{plan.try_again} times a slot"
        )


def futile_limits(plan: Plan) -> Iterator[str]:
    """A sentence for each limit that can never fail, or never be met, with its key and the remedy."""
    for index, endpoint in enumerate(plan.endpoint):
        width, wiring = endpoint.expect.width, endpoint.expect.wiring
        if width is not None and wiring is not None and width > wiring:
            yield (
                f"endpoint[{index}].expect.width: {width} lanes can never train over a wiring of {wiring}; "
                "give what the wiring allows"
            )
    for index, step in enumerate(plan.step):
        yield from (f"step[{index}].{key}: {text}" for key, text in step.futile_limits)
