"""`laneproof guide`: the users' pages, as they are shipped."""

from __future__ import annotations

import argparse
from importlib.resources import files
from typing import Any

from laneproof.errors import BadInput


def add_to(verbs: Any) -> None:
    parser: argparse.ArgumentParser = verbs.add_parser(
        "guide", help="show a page of the guide; without PAGE, list them"
    )
    parser.add_argument("page", nargs="?", metavar="PAGE")
    parser.set_defaults(call=call)


def call(chosen: argparse.Namespace) -> int:
    folder = files("laneproof.guide")
    pages = {entry.name.removesuffix(".md"): entry for entry in folder.iterdir() if entry.name.endswith(".md")}
    if chosen.page is None:
        for name, entry in sorted(pages.items()):
            print(f"{name:12} {entry.read_text('utf-8').splitlines()[0].lstrip('# ')}")
        return 0
    if chosen.page not in pages:
        raise BadInput(f'there is no page "{chosen.page}"; there are: {", ".join(sorted(pages))}')
    print(pages[chosen.page].read_text("utf-8"), end="")
    return 0
