"""Reads TOML documents (plans, scenarios) and options strictly into attrs classes.

Every error is one line that names the file, the key or line, and the remedy. A field's type says its unit: `Size`,
`Seconds`, `SpeedGtps`, `Rate`, `Share`, `Watts`, `Volts` and `Celsius` are numbers inside and quantities with a unit in
a document.
"""

from __future__ import annotations

import math
import stat
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from types import MappingProxyType
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
Watts = NewType("Watts", float)
"""Watts; "75 W" in a document."""
Volts = NewType("Volts", float)
"""Volts; "15 mV" in a document."""
Celsius = NewType("Celsius", float)
"""Degrees Celsius; "85 °C" in a document."""

KEY = "key"
"""In a field's metadata: the key that stands for it in a document, where that is not its name."""
_Hook = Callable[[Any, Any], Any]
"""Reads a value as a type."""
_LARGEST_DOCUMENT = 1 << 20
_T = TypeVar("_T")


def read_toml(path: Path, what: str) -> dict[str, Any]:
    """The table in a TOML file. `what` names the kind of document in errors ("plan", "scenario").

    Raises BadInput for a file that is missing, not a file, not permitted, too large, not UTF-8 or not TOML.
    """
    where = f"{what} {printable(str(path))}"
    try:
        if not stat.S_ISREG(path.stat().st_mode):  # before opening: a FIFO might never end
            why = "is a folder" if path.is_dir() else "is no ordinary file"
            raise BadInput(f"{where}: {why}; give the path of a TOML file")
        with path.open("rb") as file:
            data = file.read(_LARGEST_DOCUMENT + 1)
    except OSError as error:
        raise BadInput(f"{where}: {error.strerror}; give the path of a TOML file") from None
    except BadInput:
        raise
    except ValueError as error:  # a path with a null character
        raise BadInput(f"{where}: {error}; give the path of a TOML file") from None
    if len(data) > _LARGEST_DOCUMENT:
        raise BadInput(f"{where}: larger than 1 MiB; this is no {what}")
    return parse_toml(data, where)


def parse_toml(data: bytes, where: str) -> dict[str, Any]:
    """The table in a document of TOML; `where` names it in errors. Raises BadInput for one that is not."""
    try:
        return tomllib.loads(data.decode("utf-8"))
    except UnicodeDecodeError:
        raise BadInput(f"{where}: not text in UTF-8; give a TOML file") from None
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        raise BadInput(f"{where}: not valid TOML: {printable(str(error))}") from None


def structure(
    data: dict[str, Any],
    kind: type[_T],
    where: str,
    *,
    readers: Mapping[Any, Callable[[Any], Any]] = MappingProxyType({}),
    tagged: Mapping[Any, Mapping[str, type]] = MappingProxyType({}),
) -> _T:
    """Turn a table into an instance of the attrs class `kind`, strictly. A field's key is its name, or `metadata[KEY]`.

    `where` names the document in errors. `readers` read types that this module does not know, and raise ValueError
    (BadInput is one). `tagged` are base classes or unions whose tables say by their key "kind" which class they are.
    Raises BadInput with the first thing that is wrong.
    """
    hooks: dict[Any, _Hook] = {
        **_DOCUMENT_HOOKS,
        **{target: lambda value, _, read=read: read(value) for target, read in readers.items()},
    }
    return _structure(data, kind, where, hooks, tagged)


def structure_text(data: dict[str, str], kind: type[_T], where: str) -> _T:
    """The same for options that arrive as text, from a URI: "yes", "4096", "64 KiB" are read by the field's type."""
    return _structure(data, kind, where, _TEXT_HOOKS, {})


def _structure(
    data: Any, kind: type[_T], where: str, hooks: Mapping[Any, _Hook], tagged: Mapping[Any, Mapping[str, type]]
) -> _T:
    import cattrs  # takes a while, and is not needed to import laneproof

    converter = cattrs.Converter()
    for target, hook in (*_QUANTITY_HOOKS.items(), *hooks.items()):
        converter.register_structure_hook(target, hook)
    members = {member for kinds in tagged.values() for member in kinds.values()}
    factories: tuple[tuple[Callable[[Any], bool], Callable[[Any], _Hook]], ...] = (
        (attrs.has, lambda wanted: _table_hook(converter, wanted, tag=wanted in members)),
        (_is(tuple), lambda wanted: _sequence_hook(converter, wanted)),
        (_is(Literal), lambda _: _choice),
    )
    for fits, factory in factories:
        converter.register_structure_hook_factory(fits, factory)
    for target, kinds in tagged.items():
        # Not by type, which would take in the classes themselves.
        converter.register_structure_hook_func(
            lambda wanted, target=target: wanted == target, _tagged_hook(converter, kinds)
        )
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


def _key(field: attrs.Attribute[Any]) -> str:
    return field.metadata.get(KEY, field.name)


def _table(value: Any) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise BadInput(f"{_shown(value)} is not a table; write name = value pairs")
    return cast("dict[str, Any]", value)


def _table_hook(converter: Any, wanted: Any, *, tag: bool) -> _Hook:
    from cattrs.gen import make_dict_structure_fn, override

    renamed = {field.name: override(rename=_key(field)) for field in attrs.fields(wanted)}
    fill = make_dict_structure_fn(wanted, converter, **renamed)  # pyright: ignore[reportArgumentType]
    keys = [_key(field) for field in attrs.fields(wanted)]
    known = (["kind"] if tag else []) + keys

    def hook(value: Any, _: Any) -> Any:
        table = _table(value)
        unknown = [f'"{printable(str(key))}"' for key in sorted(table.keys() - known)]
        if unknown:  # said first: a key that is spelt wrong is unknown, and the right one missing
            raise BadInput(f"unknown key {', '.join(unknown)}; known here: {', '.join(known) or 'none'}")
        return fill({key: item for key, item in table.items() if key in keys}, wanted)

    return hook


def _tagged_hook(converter: Any, kinds: Mapping[str, type]) -> _Hook:
    def hook(value: Any, _: Any) -> Any:
        kind = _table(value).get("kind")
        if not isinstance(kind, str) or kind not in kinds:
            shown = "missing" if kind is None else _shown(kind)
            raise BadInput(f"kind is {shown}; use one of {', '.join(kinds)}")
        return converter.structure(value, kinds[kind])

    return hook


class _WrongItem(Exception):
    """What is wrong with one item of a list."""

    def __init__(self, index: int, cause: Exception) -> None:
        super().__init__(index, cause)
        self.index = index
        self.cause = cause


def _sequence_hook(converter: Any, wanted: Any) -> _Hook:
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
        owner = error.cl
        error = error.exceptions[0]
        for note in getattr(error, "__notes__", []):
            if isinstance(note, cattrs.AttributeValidationNote):
                key = _key(attrs.fields_dict(owner)[note.name])
                path += f".{key}" if path else key
    return f"{path}: {_cause(error)}" if path else _cause(error)


def _cause(error: BaseException) -> str:
    if isinstance(error, KeyError):
        return "is missing; add it"
    if isinstance(error, LaneproofError | ValueError | TypeError):
        return printable(str(error.args[0] if error.args else error))
    return f"{type(error).__name__}: {printable(str(error))}"


def printable(text: str, *, instead: str = "�", keep: str = "", most: int | None = 300) -> str:
    """Text from outside, fit for one line of an error: at most 300 characters, those that do not print replaced.

    Other places want another replacement, letters kept ("\\n"), or all of the text.
    """
    return "".join(letter if letter.isprintable() or letter in keep else instead for letter in text)[:most]


def _shown(value: Any) -> str:
    return printable(f'"{value}"' if isinstance(value, str) else str(value))


def _quantity(parse: Callable[[str], Any], example: str) -> _Hook:
    def hook(value: Any, _: Any) -> Any:
        if not isinstance(value, str):
            raise BadInput(f'{_shown(value)} has no unit; write for example "{example}"')
        return parse(value)

    return hook


def _exactly(kinds: tuple[type, ...], called: str) -> _Hook:
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


def _number_from_text(kind: type[int] | type[float], called: str) -> _Hook:
    def hook(value: Any, _: Any) -> Any:
        try:
            # Places and masks are written in base 16 wherever hardware is described.
            number = int(value, 16) if kind is int and str(value).lower().startswith("0x") else kind(value)
        except ValueError:
            raise BadInput(f"{_shown(value)} is not {called}") from None
        return _finite(number)

    return hook


def _finite(value: Any) -> Any:
    """TOML and Python both read "nan" and "inf", which no comparison with a limit catches."""
    if isinstance(value, float) and not math.isfinite(value):
        raise BadInput(f"{value} is not a finite number")
    return value


_QUANTITY_HOOKS: dict[Any, _Hook] = {
    Size: _quantity(units.parse_bytes, "64 MiB"),
    Seconds: _quantity(units.parse_seconds, "30 s"),
    SpeedGtps: _quantity(units.parse_speed_gtps, "8 GT/s"),
    Rate: _quantity(units.parse_bytes_per_s, "950 MB/s"),
    Share: _quantity(units.parse_fraction, "80 %"),
    Watts: _quantity(units.parse_watts, "75 W"),
    Volts: _quantity(units.parse_volts, "15 mV"),
    Celsius: _quantity(units.parse_celsius, "85 °C"),
}
_DOCUMENT_HOOKS: dict[Any, _Hook] = {
    int: _exactly((int,), "a whole number"),
    float: _exactly((int, float), "a number"),
    bool: _exactly((bool,), "true or false"),
    str: _exactly((str,), "text in quotes"),
}
_TEXT_HOOKS: dict[Any, _Hook] = {
    int: _number_from_text(int, "a whole number"),
    float: _number_from_text(float, "a number"),
    bool: _read_bool,
}
