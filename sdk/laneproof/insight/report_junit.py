"""A report as JUnit XML, for what shows the results of tests: an endpoint is a suite, a step a case.

The form is the one that continuous integration reads in common; no body publishes it. `fail` is a failure. `inconc` and
`none` are errors like `error` itself, with their own word as the type: no case of them may count as passed or left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from xml.etree import ElementTree as Xml

from laneproof.campaign.ledger import read_ledger
from laneproof.campaign.results import EndpointResult, Reason, RunResult
from laneproof.campaign.verdict import Verdict
from laneproof.documents import printable
from laneproof.errors import StorageFault
from laneproof.insight.report_identity import Identity, identify
from laneproof.insight.report_rows import claim

_OWN_CASE = "endpoint"
"""The case of what was said of an endpoint beside its steps."""


def report_junit(ledger: Path) -> str:
    """The document. Raises StorageFault for what is no ledger, or one that somebody has changed."""
    result = read_ledger(ledger)
    identity = identify(result)
    try:
        suites = [_suite(number, endpoint, result, identity) for number, endpoint in enumerate(result.endpoints)]
    except (LookupError, TypeError, ValueError, AttributeError) as error:
        raise StorageFault(f"no report can be made of this ledger; was it changed? ({error})") from error
    root = Xml.Element("testsuites")
    root.extend(suites)
    Xml.indent(root)
    mark = f"<!-- {identity.mark} -->\n" if identity.mark else ""
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{mark}{Xml.tostring(root, encoding="unicode")}\n'


def _suite(number: int, endpoint: EndpointResult, result: RunResult, identity: Identity) -> Xml.Element:
    cases: list[tuple[str, float, Sequence[Reason], Verdict]] = [
        (
            f"{step.position + 1} {step.kind}",
            step.finished_s - step.started_s,
            step.reasons,
            step.verdict,
        )
        for step in endpoint.steps
    ]
    own = max((reason.verdict for reason in endpoint.reasons), default=None)
    if own is not None or endpoint.verdict is Verdict.NONE:
        cases.append((_OWN_CASE, 0.0, endpoint.reasons, endpoint.verdict if own is None else own))
    suite = Xml.Element(
        "testsuite",
        id=str(number),
        package="laneproof",
        name=_text(endpoint.name),
        timestamp=result.started_utc[:19],
        hostname=_text(result.environment.get("host") or "unknown"),
        tests=str(len(cases)),
        failures=str(sum(verdict is Verdict.FAIL for *_, verdict in cases)),
        errors=str(sum(verdict not in (Verdict.PASS, Verdict.FAIL) for *_, verdict in cases)),
        time=f"{sum(seconds for _, seconds, *_ in cases):.3f}",
    )
    properties = Xml.SubElement(suite, "properties")
    about = {
        "report": str(identity),
        "verdict": str(endpoint.verdict),
        "uri": endpoint.uri,
        "simulated": str(not endpoint.physical).lower(),
        "claim": claim(endpoint).said,
        "relates to": "the items tested only",
    }
    for name, value in about.items():
        Xml.SubElement(properties, "property", name=name, value=_text(value))
    for name, seconds, reasons, verdict in cases:
        case = Xml.SubElement(
            suite, "testcase", name=_text(name), classname=_text(endpoint.name), time=f"{seconds:.3f}"
        )
        if verdict is not Verdict.PASS:
            told = [reason.text for reason in reasons if reason.verdict is verdict] or ["nothing was judged"]
            tag = "failure" if verdict is Verdict.FAIL else "error"
            Xml.SubElement(case, tag, type=str(verdict), message=_text(told[0])).text = _text(
                "\n".join(f"{reason.verdict}: {reason.text}" for reason in reasons)
            )
    Xml.SubElement(suite, "system-out").text = ""
    Xml.SubElement(suite, "system-err").text = ""
    return suite


def _text(text: object) -> str:
    """Without what XML 1.0 has no place for."""
    return printable(str(text), keep="\n", most=None)
