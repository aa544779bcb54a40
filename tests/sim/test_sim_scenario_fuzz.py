"""Scenarios that are anything but one: each is refused in one clear line, and reading it opens and writes nothing."""

from __future__ import annotations

import copy
import datetime
import sys
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from typing import Any

import cattrs  # noqa: F401, imported by the reader when it is first needed
from hypothesis import example, given, settings
from hypothesis import strategies as st
from test_sim_schema import SCHEMA, allows

from laneproof.documents import parse_toml
from laneproof.errors import BadInput
from laneproof_sim.faults import CATALOGUE, IN_SWITCHES
from laneproof_sim.scenario import Scenario
from laneproof_sim.scenario_file import read_scenario, shipped

BENCHES = [tomllib.loads(files("laneproof_sim").joinpath("benches", f"{name}.toml").read_text()) for name in shipped()]
WHERE = "mine.toml"
KEYS = sorted({key for table in SCHEMA["definitions"].values() for key in table["properties"]} | {"truth", "path"})
PATHS = ["/etc/passwd", "/dev/zero", "../../x", "file:///etc/passwd", "~/x", "sim:demo", "$(id)", "{{x}}", "${HOME}"]
# Few letters, so that no table of all of Unicode is needed; among them all that could break a line or a terminal.
LETTERS = "aZ0 -._/%#=\"'\\{}[]\n\r\t\x00\x1b\x85\u2028\u202eé١😀"
QUANTITIES = ["64 B", "4 KiB", "0 B", "-1 B", "1e300 B", "1.5 B", "8 GT/s", "30 s", "1e9999 s", "64", "١ B", "", " "]
scalars = st.one_of(
    st.sampled_from(PATHS + QUANTITIES + [fault.kind for fault in CATALOGUE]),
    st.text(LETTERS, max_size=500),
    st.integers(-(2**70), 2**70),
    st.sampled_from([0, 1, 8, 10**400]),
    st.floats(),
    st.booleans(),
    st.just(datetime.datetime(2001, 1, 1)),
)
values = st.recursive(
    scalars,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(st.one_of(st.sampled_from(KEYS), st.text(LETTERS, max_size=20)), inner, max_size=4),
    ),
    max_leaves=8,
)


@st.composite
def mutated(draw: st.DrawFn) -> dict[str, Any]:
    """A bench that ships, with a few places changed, taken out or added, and a fault in its first slot or a switch."""
    table: Any = copy.deepcopy(draw(st.sampled_from(BENCHES)))
    fault = {"kind": draw(st.sampled_from([*CATALOGUE, *IN_SWITCHES])).kind}
    for key in draw(st.lists(st.sampled_from([*SCHEMA["definitions"][fault["kind"]]["properties"]]), max_size=4)):
        fault[key] = draw(values)
    if draw(st.booleans()):
        when = st.dictionaries(st.sampled_from([*SCHEMA["definitions"]["when"]["properties"]]), scalars, max_size=3)
        fault["when"] = draw(when)
    if draw(st.booleans()):
        owner = draw(st.sampled_from([table["slot"][0], *table.get("switch", [])]))
        owner["fault"] = [fault]
    for _ in range(draw(st.integers(0, 3))):
        place = table
        while True:
            inside = place.values() if isinstance(place, dict) else place
            deeper = [one for one in inside if isinstance(one, dict | list) and one]
            if not deeper or draw(st.booleans()):
                break
            place = draw(st.sampled_from(deeper))
        known = sorted(place, key=str) if isinstance(place, dict) else list(range(len(place)))
        if isinstance(place, dict) and draw(st.booleans()):
            place[draw(st.sampled_from(KEYS))] = draw(values)
        elif known and draw(st.booleans()):
            place[draw(st.sampled_from(known))] = draw(values)
        elif known:
            del place[draw(st.sampled_from(known))]
    return table


_WATCHED: list[str] | None = None
_TOUCHING = ("open", "os", "shutil", "socket", "subprocess", "ctypes", "glob")


def _audit(event: str, arguments: tuple) -> None:
    if _WATCHED is not None and event.split(".")[0] in _TOUCHING:
        _WATCHED.append(f"{event} {arguments}")


sys.addaudithook(_audit)


@contextmanager
def nothing_touched() -> Iterator[None]:
    """Holds that no file is opened, nothing written, nothing started inside."""
    global _WATCHED
    _WATCHED = []
    try:
        yield
        assert _WATCHED == []
    finally:
        _WATCHED = None


def read(table: dict[str, Any] | bytes) -> Scenario | None:
    """The scenario, or None where it is refused as it should be."""
    with nothing_touched():
        try:
            return read_scenario(parse_toml(table, WHERE) if isinstance(table, bytes) else table, WHERE)
        except BadInput as error:
            message = str(error)
    assert message.startswith(f"{WHERE}: ")
    assert message.isprintable()
    assert len(message) < 1500
    return None


def test_every_shipped_bench_is_read_without_touching_anything():
    assert all(read(copy.deepcopy(table)) for table in BENCHES)


@given(table=mutated())
@settings(max_examples=200, deadline=None)
def test_a_bench_that_was_tampered_with_is_read_or_refused_in_one_line(table):
    if read(table) is not None:
        assert allows(SCHEMA, table)  # nothing that the schema refuses is taken


@given(
    table=st.dictionaries(st.one_of(st.sampled_from(["schema", "slot", "name"]), st.text(LETTERS, max_size=9)), values)
)
@settings(max_examples=100, deadline=None)
def test_a_table_of_anything_is_refused_in_one_line(table):
    assert read({**table, "schema": 1}) is None


@given(data=st.one_of(st.binary(max_size=300), st.text(LETTERS, max_size=300).map(str.encode)))
@example(b"schema = 1\nslot = [1, {name = {}}]")
@example(b"[[slot]]\n" * 1000)
@settings(max_examples=100, deadline=None)
def test_bytes_of_any_kind_are_refused_in_one_line(data):
    assert read(data) is None
