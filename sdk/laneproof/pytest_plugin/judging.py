"""From a run's verdict, or an error that a test met, to what pytest makes of the test and says of it."""

from __future__ import annotations

import traceback
from collections.abc import Iterable
from typing import Any, NoReturn

import pytest
from attrs import define, field

from laneproof.campaign.results import EndpointResult, Reason, RunResult
from laneproof.campaign.verdict import Verdict, overall
from laneproof.documents import printable
from laneproof.errors import CannotOpen, DeviceLost, DriverFault, LaneproofError, NotOffered, StorageFault

_TEST_SYSTEM = (CannotOpen, DriverFault, NotOffered, StorageFault)
"""Errors that accuse no slot: TTCN-3's `error`."""


class SystemAtFault(pytest.fail.Exception):
    """The test system is at fault: an ERROR of pytest's, and no failure."""

    __module__ = "builtins"  # as pytest's own outcomes have it: summaries show the name alone


@define
class Record:
    """What one test did on its endpoint: grows while it runs, and ends as the attributes of its report."""

    uri: str
    replay: str
    identity: str = ""
    verdicts: list[Verdict] = field(factory=list[Verdict])
    seeds: list[int] = field(factory=list[int])
    exposure_bits: int = 0
    ledgers: list[str] = field(factory=list[str])
    caveats: list[str] = field(factory=list[str])
    runs_expected: bool = False
    """The test takes `laneproof_run`."""
    failed: bool = False

    @property
    def verdict(self) -> Verdict:
        return overall(self.verdicts)

    def take(self, result: RunResult) -> None:
        """Take in what came of one run on this endpoint."""
        endpoint = result.endpoints[0]
        self.verdicts.append(result.verdict)
        self.seeds.append(int(result.plan["seed"]))
        self.exposure_bits += sum(_exposure_bits(step.measures) for step in endpoint.steps)
        self.identity = said_of(endpoint.opened.get("identity", {})) or self.identity
        self.caveats = list(dict.fromkeys([*self.caveats, *result.environment.get("caveats", ())]))

    def end(self, error: BaseException | None, *, in_setup: bool) -> None:
        """The test's body has ended, by `error` or well: what that says where no run has said worse."""
        if isinstance(error, SystemAtFault):
            self.verdicts.append(Verdict.ERROR)
        elif isinstance(error, pytest.skip.Exception) or (self.verdicts and self.verdict is not Verdict.PASS):
            pass
        elif error is None:
            self.verdicts.extend([] if self.runs_expected else [Verdict.PASS])
        elif isinstance(error, AssertionError | pytest.fail.Exception) and not in_setup:
            self.verdicts.append(Verdict.FAIL)
        else:
            self.verdicts.append(Verdict.ERROR)  # the test's own mistake accuses no slot

    def attributes(self) -> dict[str, str]:
        """By the names that JUnit XML shows them under; what is not known is left out."""
        known: dict[str, str] = {
            "laneproof_verdict": str(self.verdict),
            "laneproof_endpoint": self.uri,
            "laneproof_identity": self.identity,
            "laneproof_seed": ", ".join(map(str, self.seeds)),
            "laneproof_exposure_bits": str(self.exposure_bits) if self.ledgers else "",
            "laneproof_ledger": ", ".join(self.ledgers),
            "laneproof_caveat": self.caveats[0] if self.caveats else "",
            "laneproof_replay": self.replay,
        }
        return {name: printable(text, most=None) for name, text in known.items() if text}

    def section(self) -> str:
        """What stands below a failure."""
        rows = [(name.removeprefix("laneproof_").replace("_", " "), text) for name, text in self.attributes().items()]
        return "\n".join(f"{name:<13}  {text}" for name, text in rows)


def said_of(identity: Any) -> str:
    """An identity as the ledger keeps it, in one line."""
    if "unavailable" in identity:
        return f"unavailable: {identity['unavailable']}"
    serial = f", serial {identity['serial']}" if identity.get("serial") else ""
    versions = [f"{one['name']} {one['version']}" for one in identity.get("components") or ()]
    return ", ".join([f"{identity.get('model', '')}{serial}", *versions]) if identity else ""


def _exposure_bits(measures: Any) -> int:
    residual = measures.get("residual_corruption")
    return residual["exposure_bits"] if residual else 0


def conclude(verdict: Verdict, text: str, inconclusive: str) -> None:
    """End the test as its verdict wants it; return if it passes. `inconclusive`: "fail", "xfail" or "skip"."""
    text = printable(text, keep="\n", most=None)
    match verdict:
        case Verdict.PASS:
            return
        case Verdict.FAIL:
            pytest.fail(text, pytrace=False)
        case Verdict.ERROR:
            at_fault(text)
        case Verdict.INCONC | Verdict.NONE:
            text = f"inconclusive: {text}"
            if inconclusive == "xfail":
                pytest.xfail(text)
            if inconclusive == "skip":
                pytest.skip(text)
            pytest.fail(text, pytrace=False)


def at_fault(text: object) -> NoReturn:
    """An ERROR of pytest's."""
    raise SystemAtFault(f"the test system is at fault: {text}", pytrace=False) from None


def reasons(result: RunResult) -> str:
    """Why the verdict is what it is: the reasons that led to it, then the lesser ones that were no pass."""
    worst = result.verdict
    found = [(kind, reason) for endpoint in result.endpoints for kind, reason in _reasons(endpoint)]
    doubts = [(kind, reason) for kind, reason in found if reason.verdict is not Verdict.PASS]
    ordered = sorted(doubts, key=lambda one: one[1].verdict, reverse=True)
    lines = [
        f"{kind}: {reason.text}" if reason.verdict is worst else f"{kind}, {reason.verdict}: {reason.text}"
        for kind, reason in ordered
    ]
    return "\n".join(lines) or "no byte came back from the card, so nothing was judged"


def _reasons(endpoint: EndpointResult) -> Iterable[tuple[str, Reason]]:
    for step in endpoint.steps:
        yield from ((step.kind, reason) for reason in step.reasons)
    yield from (("slot", reason) for reason in endpoint.reasons)


def verdict_of(error: LaneproofError) -> Verdict | None:
    """What an error that a test met on its card accuses; None leaves it to pytest, as a mistake of the test's own."""
    if isinstance(error, DeviceLost):
        return Verdict.FAIL if error.link_evidence else Verdict.INCONC
    if isinstance(error, TimeoutError):
        return Verdict.FAIL
    return Verdict.ERROR if isinstance(error, _TEST_SYSTEM) else None


def met_at(error: LaneproofError, file: str) -> str:
    """The error in one line, with the line of the test that met it."""
    evidence = error.link_evidence if isinstance(error, DeviceLost) else ""
    text = f"{error}. The link went down: {evidence}" if evidence else str(error)
    lines = [frame.lineno for frame in traceback.extract_tb(error.__traceback__) if frame.filename == file]
    return f"{text} (line {lines[-1]})" if lines else text
