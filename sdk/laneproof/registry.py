"""Finds drivers, observers and host readers behind their entry points, and reads endpoint URIs.

Listing never fails: a scheme that two distributions claim, and a driver that does not import, are listed with their
problem. Only opening such a scheme is an error. Nothing is cached.
"""

from __future__ import annotations

from importlib.metadata import EntryPoint, entry_points
from typing import Any, TypeVar
from urllib.parse import parse_qsl, quote, unquote

import attrs
from attrs import frozen

from laneproof.contract import CONTRACT, Address, Driver, Host, ObserverSource
from laneproof.documents import printable, structure_text
from laneproof.errors import BadInput, CannotOpen

ENDPOINTS = "laneproof.endpoints"
OBSERVERS = "laneproof.observers"
HOSTS = "laneproof.hosts"

_T = TypeVar("_T", Driver, ObserverSource, Host)


@frozen
class Listing:
    """One entry point as found: what it claims, who brought it, and what is wrong with it (empty: nothing)."""

    scheme: str
    distribution: str
    driver: Driver | None
    problem: str


@frozen
class Uri:
    """A parsed endpoint URI, `SCHEME:ADDRESS[?option=value…][#SLOT]`. `options` are still text."""

    scheme: str
    address: Address
    options: dict[str, str]

    def __str__(self) -> str:
        query = "&".join(f"{quote(key, safe='')}={quote(value, safe='/:,')}" for key, value in self.options.items())
        text = f"{self.scheme}:{quote(self.address.text, safe='/:,')}"
        return text + (f"?{query}" if query else "") + (f"#{quote(self.address.slot)}" if self.address.slot else "")


def parse_uri(text: str) -> Uri:
    """Split a URI into its parts. Raises BadInput for one without scheme or address, or with a doubled option."""
    rest, _, slot = text.partition("#")
    rest, _, query = rest.partition("?")
    scheme, colon, address = rest.partition(":")
    if not colon or not scheme or not address or any(ord(letter) < 32 for letter in text):
        raise BadInput(f'"{printable(text)}" is not an endpoint; write SCHEME:ADDRESS, for example sim:demo#north')
    try:
        pairs = parse_qsl(query, keep_blank_values=True, strict_parsing=bool(query))
    except ValueError:
        raise BadInput(f'"{text}": write options as ?name=value&name=value') from None
    options = dict(pairs)
    if len(options) < len(pairs):
        raise BadInput(f'"{text}" gives an option twice')
    return Uri(scheme, Address(unquote(address), unquote(slot)), options)


def listings() -> tuple[Listing, ...]:
    """Every endpoint driver that is installed, by scheme, with what keeps it from being opened."""
    found = sorted(entry_points(group=ENDPOINTS), key=lambda entry: (entry.name, _distribution(entry)))
    schemes = [entry.name for entry in found]
    rows: list[Listing] = []
    for entry in found:
        driver, problem = _load(entry, Driver)
        if schemes.count(entry.name) > 1:
            claimants = " and ".join(_distribution(other) for other in found if other.name == entry.name)
            driver, problem = None, f"claimed by {claimants}; uninstall one"
        rows.append(Listing(entry.name, _distribution(entry), driver, problem))
    return tuple(rows)


def driver_for(scheme: str) -> Driver:
    """The driver of a scheme. Raises BadInput if nobody brings it, CannotOpen if it is claimed twice or broken."""
    return _only(ENDPOINTS, scheme, Driver, "endpoint scheme")


def observers_for(scheme: str) -> ObserverSource:
    """The source of observers behind `observe=SCHEME:…`."""
    return _only(OBSERVERS, scheme, ObserverSource, "observer scheme")


def host() -> Host:
    """The reader of this computer's own links."""
    return _only(HOSTS, "linux", Host, "host reader")


def read_options(driver: Driver, given: dict[str, str]) -> Any:
    """Turn a URI's options into the driver's own options class. Raises BadInput that lists the known ones."""
    return structure_text(given, driver.options, "options")


def _only(group: str, name: str, kind: type[_T], what: str) -> _T:
    found = [entry for entry in entry_points(group=group) if entry.name == name]
    if not found:
        known = ", ".join(sorted({entry.name for entry in entry_points(group=group)})) or "none"
        raise BadInput(f'no package brings the {what} "{name}"; installed: {known}')
    if len(found) > 1:
        claimants = " and ".join(sorted(_distribution(entry) for entry in found))
        raise CannotOpen(f'the {what} "{name}" is claimed by {claimants}; uninstall one of them')
    loaded, problem = _load(found[0], kind)
    if loaded is None:
        raise CannotOpen(f'the {what} "{name}" of {_distribution(found[0])} cannot be used: {problem}')
    return loaded


def _load(entry: EntryPoint, kind: type[_T]) -> tuple[_T | None, str]:
    try:
        loaded: object = entry.load()
    except (Exception, SystemExit) as error:  # an outside package may raise anything at import
        return None, f"its import failed with {type(error).__name__}: {printable(str(error))}"
    if isinstance(loaded, type) or not isinstance(loaded, kind):
        return None, f"{entry.value} is not an instance of laneproof.contract.{kind.__name__}"
    if loaded.contract not in (CONTRACT, CONTRACT - 1):
        return (
            None,
            f"it keeps contract {loaded.contract}; this laneproof accepts {CONTRACT} and {CONTRACT - 1}",
        )
    if isinstance(loaded, Driver) and not attrs.has(getattr(loaded, "options", object)):
        return None, f"{entry.value} has no options; name a frozen attrs class, empty if it takes none"
    return loaded, ""


def _distribution(entry: EntryPoint) -> str:
    return entry.dist.name if entry.dist is not None else "an unknown distribution"
