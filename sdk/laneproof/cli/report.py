"""`laneproof report`: the HTML report of a ledger."""

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


def add_to(verbs: Any) -> None:
    parser: argparse.ArgumentParser = verbs.add_parser("report", help="write the report of a ledger")
    parser.add_argument("ledger", type=Path, metavar="LEDGER")
    parser.add_argument("--output", type=Path, metavar="FILE", help="where to write it; - is standard output")
    parser.set_defaults(call=call)


def call(chosen: argparse.Namespace) -> int:
    result = read_ledger(chosen.ledger)
    output: Path = chosen.output if chosen.output is not None else report_beside(chosen.ledger)
    with suppress(OSError):  # not there yet; what else is wrong shows when it is written
        if output.samefile(chosen.ledger):
            raise BadInput(f"--output {output}: that is the ledger; name another file")
    write_whole(output, render_html(result), "report")
    if str(output) != "-":
        print(one_line(str(output)))
    return 0
