"""`laneproof report`: the HTML report of a ledger, or its tables."""

from __future__ import annotations

import argparse
from contextlib import suppress
from pathlib import Path
from typing import Any

from laneproof.campaign.ledger import read_ledger
from laneproof.cli.files import report_beside, write_whole
from laneproof.cli.words import one_line
from laneproof.errors import BadInput
from laneproof.insight.report import render_html
from laneproof.insight.tables import write_tables


def add_to(verbs: Any) -> None:
    parser: argparse.ArgumentParser = verbs.add_parser("report", help="write the report of a ledger, or its tables")
    parser.add_argument("ledger", type=Path, metavar="LEDGER")
    parser.add_argument("--output", type=Path, metavar="FILE", help="where to write it; - is standard output")
    parser.add_argument(
        "--tables", type=Path, metavar="FOLDER", help="write its tables there as CSV, in place of the report"
    )
    parser.set_defaults(call=call)


def call(chosen: argparse.Namespace) -> int:
    if chosen.tables is not None:
        # A folder of its own, not --output: tables with different columns do not go into one CSV file.
        if chosen.output is not None:
            raise BadInput("--tables writes no report; leave out --output, and make the report by itself")
        for path in write_tables(chosen.ledger, chosen.tables):
            print(one_line(str(path)))
        return 0
    result = read_ledger(chosen.ledger)
    output: Path = chosen.output if chosen.output is not None else report_beside(chosen.ledger)
    with suppress(OSError):  # not there yet; what else is wrong shows when it is written
        if output.samefile(chosen.ledger):
            raise BadInput(f"--output {output}: that is the ledger; name another file")
    write_whole(output, render_html(result), "report")
    if str(output) != "-":
        print(one_line(str(output)))
    return 0
