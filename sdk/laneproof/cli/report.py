"""`laneproof report`: the HTML report of a ledger."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from laneproof.campaign.ledger import read_ledger
from laneproof.cli.files import write_whole
from laneproof.insight.report import render_html


def add_to(verbs: Any) -> None:
    parser: argparse.ArgumentParser = verbs.add_parser("report", help="write the report of a ledger")
    parser.add_argument("ledger", type=Path, metavar="LEDGER")
    parser.add_argument("--output", type=Path, metavar="FILE", help="where to write it; - is standard output")
    parser.set_defaults(call=call)


def call(chosen: argparse.Namespace) -> int:
    result = read_ledger(chosen.ledger)
    output: Path = chosen.output if chosen.output is not None else chosen.ledger.with_suffix(".html")
    write_whole(output, render_html(result), "report")
    if str(output) != "-":
        print(output)
    return 0
