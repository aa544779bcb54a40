"""Which report this is: its number, its issue, the ledger rows that it was made from, and whether they still agree.

A number is that of the run, so that every document made of it names the same. An issue is what `reissue` declares, with
its reason, as an amendment in the ledger. Nothing here makes a document.
"""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path

from attrs import frozen

import laneproof
from laneproof.campaign.ledger import amend, read_ledger
from laneproof.campaign.ledger.log import entries, reading
from laneproof.campaign.ledger.replay import Chain
from laneproof.campaign.ledger.schema import LEDGER_VERSION
from laneproof.campaign.results import RunResult, Seal
from laneproof.errors import BadInput, StorageFault

_NUMBER_DIGITS = 12
"""Hexadecimal: among a million runs one in 500 million pairs shares a number by chance."""
_READ_BYTES = 64 << 20
_MARK = re.compile(rb"laneproof-ledger version=(\S{1,40}) entries=([0-9]{1,15}) head=([0-9a-f]{64})")
_REISSUE = re.compile(
    r"Report (LP-[0-9a-f]{12}) is issued again as issue ([0-9]{1,6}), in place of issue [0-9]{1,6} "
    r"\(([0-9]{1,15}) entries, digest ([0-9a-f]{64})\): (.+)",
    re.DOTALL,
)


@frozen(kw_only=True)
class Replaced:
    """The issue before, and why there is another one."""

    issue: int
    entries: int
    head: str
    utc: str
    reason: str


@frozen(kw_only=True)
class Identity:
    """`seal` is None for a ledger of an earlier version, whose report cannot be checked."""

    number: str
    issue: int = 1
    replaced: tuple[Replaced, ...] = ()
    seal: Seal | None = None
    version: str = laneproof.__version__

    @property
    def mark(self) -> str:
        """What every format carries, and `check` looks for; empty without a seal."""
        if self.seal is None:
            return ""
        return f"laneproof-ledger version={self.version} entries={self.seal.entries} head={self.seal.head}"

    def __str__(self) -> str:
        return f"{self.number}, issue {self.issue}"


@frozen(kw_only=True)
class Agreement:
    """Whether a report and a ledger agree, and a sentence that says in what."""

    agrees: bool
    said: str
    unchanged_since: bool = False
    """The ledger holds no more than then, and the version is the same: made again, the report has the same text."""


def identify(result: RunResult) -> Identity:
    """Number and issue of a run's report."""
    first = result.segments[0].environment if result.segments else result.environment
    about = json.dumps([result.started_utc, dict(first), dict(result.plan)], sort_keys=True)
    number = f"LP-{hashlib.sha256(about.encode()).hexdigest()[:_NUMBER_DIGITS]}"
    replaced: list[Replaced] = []
    for one in result.amendments:
        found = _REISSUE.fullmatch(one.text)
        if found and found[1] == number and int(found[2]) == len(replaced) + 2:
            replaced.append(
                Replaced(
                    issue=len(replaced) + 1,
                    entries=int(found[3]),
                    head=found[4],
                    utc=one.utc,
                    reason=found[5],
                )
            )
    return Identity(number=number, issue=len(replaced) + 1, replaced=tuple(replaced), seal=result.seal)


def reissue(ledger: Path, reason: str, *, by: str | None = None) -> Identity:
    """Declare another issue of a run's report, and why; it stands in the ledger as an amendment.

    Raises BadInput for a reason that cannot be used, StorageFault for what is no ledger, or one that was changed.
    """
    result = read_ledger(ledger)
    now = identify(result)
    if now.seal is None:
        raise StorageFault(f"ledger {ledger} is of an earlier version: nothing can be added to it")
    if now.seal.broken_at is not None:
        raise StorageFault(f"ledger {ledger}: entry {now.seal.broken_at} was changed; no report is issued of it again")
    if not reason.strip():
        raise BadInput("--reissue needs a reason: what was wrong or missing in the issue before")
    text = (
        f"Report {now.number} is issued again as issue {now.issue + 1}, in place of issue {now.issue} "
        f"({now.seal.entries} entries, digest {now.seal.head}): {reason.strip()}"
    )
    amend(ledger, text, by=by)
    return identify(read_ledger(ledger))


def check(report: Path, ledger: Path) -> Agreement:
    """Whether the rows that `report` was made from stand in `ledger` as they did then.

    Raises BadInput for a file that carries no digest, StorageFault for what is no ledger, or one without a chain.
    """
    version, count, head = _mark_in(report)
    with reading(ledger) as (database, ledger_version):
        if ledger_version != LEDGER_VERSION:
            raise StorageFault(f"ledger {ledger} has version {ledger_version}, whose rows are not chained")
        chain, then = Chain(), None
        for number, entry, digest in entries(database):
            chain = chain.with_next(number, entry, digest)
            if chain.count == count:
                then = chain
    made = f"made by laneproof {version} from {count} entries"
    if then is None:
        said = (
            f"do not agree: the report was {made}, the ledger holds {chain.count}; entries are gone, or it is another's"
        )
        return Agreement(agrees=False, said=said)
    if then.head.hex() != head:
        said = f"do not agree: the report was {made} whose digest is {head}, the ledger's is {then.head.hex()}"
        return Agreement(agrees=False, said=said)
    if then.broken_at is not None:
        return Agreement(agrees=False, said=f"do not agree: entry {then.broken_at} of the ledger was changed")
    later = chain.count - count
    added = (
        f"; {later} {'entry was' if later == 1 else 'entries were'} added since, which it does not tell"
        if later
        else ""
    )
    broken = f"; entry {chain.broken_at}, added since, was changed" if chain.broken_at is not None else ""
    return Agreement(
        agrees=True,
        said=f"agree: the report was {made}, and they stand as they did{added}{broken}",
        unchanged_since=not later and version == laneproof.__version__,
    )


def _mark_in(report: Path) -> tuple[str, int, str]:
    try:
        with report.open("rb") as file:
            found = _MARK.search(file.read(_READ_BYTES))
    except OSError as error:
        raise BadInput(f"--check {report}: {error.strerror or error}; name a report that laneproof wrote") from error
    if found is None:
        raise BadInput(
            f"--check {report}: carries no digest of a ledger; name a report of this or a later version of laneproof"
        )
    return found[1].decode("ascii", "replace"), int(found[2]), found[3].decode("ascii")
