"""Strict TOML: each error is one line with the file, the key and the remedy, and never anything but BadInput."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

import pytest
from attrs import field, frozen, validators
from hypothesis import example, given
from hypothesis import strategies as st

from laneproof.documents import Rate, Seconds, Share, Size, SpeedGtps, read_toml, structure, structure_text
from laneproof.errors import BadInput


@frozen(kw_only=True)
class Part:
    size: Size
    lanes: int = field(default=1, validator=validators.ge(1))


@frozen(kw_only=True)
class Document:
    name: str
    kind: Literal["near", "far"] = "near"
    strict: bool = True
    weight: float = 1.0
    time: Seconds | None = None
    speed: SpeedGtps | None = None
    rate: Rate | None = None
    share: Share = Share(0.5)
    part: tuple[Part, ...] = ()


def read(**values: Any) -> Document:
    return structure({"name": "n"} | values, Document, "plan a.toml")


def problem(**values: Any) -> str:
    with pytest.raises(BadInput) as caught:
        read(**values)
    text = str(caught.value)
    assert text.startswith("plan a.toml: ")
    assert text.isprintable(), "an error is one line"
    return text.removeprefix("plan a.toml: ")


def test_quantities_are_numbers_inside() -> None:
    document = read(
        time="2 ms", speed="16 GT/s", rate="950 MB/s", share="80 %", weight=2, part=[{"size": "1 KiB", "lanes": 4}]
    )
    assert (document.time, document.speed, document.rate) == (pytest.approx(0.002), 16.0, 950e6)
    assert document.share == pytest.approx(0.8)
    assert (document.weight, type(document.weight)) == (2.0, float)
    assert document.part == (Part(size=Size(1024), lanes=4),)


@pytest.mark.parametrize(
    ("values", "where", "remedy"),
    [
        ({"nam": "x"}, 'unknown key "nam"', "known here: name, kind, strict"),
        ({"time": 30}, "time: 30", 'has no unit; write for example "30 s"'),
        ({"time": "30 m"}, 'time: "30 m"', 'write for example "30 s"'),
        ({"speed": "8"}, 'speed: "8"', 'write for example "8 GT/s"'),
        ({"rate": "8 GT/s"}, 'rate: "8 GT/s"', 'write for example "950 MB/s"'),
        ({"share": "120 %"}, 'share: "120 %"', "between 0 % and 100 %"),
        ({"kind": "middle"}, 'kind: "middle"', "one of near, far"),
        ({"kind": ["near"]}, "kind: ", "one of near, far"),
        ({"strict": 1}, "strict: 1", "true or false"),
        ({"strict": "yes"}, 'strict: "yes"', "true or false"),
        ({"name": 3}, "name: 3", "text in quotes"),
        ({"weight": True}, "weight: True", "a number"),
        ({"weight": float("nan")}, "weight: nan", "finite"),
        ({"weight": float("inf")}, "weight: inf", "finite"),
        ({"part": {"size": "1 B"}}, "part: ", "is not a list"),
        ({"part": ["x"]}, 'part[0]: "x"', "is not a table"),
        ({"part": [{"size": "1 B"}, {}]}, "part[1].size", "is missing; add it"),
        ({"part": [{"size": "1 B", "lanes": "4"}]}, 'part[0].lanes: "4"', "a whole number"),
        ({"part": [{"size": "1 B", "lanes": 4.0}]}, "part[0].lanes: 4.0", "a whole number"),
        ({"part": [{"size": "1 B", "lanes": True}]}, "part[0].lanes: True", "a whole number"),
        ({"part": [{"size": "1 B", "lanes": 0}]}, "part[0]: 'lanes'", ">= 1"),
        ({"part": [{"size": "1.5 B"}]}, 'part[0].size: "1.5 B"', "whole number of bytes"),
        ({"part": [{"size": "1 B", "sice": 1}]}, 'part[0]: unknown key "sice"', "known here: size, lanes"),
    ],
)
def test_an_error_names_the_key_and_the_remedy(values: dict[str, Any], where: str, remedy: str) -> None:
    text = problem(**values)
    assert where in text
    assert remedy in text


def test_a_missing_key_is_named() -> None:
    with pytest.raises(BadInput, match=r"^plan a.toml: name: is missing; add it$"):
        structure({}, Document, "plan a.toml")


def test_control_characters_do_not_reach_the_terminal() -> None:
    assert "\x1b" not in problem(kind="\x1b[2Jmiddle\n")
    assert len(problem(kind="x" * 100_000)) < 1000


# --- options in a URI


@frozen(kw_only=True)
class Options:
    chunk: int = 1
    share: float = 0.5
    loud: bool = False
    size: Size = Size(1)


@pytest.mark.parametrize(("word", "value"), [("yes", True), ("TRUE", True), ("1", True), ("no", False), ("0", False)])
def test_text_is_read_by_the_fields_type(word: str, value: bool) -> None:
    options = structure_text({"loud": word, "chunk": "4096", "share": "0.25", "size": "2 KiB"}, Options, "options")
    assert options == Options(loud=value, chunk=4096, share=0.25, size=Size(2048))


@pytest.mark.parametrize("text", ["0x1F", "0X1f", "31"])
def test_a_whole_number_in_a_uri_may_be_in_base_16(text: str) -> None:
    assert structure_text({"chunk": text}, Options, "options").chunk == 31


@pytest.mark.parametrize(
    "given", [{"loud": "maybe"}, {"chunk": "4.0"}, {"chunk": ""}, {"chunk": "0x"}, {"share": "nan"}, {"size": "2"}]
)
def test_text_that_is_none_of_it_is_refused_by_name(given: dict[str, str]) -> None:
    with pytest.raises(BadInput, match=f"^options: {next(iter(given))}: "):
        structure_text(given, Options, "options")


# --- files


def test_a_file_is_read(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_text('name = "ü"\n', encoding="utf-8")
    assert read_toml(path, "plan") == {"name": "ü"}


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"\xff\xfe", "not text in UTF-8"),
        (b"name = ", "not valid TOML"),
        (b'name = "a"\nname = "b"', "not valid TOML"),
        (b"n = " + b"9" * 5000, "not valid TOML"),
        (b"a = " + b"[" * 100_000, "not valid TOML"),
        (b"a = 1\x00", "not valid TOML"),
        (b"#" * (1 << 20) + b"#", "larger than 1 MiB"),
    ],
)
def test_a_file_that_cannot_be_read_is_named(tmp_path: Path, content: bytes, why: str) -> None:
    path = tmp_path / "a.toml"
    path.write_bytes(content)
    with pytest.raises(BadInput, match=f"^plan {path}: {why}") as caught:
        read_toml(path, "plan")
    assert str(caught.value).isprintable()


def test_a_path_that_is_no_file_is_named(tmp_path: Path) -> None:
    for path, why in (
        (tmp_path, "is a folder"),
        (tmp_path / "none.toml", "No such file"),
        (tmp_path / "nu\0ll", "null"),
        (tmp_path / "x" / ("y" * 300), ""),
        (tmp_path / "new\nline", "No such file"),
    ):
        with pytest.raises(BadInput, match=f"^plan .*{why}.*; give the path of a TOML file$") as caught:
            read_toml(path, "plan")
        assert str(caught.value).isprintable()


def test_a_file_that_is_not_permitted_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, os.strerror(13))

    (tmp_path / "a.toml").touch()
    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(BadInput, match="Permission denied; give the path"):
        read_toml(tmp_path / "a.toml", "plan")


# --- anything at all

values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.datetimes(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=8,
)
names = st.sampled_from(["name", "kind", "strict", "weight", "time", "speed", "rate", "share", "part"]) | st.text(
    max_size=5
)


@given(st.dictionaries(names, values, max_size=5))
@example({"name": "n", "part": [{"size": "1e400 B"}]})
@example({"name": "n", "weight": 10**400})
@example({"name": "n", "part": [{"size": "1 B", "lanes": [{}]}]})
def test_any_table_is_a_document_or_bad_input_in_one_line(data: dict[str, Any]) -> None:
    said = refusal(lambda: structure(data, Document, "plan a.toml"))
    assert said == "" or (said.startswith("plan a.toml: ") and said.isprintable())


def refusal(call: Callable[[], object]) -> str:
    """What the call is refused with, empty where it is not. Any other exception fails the test."""
    try:
        call()
    except BadInput as error:
        return str(error)
    return ""


@given(st.binary(max_size=60) | st.text(max_size=60).map(lambda text: text.encode()))
def test_any_file_is_a_table_or_bad_input_in_one_line(content: bytes) -> None:
    path = Path(f"/proc/self/fd/{_held(content)}")
    assert refusal(lambda: read_toml(path, "plan")).isprintable()
    os.close(int(path.name))


def _held(content: bytes) -> int:
    """A descriptor of an unnamed file, so that hundreds of examples leave nothing on a disk."""
    fd = os.memfd_create("document")
    os.write(fd, content)
    os.lseek(fd, 0, os.SEEK_SET)
    return fd
