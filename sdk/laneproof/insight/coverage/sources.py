"""Where the catalogue and the healthy bench come from: an entry point, and the catalogue's own bench or a file."""

from __future__ import annotations

from importlib.metadata import entry_points
from pathlib import Path

from attrs import frozen

from laneproof.catalogue import CATALOGUES, Catalogue
from laneproof.documents import printable, read_toml
from laneproof.errors import BadInput, CannotOpen

BUILT_IN = "the catalogue's own bench"


@frozen(kw_only=True)
class Base:
    """The healthy bench: its text, what to call it, and the names of its slots."""

    text: str
    name: str
    slots: tuple[str, ...]


def catalogue(name: str | None = None) -> tuple[str, Catalogue]:
    """The catalogue of that name; without one the only one there is. With its name.

    Raises BadInput where there is none, or several to choose from; CannotOpen for one that cannot be loaded.
    """
    found = [entry for entry in entry_points(group=CATALOGUES) if name in (None, entry.name)]
    if len(found) != 1:
        known = ", ".join(sorted(entry.name for entry in entry_points(group=CATALOGUES))) or "none"
        raise BadInput(f"{'no' if not found else 'more than one'} package brings the catalogue; installed: {known}")
    (entry,) = found
    try:
        loaded: object = entry.load()
    except (Exception, SystemExit) as error:  # an outside package may raise anything at import
        problem = f"its import failed with {type(error).__name__}: {printable(str(error))}"
        raise CannotOpen(f'the catalogue "{entry.name}" cannot be used: {problem}') from None
    if not isinstance(loaded, Catalogue):
        raise CannotOpen(f'the catalogue "{entry.name}" cannot be used: {entry.value} is no laneproof Catalogue')
    return entry.name, loaded


def healthy_base(catalogue: Catalogue, path: Path | None) -> Base:
    """The user's bench, or else the catalogue's own. Raises BadInput for a file that is none, or has a fault."""
    if path is None:
        return Base(text=catalogue.base, name=BUILT_IN, slots=catalogue.slots(catalogue.base, BUILT_IN))
    where = f"bench {printable(str(path))}"
    read_toml(path, "bench")
    text = path.read_text("utf-8")
    return Base(text=text, name=str(path), slots=catalogue.slots(text, where))
