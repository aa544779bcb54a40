"""A report as one JSON document, for programs: `report.schema.json` beside it says what it holds."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path

import attrs

from laneproof.campaign.ledger import read_ledger
from laneproof.campaign.results import Plain, RunResult
from laneproof.campaign.statistics import CONFIDENCE
from laneproof.errors import StorageFault
from laneproof.insight import report_rows as rows
from laneproof.insight.diagnosis import diagnose_run
from laneproof.insight.report_identity import identify

SCHEMA = 1
"""Changes with the document's meaning."""


def report_json(ledger: Path) -> str:
    """The document as text. Raises StorageFault for what is no ledger, or one that somebody has changed."""
    result = read_ledger(ledger)
    try:
        document = report_document(result)
    except (LookupError, TypeError, ValueError, AttributeError) as error:
        raise StorageFault(f"no report can be made of this ledger; was it changed? ({error})") from error
    return json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def report_document(result: RunResult) -> Plain:
    """Plain data. "run" is what `run --json` writes."""
    identity, diagnosed = identify(result), diagnose_run(result).to_dict()
    return {
        "ledger": identity.mark,
        "schema": SCHEMA,
        "report": {
            "number": identity.number,
            "issue": identity.issue,
            "version": identity.version,
            "relates_to": "the items tested only",
            "replaced": [attrs.asdict(one) for one in identity.replaced],
        },
        "verdict": str(result.verdict),
        "claims": [
            {
                "endpoint": endpoint.name,
                "exposure_bits": found.bits,
                "wrong_bits": found.wrong_bits,
                "confidence": CONFIDENCE,
                "upper_bound_per_bit": found.bound,
                "said": found.said,
                "link_errors": rows.errors_said(endpoint),
                "rates": rows.rates_said(endpoint),
            }
            for endpoint in result.endpoints
            for found in (rows.claim(endpoint),)
        ],
        "not_claimed": rows.not_claimed(result),
        "decision_rules": list(rows.DECISION_RULES),
        "not_tested": rows.not_tested(result),
        "diagnoses": diagnosed["endpoints"],
        "shared_mechanisms": diagnosed["shared"],
        "run": result.to_dict(),
    }


def report_schema() -> str:
    """The JSON Schema (draft 2020-12) of the document."""
    return files("laneproof.insight").joinpath("report.schema.json").read_text("utf-8")
