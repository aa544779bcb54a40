"""A report as Markdown, short enough for an issue tracker: verdict, reasons, claims, link, errors, damage.

Text from outside can neither format, nor link, nor call anybody by name there.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from laneproof.campaign.ledger import read_ledger
from laneproof.campaign.results import EndpointResult, RunResult
from laneproof.documents import printable
from laneproof.errors import StorageFault
from laneproof.insight import report_rows as rows
from laneproof.insight.diagnosis import Diagnosis, diagnose_run
from laneproof.insight.report_identity import identify

_MARKUP = re.compile(r"([\\`*_{}\[\]<>!|~$&]|^[-+=:#]|^[0-9]+(?=[.)]))")
_CALLS = re.compile(r"(@|#|://|www\.|\bGH-)")
_ZERO_WIDTH_SPACE = "\u200b"
_MOST_LETTERS = 500
_MOST_REASONS = 12


def report_markdown(ledger: Path) -> str:
    """The document. Raises StorageFault for what is no ledger, or one that somebody has changed."""
    result = read_ledger(ledger)
    try:
        return "\n".join(_lines(result)) + "\n"
    except (LookupError, TypeError, ValueError, AttributeError) as error:
        raise StorageFault(f"no report can be made of this ledger; was it changed? ({error})") from error


def _lines(result: RunResult) -> Iterator[str]:
    identity = identify(result)
    if identity.mark:
        yield f"<!-- {identity.mark} -->"
    yield f"# Verdict: {result.verdict}"
    yield ""
    yield (
        f"Report {identity.number}, issue {identity.issue}, laneproof {_text(identity.version)}. "
        f"Plan {_text(result.plan['name'])}, begun {_text(result.started_utc)}. It relates only to the items tested."
    )
    for told in identity.replaced:
        yield ""
        yield f"Issue {told.issue + 1} is in place of issue {told.issue}: {_text(told.reason)}"
    for caveat in result.environment.get("caveats", [])[:1]:
        yield ""
        yield f"**{_text(caveat)}**"
    yield ""
    yield from _table(
        ["Endpoint", "Verdict", "Data, end to end", "Link errors"],
        [
            [one.name, str(one.verdict), rows.claim(one).said, "; ".join(rows.errors_said(one)) or "not read"]
            for one in result.endpoints
        ],
    )
    diagnosed = diagnose_run(result)
    for endpoint, diagnosis in zip(result.endpoints, diagnosed.endpoints, strict=True):
        yield from _endpoint(endpoint, diagnosis)
    yield from (f"{_text(one.text)}\n" for one in diagnosed.shared)
    yield "## Not claimed, not tested"
    yield ""
    yield from (f"- {_text(text)}" for text in (*rows.not_claimed(result), *rows.not_tested(result)))


def _endpoint(endpoint: EndpointResult, diagnosis: Diagnosis) -> Iterator[str]:
    yield f"## {_text(endpoint.name)}: {endpoint.verdict}"
    yield ""
    if diagnosis.answers or diagnosis.not_explained:
        yield f"**Diagnosis:** {_text(diagnosis.headline)}"
        yield ""
    if diagnosis.top is not None:
        top = diagnosis.top
        yield f"- For it: {_text('; '.join(top.evidence_for) or 'nothing')}"
        yield f"- Against it: {_text('; '.join(top.evidence_against) or 'nothing')}"
        if top.next_experiment is not None:
            yield f"- Next step: {_text(top.next_experiment.does)} Then: {_text(top.next_experiment.asks)}"
        yield ""
    reasons = [("", reason) for reason in endpoint.reasons]
    reasons += [(f"{step.kind}: ", reason) for step in endpoint.steps for reason in step.reasons]
    reasons.sort(key=lambda told: -told[1].verdict)
    yield from (f"- **{reason.verdict}** {_text(step + reason.text)}" for step, reason in reasons[:_MOST_REASONS])
    if len(reasons) > _MOST_REASONS:
        yield f"- and {len(reasons) - _MOST_REASONS} more, none worse"
    yield ""
    errors = [(step.kind, row) for step in endpoint.steps for row in rows.error_rows(step)]
    if errors:
        yield from _table(
            ["Step", "Error", "Layer", "Severity", "Near end", "Far end"],
            [
                [kind, row["name"], row["layer"], row["severity"]]
                + [rows.counted(row.get(end)) for end in ("near", "far")]
                for kind, row in errors
            ],
        )
    damaged = [(step.kind, step.measures["damage"]) for step in endpoint.steps if step.measures.get("damage")]
    if damaged:
        yield from _table(
            ["Step", "Wrong blocks", "Examined", "Wrong bytes", "What stood there"],
            [
                [
                    kind,
                    str(damage["blocks_damaged"]),
                    str(damage["blocks_examined"]),
                    str(damage["wrong_bytes"]),
                    ", ".join(f"{what} {n}" for what, n in damage["by_kind"].items()),
                ]
                for kind, damage in damaged
            ],
        )


def _table(headings: Sequence[str], cells: Sequence[Sequence[str]]) -> Iterator[str]:
    yield f"| {' | '.join(headings)} |"
    yield f"|{' --- |' * len(headings)}"
    yield from (f"| {' | '.join(map(_text, row))} |" for row in cells)
    yield ""


def _text(text: object) -> str:
    """One line that is shown as it is by whoever renders Markdown."""
    plain = printable(" ".join(str(text).split()), most=_MOST_LETTERS)
    return _CALLS.sub(rf"\1{_ZERO_WIDTH_SPACE}", _MARKUP.sub(_shown_as_it_is, plain))


def _shown_as_it_is(found: re.Match[str]) -> str:
    """Digits cannot be escaped, but the sign behind them that would make a list of them can be kept off."""
    return f"{found[1]}{_ZERO_WIDTH_SPACE}" if found[1][0].isdigit() else f"\\{found[1]}"
