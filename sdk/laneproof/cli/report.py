"""`laneproof report`: the report of a ledger in one of its formats, its tables, another issue; whether both agree."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from laneproof.cli.files import report_beside, write_whole
from laneproof.cli.words import one_line
from laneproof.errors import BadInput
from laneproof.insight.report import report_html
from laneproof.insight.report_document import report_json, report_schema
from laneproof.insight.report_identity import reissue
from laneproof.insight.report_junit import report_junit
from laneproof.insight.report_markdown import report_markdown
from laneproof.insight.tables import write_tables

FORMATS: dict[str, Callable[[Path], str]] = {
    "html": report_html,
    "markdown": report_markdown,
    "json": report_json,
    "junit": report_junit,
}
SUFFIXES = {".html": "html", ".htm": "html", ".md": "markdown", ".json": "json", ".xml": "junit"}
EXIT_DISAGREE = 1


def add_to(verbs: Any) -> None:
    parser: argparse.ArgumentParser = verbs.add_parser(
        "report", help="write the report of a ledger, or its tables; check one that was written"
    )
    parser.add_argument("ledger", type=Path, nargs="?", metavar="LEDGER")
    parser.add_argument("--output", type=Path, metavar="FILE", help="where to write it; - is standard output")
    parser.add_argument(
        "--format", choices=[*FORMATS, "csv"], help="of what is written; left out, as the output's name ends, else html"
    )
    other = parser.add_mutually_exclusive_group()
    other.add_argument(
        "--tables", type=Path, metavar="FOLDER", help="write its tables there as CSV, in place of the report"
    )
    other.add_argument("--check", type=Path, metavar="REPORT", help="say whether that report and the ledger agree")
    other.add_argument(
        "--reissue", metavar="REASON", help="note in the ledger why there is another issue, and write that"
    )
    other.add_argument("--schema", action="store_true", help="print the JSON Schema of --format json")
    parser.set_defaults(call=call, wrong_use=parser.error)


def call(chosen: argparse.Namespace) -> int:
    if chosen.schema:
        print(report_schema(), end="")
        return 0
    if chosen.ledger is None:
        return chosen.wrong_use("the following arguments are required: LEDGER")
    if chosen.check is not None:
        return _check(chosen.check, chosen.ledger)
    if chosen.tables is not None:
        # A folder of its own, not --output: tables with different columns do not go into one CSV file.
        if chosen.output is not None:
            raise BadInput("--tables writes no report; leave out --output, and make the report by itself")
        for path in write_tables(chosen.ledger, chosen.tables):
            print(one_line(str(path)))
        return 0
    kind = _format(chosen.format, chosen.output)
    output = chosen.output if chosen.output is not None else _beside(chosen.ledger, kind)
    with suppress(OSError):  # not there yet; what else is wrong shows when it is written
        if output.samefile(chosen.ledger):
            raise BadInput(f"--output {output}: that is the ledger; name another file")
    if chosen.reissue is not None:
        FORMATS[kind](chosen.ledger)  # of what no report can be made, none is issued again
        reissue(chosen.ledger, chosen.reissue)
    write_whole(output, FORMATS[kind](chosen.ledger), "report")
    if str(output) != "-":
        print(one_line(str(output)))
    return 0


def _format(asked: str | None, output: Path | None) -> str:
    ending = "" if output is None else output.suffix.lower()
    if asked == "csv" or (asked is None and ending == ".csv"):
        raise BadInput("a report does not fit into one CSV file; `--tables FOLDER` writes one for each of its tables")
    return asked or SUFFIXES.get(ending, "html")


def _beside(ledger: Path, kind: str) -> Path:
    """Where the report lies unless told otherwise."""
    page = report_beside(ledger)
    ending = next(ending for ending, known in SUFFIXES.items() if known == kind)
    if ledger.suffix == ending:
        raise BadInput(f'"{ledger}" cannot be a ledger with its report beside it; give a name such as run.ledger')
    return page.with_suffix(ending)


def _check(report: Path, ledger: Path) -> int:
    from laneproof.insight.report_identity import check

    found = check(report, ledger)
    said, agrees = found.said, found.agrees
    if agrees and found.unchanged_since:
        if any(_is(report, make(ledger)) for make in FORMATS.values()):
            said += "; its text is what this version makes of them"
        else:
            said, agrees = f"{said}; but its text is not what this version makes of them: it was changed", False
    elif agrees:
        said += "; whether its text was changed cannot be told"
    print(one_line(said))
    return 0 if agrees else EXIT_DISAGREE


def _is(report: Path, text: str) -> bool:
    return report.read_bytes() == text.encode()
