"""Trials for `swaps` from runs on record: which slot, card and riser each had, and how often it failed and passed.

A slot is an endpoint's name, a card its identity, a riser what the plan declares; labels given by hand go first.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, cast

from attrs import frozen

from laneproof.campaign.results import EndpointResult, RunResult
from laneproof.campaign.verdict import Verdict, overall
from laneproof.documents import printable
from laneproof.errors import BadInput, StorageFault
from laneproof.insight.swaps import KINDS, Kind, Trial

_LABEL = re.compile(r"(?P<ledger>[^#]+?)(?:#(?P<slot>.*?))?:(?P<kind>slot|card|riser)=(?P<name>.*)", re.DOTALL)
NO_RISER = "none"
"""The name that says that there is no riser."""


@frozen
class Label:
    """The name of a part in one run; `slot` None means each endpoint of that run."""

    ledger: str
    slot: str | None
    kind: Kind
    name: str


def read_label(text: str) -> Label:
    """Of "day2.ledger:card=B" or "day2.ledger#south:riser=none". Raises BadInput for anything else."""
    found = _LABEL.fullmatch(text)
    if found is None or not found["name"].strip() or not found["name"].isprintable():
        raise BadInput(
            f'--label "{printable(text)}": write LEDGER:PART=NAME or LEDGER#SLOT:PART=NAME, PART being '
            f"{', '.join(KINDS)}; for example day2.ledger#south:riser=none"
        )
    return Label(found["ledger"], found["slot"], cast("Kind", found["kind"]), found["name"].strip())


def trials_of(runs: Sequence[tuple[str, RunResult]], labels: Sequence[Label] = ()) -> list[Trial]:
    """A trial for each endpoint of each run; `runs` are a ledger's path as given and its content.

    Each repetition counts once, as pass or fail; what is neither is left out. Slots of several computers are told
    apart by the computer. Raises BadInput for a label of no run and for a card of which nothing is known, and
    StorageFault for results that cannot be what a run left.
    """
    for label in labels:
        of_ledger = [run for path, run in runs if path == label.ledger]
        if not of_ledger:
            raise BadInput(f"--label {printable(label.ledger)}: that is none of the ledgers given; name one of them")
        if label.slot is not None and not any(one.name == label.slot for run in of_ledger for one in run.endpoints):
            raise BadInput(f"--label {printable(label.ledger)}#{printable(label.slot)}: that ledger has no such slot")
    heads = [run.seal.head for _, run in runs if run.seal is not None]
    if len(set(heads)) < len(heads):
        raise BadInput("one run is given twice; it would be counted twice")
    try:
        hosts = {str(run.environment.get("host")) for _, run in runs}
        return [
            _trial(path, run, one, labels, several_hosts=len(hosts) > 1) for path, run in runs for one in run.endpoints
        ]
    except BadInput:
        raise
    except (LookupError, TypeError, ValueError, AttributeError) as error:
        raise StorageFault(f"no swaps can be told from these ledgers; was one changed? ({error})") from error


def _trial(
    path: str, run: RunResult, endpoint: EndpointResult, labels: Sequence[Label], *, several_hosts: bool
) -> Trial:
    given = {label.kind: label.name for label in labels if label.ledger == path and label.slot in (None, endpoint.name)}
    given |= {label.kind: label.name for label in labels if label.ledger == path and label.slot == endpoint.name}
    slot = given.get("slot") or endpoint.name + (f" of {run.environment.get('host')}" if several_hosts else "")
    card = given.get("card") or _card(endpoint)
    if card is None:
        raise BadInput(
            f"{printable(path)}: the card in slot {printable(endpoint.name)} does not say which it is; give "
            f"--label '{printable(path)}#{printable(endpoint.name)}:card=NAME'"
        )
    declared: Mapping[str, Any] = run.plan.get("declared") or {}
    riser = given.get("riser") or declared.get("riser")
    verdicts = list(_verdicts(endpoint))
    return Trial(
        slot=slot,
        card=card,
        riser=None if riser in (None, NO_RISER) else str(riser),
        failed=verdicts.count(Verdict.FAIL),
        passed=verdicts.count(Verdict.PASS),
    )


def _card(endpoint: EndpointResult) -> str | None:
    identity: Mapping[str, Any] = endpoint.opened.get("identity") or {}
    name = identity.get("serial") or identity.get("model")
    return None if name is None else str(name)


def _verdicts(endpoint: EndpointResult) -> Iterator[Verdict]:
    """Of each repetition; what is said of the slot as a whole counts for the last one."""
    last = max((step.repetition for step in endpoint.steps), default=1)
    for number in range(1, last + 1):
        told = [step.verdict for step in endpoint.steps if step.repetition == number]
        if number == last:
            told += [reason.verdict for reason in endpoint.reasons]
        yield overall(told)
