"""Reads TOML documents (plans, scenarios) and options strictly into attrs classes.

Every error is one line that names the file, the key or line, and the remedy. A field's type says its unit: `Size`,
`Seconds`, `SpeedGtps`, `Rate` and `Share` are numbers inside and quantities with a unit in a document.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, Literal, NewType, TypeVar, cast, get_args, get_origin

import attrs

from laneproof import units
from laneproof.errors import BadInput, LaneproofError

Size = NewType("Size", int)
"""Bytes; "64 MiB" in a document."""
Seconds = NewType("Seconds", float)
"""Seconds; "30 s" in a document."""
SpeedGtps = NewType("SpeedGtps", float)
"""Giga-transfers per second and lane; "8 GT/s" in a document."""
Rate = NewType("Rate", float)
"""Bytes per second; "950 MB/s" in a document."""
Share = NewType("Share", float)
"""A fraction of one; "80 %" in a document."""

_LARGEST_DOCUMENT = 1 << 20
_T = TypeVar("_T")


def read_toml(path: Path, what: str) -> dict[str, Any]:
    """The table in a TOML file. `what` names the kind of document in errors ("plan", "scenario").

    Raises BadInput for a file that is missing, not a file, not permitted, too large, not UTF-8 or not TOML.
    """
    shown = printable(str(path))
    try:
        with path.open("rb") as file:
            data = file.read(_LARGEST_DOCUMENT + 1)
    except (OSError, ValueError) as error:  # ValueError: a path with a null character
        why = error.strerror if isinstance(error, OSError) else error
        raise BadInput(f"{what} {shown}: {why}; give the path of a TOML file") from None
    if len(data) > _LARGEST_DOCUMENT:
        raise BadInput(f"{what} {shown}: larger than 1 MiB; this is no {what}")
    try:
        return tomllib.loads(data.decode("utf-8"))
    except UnicodeDecodeError:
        raise BadInput(f"{what} {shown}: not text in UTF-8; give a TOML file") from None
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        raise BadInput(f"{what} {shown}: not valid TOML: {printable(str(error))}") from None


def structure(
    data: dict[str, Any], kind: type[_T], where: str, hooks: Iterable[tuple[Any, Callable[..., Any]]] = ()
) -> _T:
    """Turn a table into an instance of the attrs class `kind`, strictly.

    `where` names the document in errors. `hooks` are (type, function of value and type) for fields that need more
    than their type, a union chosen by a key, say. Raises BadInput with the first thing that is wrong.
    """
    return _structure(data, kind, where, hooks, _DOCUMENT_HOOKS)


def structure_text(data: dict[str, str], kind: type[_T], where: str) -> _T:
    """The same for options that arrive as text, from a URI: "yes", "4096", "64 KiB" are read by the field's type."""
    return _structure(data, kind, where, (), _TEXT_HOOKS)


def _structure(
    data: Any,
    kind: type[_T],
    where: str,
    hooks: Iterable[tuple[Any, Callable[..., Any]]],
    scalars: dict[Any, Callable[[Any, Any], Any]],
) -> _T:
    import cattrs  # takes a while, and is not needed to import laneproof

    converter = cattrs.Converter(forbid_extra_keys=True)
    for target, hook in (*_QUANTITY_HOOKS.items(), *scalars.items()):
        converter.register_structure_hook(target, hook)
    factories: tuple[tuple[Callable[[Any], bool], Callable[[Any], Callable[[Any, Any], Any]]], ...] = (
        (attrs.has, lambda wanted: _table_hook(converter, wanted)),
        (_is(tuple), lambda wanted: _sequence_hook(converter, wanted)),
        (_is(Literal), lambda _: _choice),
    )
    for fits, factory in factories:
        converter.register_structure_hook_factory(fits, factory)
    for target, hook in hooks:
        converter.register_structure_hook(target, hook)
    try:
        return converter.structure(data, kind)
    except Exception as error:
        raise BadInput(f"{where}: {_first_problem(error)}") from None


def _is(generic: Any) -> Callable[[Any], bool]:
    return lambda wanted: get_origin(wanted) is generic


def _choice(value: Any, wanted: Any) -> Any:
    if value not in get_args(wanted):
        raise BadInput(f"{_shown(value)} is not one of {', '.join(get_args(wanted))}")
    return value


def _table_hook(converter: Any, wanted: Any) -> Callable[[Any, Any], Any]:
    from cattrs.gen import make_dict_structure_fn

    fill = make_dict_structure_fn(wanted, converter, _cattrs_forbid_extra_keys=True)

    def hook(value: Any, _: Any) -> Any:
        if not isinstance(value, dict):
            raise BadInput(f"{_shown(value)} is not a table; write name = value pairs")
        return fill(cast("dict[str, Any]", value), wanted)

    return hook


class _WrongItem(Exception):
    """What is wrong with one item of a list."""

    def __init__(self, index: int, cause: Exception) -> None:
        super().__init__(index, cause)
        self.index = index
        self.cause = cause


def _sequence_hook(converter: Any, wanted: Any) -> Callable[[Any, Any], Any]:
    item = wanted.__args__[0]

    def hook(value: Any, _: Any) -> tuple[Any, ...]:
        if not isinstance(value, list):
            raise BadInput(f"{_shown(value)} is not a list; write [ … ]")
        items: list[Any] = []
        for index, entry in enumerate(cast("list[Any]", value)):
            try:
                items.append(converter.structure(entry, item))
            except Exception as error:
                raise _WrongItem(index, error) from error
        return tuple(items)

    return hook


def _first_problem(error: BaseException) -> str:
    """The key and the cause of the first problem that cattrs collected."""
    import cattrs

    path = ""
    while isinstance(error, cattrs.BaseValidationError | _WrongItem):
        if isinstance(error, _WrongItem):
            path += f"[{error.index}]"
            error = error.cause
            continue
        error = error.exceptions[0]
        for note in getattr(error, "__notes__", []):
            if isinstance(note, cattrs.AttributeValidationNote):
                path += f".{note.name}" if path else note.name
    return f"{path}: {_cause(error)}" if path else _cause(error)


def _cause(error: BaseException) -> str:
    import cattrs

    if isinstance(error, cattrs.ForbiddenExtraKeysError):
        known = ", ".join(field.name for field in attrs.fields(error.cl)) or "none"
        unknown = ", ".join(f'"{printable(str(name))}"' for name in sorted(error.extra_fields))
        return f"unknown key {unknown}; known here: {known}"
    if isinstance(error, KeyError):
        return "is missing; add it"
    if isinstance(error, LaneproofError | ValueError | TypeError):
        return printable(str(error.args[0] if error.args else error))
    return f"{type(error).__name__}: {printable(str(error))}"


def printable(text: str) -> str:
    """Text from outside, fit for one line of an error: at most 300 characters, those that do not print replaced."""
    return "".join(letter if letter.isprintable() else "�" for letter in text)[:300]


def _shown(value: Any) -> str:
    return printable(f'"{value}"' if isinstance(value, str) else str(value))


def _quantity(parse: Callable[[str], Any], example: str) -> Callable[[Any, Any], Any]:
    def hook(value: Any, _: Any) -> Any:
        if not isinstance(value, str):
            raise BadInput(f'{_shown(value)} has no unit; write for example "{example}"')
        return parse(value)

    return hook


def _exactly(kinds: tuple[type, ...], called: str) -> Callable[[Any, Any], Any]:
    def hook(value: Any, wanted: Any) -> Any:
        if not isinstance(value, kinds) or (isinstance(value, bool) and bool not in kinds):
            raise BadInput(f"{_shown(value)} is not {called}")
        return _finite(wanted(value))

    return hook


def _read_bool(value: Any, _: Any) -> bool:
    words = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}
    if str(value).lower() not in words:
        raise BadInput(f"{_shown(value)} is neither yes nor no")
    return words[str(value).lower()]


def _number_from_text(kind: type[int] | type[float], called: str) -> Callable[[Any, Any], Any]:
    def hook(value: Any, _: Any) -> Any:
        try:
            number = kind(value)
        except ValueError:
            raise BadInput(f"{_shown(value)} is not {called}") from None
        return _finite(number)

    return hook


def _finite(value: Any) -> Any:
    """TOML and Python both read "nan" and "inf", which no comparison with a limit catches."""
    if isinstance(value, float) and not math.isfinite(value):
        raise BadInput(f"{value} is not a finite number")
    return value


_QUANTITY_HOOKS: dict[Any, Callable[[Any, Any], Any]] = {
    Size: _quantity(units.parse_bytes, "64 MiB"),
    Seconds: _quantity(units.parse_seconds, "30 s"),
    SpeedGtps: _quantity(units.parse_speed_gtps, "8 GT/s"),
    Rate: _quantity(units.parse_bytes_per_s, "950 MB/s"),
    Share: _quantity(units.parse_fraction, "80 %"),
}
_DOCUMENT_HOOKS: dict[Any, Callable[[Any, Any], Any]] = {
    int: _exactly((int,), "a whole number"),
    float: _exactly((int, float), "a number"),
    bool: _exactly((bool,), "true or false"),
    str: _exactly((str,), "text in quotes"),
}
_TEXT_HOOKS: dict[Any, Callable[[Any, Any], Any]] = {
    int: _number_from_text(int, "a whole number"),
    float: _number_from_text(float, "a number"),
    bool: _read_bool,
}
