"""`laneproof survey`: every PCI Express link that this computer, or a recording of one, shows, both ends; read-only."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from laneproof import registry
from laneproof.cli.files import write_whole
from laneproof.cli.survey_text import survey_lines
from laneproof.cli.words import console, one_line
from laneproof.clock import Deadline
from laneproof.contract import Host, RecordingHost
from laneproof.errors import BadInput, NotOffered
from laneproof.insight.host_survey import plain_survey
from laneproof.moving import in_driver

SURVEY_S = 30.0


def add_to(verbs: Any) -> None:
    parser: argparse.ArgumentParser = verbs.add_parser("survey", help="list every link that this computer shows")
    parser.add_argument(
        "--root", type=Path, metavar="DIR|TAR", help="survey a recorded tree, with sys and proc in it, instead"
    )
    parser.add_argument("--record", type=Path, metavar="FILE", help="write what a survey reads to a tar file, instead")
    parser.add_argument("--with-serials", action="store_true", help="leave the cards' serial numbers in the recording")
    parser.add_argument("--json", nargs="?", const=Path("-"), type=Path, metavar="FILE|-", help="write it as JSON")
    parser.set_defaults(call=call)


def call(chosen: argparse.Namespace) -> int:
    if chosen.with_serials and chosen.record is None:
        raise BadInput("--with-serials goes with --record FILE; a survey itself shows no serial numbers")
    if chosen.record is not None and chosen.json is not None:
        raise BadInput("--record and --json are two outputs; record first, then survey the recording with --root")
    with Deadline(SURVEY_S) as deadline, in_driver():
        reader = _reader(chosen.root)
        if chosen.record is not None:
            return _record(reader, chosen, deadline)
        found = reader.survey(deadline)
    if chosen.json is not None:
        text = json.dumps(plain_survey(found), indent=2, ensure_ascii=False, allow_nan=False)
        write_whole(chosen.json, text + "\n", "JSON")
    if chosen.json is None or str(chosen.json) != "-":
        human = console()
        for line in survey_lines(found, human.width):
            human.print(line)
    return 0


def _reader(root: Path | None) -> Host:
    reader = registry.host()
    if root is None:
        return reader
    if not isinstance(reader, RecordingHost):
        raise NotOffered("this host reader reads no recordings; leave out --root")
    return reader.within(root)


def _record(reader: Host, chosen: argparse.Namespace, deadline: Deadline) -> int:
    if not isinstance(reader, RecordingHost):
        raise NotOffered("this host reader makes no recordings; leave out --record")
    recording = reader.record(deadline, with_serials=chosen.with_serials)
    write_whole(chosen.record, recording, "recording")
    if str(chosen.record) != "-":
        kept = "serial numbers are in it" if chosen.with_serials else "no serial numbers are in it"
        console().print(f"recording {one_line(str(chosen.record))}: what a survey reads; {kept}")
    return 0
