"""Steps of a user's own: where they come from, whether they can be used, and what is done about those that misbehave.

They come from packages (entry points of the group `laneproof.steps`, each named as the step's kind), from files that a
plan names (`steps_from`, by leave of the user only), or from the Python that makes the plan.
"""

from __future__ import annotations

import hashlib
import json
import operator
import os
import stat
import sys
import traceback
from collections.abc import Callable, Collection, Iterable, Sequence
from importlib.metadata import EntryPoint, entry_points
from inspect import isabstract
from pathlib import Path
from types import ModuleType
from typing import Any, cast

import attrs
import numpy as np

from laneproof.campaign.results import Findings, Reason, StepResult
from laneproof.campaign.steps import STEPS, Slot, Step
from laneproof.campaign.steps.comparisons import measures_of
from laneproof.campaign.verdict import Verdict
from laneproof.documents import printable
from laneproof.errors import BadInput, LaneproofError

GROUP = "laneproof.steps"
MODULE = "laneproof_steps_from"
"""What the names of modules begin with that are made of a plan's files."""
_LARGEST_FILE = 1 << 20
_RESERVED = frozenset(attrs.fields_dict(StepResult)) - {"measures"} | {"link", "ceiling_terms"}
"""What stands beside a step's measures in its result, or means something of laneproof's steps to the report."""
_JUDGED = frozenset(measures_of({}))
"""What `Slot.judge` puts there, all of it or nothing."""


def is_own(step: Step) -> bool:
    """Whether it is none of laneproof's."""
    return type(step) not in STEPS.values()


def kind_of(step: Step | type[Step]) -> str:
    """The kind that a plan writes for this step: of a class that names none, the class's name."""
    wanted = step if isinstance(step, type) else type(step)
    return next((kind for kind, known in STEPS.items() if known is wanted), wanted.kind or wanted.__name__)


def known_kinds(named: Sequence[object], brought: Iterable[Callable[..., Step]]) -> dict[str, type[Step]]:
    """laneproof's kinds, and the class behind each other one that is `named` by a plan.

    `brought`: classes beside those of packages. Raises BadInput for a kind that several claim, and for one whose class
    cannot be used; a package's class is imported only if it is named.
    """
    classes = [_usable(one, "a class of steps") for one in brought]
    entries = sorted(entry_points(group=GROUP), key=lambda entry: entry.name)
    found = dict(STEPS)
    for index, kind in enumerate(named):
        if not isinstance(kind, str):
            continue
        claims = ["laneproof itself"] * (kind in STEPS)
        claims += [entry.dist.name if entry.dist else entry.value for entry in entries if entry.name == kind]
        own = [one for one in dict.fromkeys(classes) if kind_of(one) == kind]
        claims += [_source(one) for one in own]
        try:
            if len(claims) > 1:
                raise BadInput(
                    f'kind "{printable(kind)}" is claimed by {" and by ".join(claims)}; rename or remove one'
                )
            if not claims and (entries or classes):
                names = (*STEPS, *(entry.name for entry in entries), *map(kind_of, classes))
                raise BadInput(f'kind is "{printable(kind)}"; use one of {", ".join(dict.fromkeys(names))}')
            if own:
                found[kind] = own[0]
            elif claims and kind not in STEPS:
                found[kind] = _loaded(next(entry for entry in entries if entry.name == kind))
        except BadInput as error:
            raise BadInput(f"step[{index}]: {error.args[0]}") from None
    return found


def classes_in(path: Path) -> tuple[type[Step], ...]:
    """The steps that a Python file defines. It is run for that. Raises BadInput, one line, whatever it does."""
    module = load(path)
    found = [
        one
        for one in vars(module).values()
        if isinstance(one, type) and issubclass(one, Step) and one.__module__ == module.__name__ and not isabstract(one)
    ]
    if not found:
        raise BadInput(f"{printable(str(path))}: no step is defined in it; see `laneproof guide steps`")
    return tuple(_usable(one, printable(str(path))) for one in dict.fromkeys(found))


def load(path: Path, name: str = "") -> ModuleType:
    """The module that a file makes, run once. Its name follows from path and content, unless one is given.

    Raises BadInput for a file that cannot be read, or raises anything.
    """
    where = printable(str(path))
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise BadInput(f"{where}: is no ordinary file; give the path of a Python file")
        with path.open("rb") as file:
            source = file.read(_LARGEST_FILE + 1)
    except OSError as error:
        raise BadInput(f"{where}: {error.strerror}; give the path of a Python file") from None
    if len(source) > _LARGEST_FILE:
        raise BadInput(f"{where}: larger than 1 MiB; this is no file of steps")
    name = name or f"{MODULE}_{hashlib.sha256(os.fsencode(path) + bytes(1) + source).hexdigest()[:24]}"
    if name in sys.modules:
        return sys.modules[name]
    module = ModuleType(name)
    module.__file__ = str(path)
    sys.modules[name] = module
    try:
        exec(compile(source, str(path), "exec"), vars(module))  # noqa: S102 - the user gave leave, and said which file
    except SyntaxError as error:
        del sys.modules[name]
        raise BadInput(f"{where}, line {error.lineno}: {printable(error.msg)}; mend it") from None
    except (Exception, SystemExit) as error:
        del sys.modules[name]
        raise BadInput(f"it cannot be loaded: {told(error, str(path))}") from None
    return module


def told(error: BaseException, file: str = "") -> str:
    """What was raised, in one line, and where: the innermost line of `file` that had a part in it, or of all."""
    frames = traceback.extract_tb(error.__traceback__)
    frame = next((one for one in reversed(frames) if one.filename == file), frames[-1] if frames else None)
    place = f" ({frame.filename}, line {frame.lineno})" if frame else ""
    return printable(f"{type(error).__name__}: {error}"[:300] + place, most=None)


def provenance(steps: Iterable[Step]) -> dict[str, str]:
    """For the ledger: by kind, where each step of a user's own comes from, and a digest of its file."""
    return {kind_of(step): _source(type(step)) for step in steps if is_own(step)}


def check(step: Step) -> None:
    """Raise BadInput, one line, for a step of a user's own that cannot be run or kept."""
    _usable(type(step), "it")
    kind = kind_of(step)
    if kind in STEPS:
        raise BadInput(f'kind "{kind}" is laneproof\'s own; give {type(step).__name__} another')
    try:
        json.dumps(plain(step), allow_nan=False)
    except (TypeError, ValueError) as error:
        raise BadInput(f'kind "{kind}": its keys cannot be kept: {printable(str(error))}; take plain values') from None
    try:  # what the run will ask it for, outside its own slot
        for name in ("commands", "best_claim", "futile_limits", "planned_bytes", "verified", "planned_s"):
            getattr(step, name)
        for rate in (None, 1e6):
            step.bytes_at(rate)
            step.seconds_at(rate)
    except (Exception, SystemExit) as error:
        raise BadInput(f'kind "{kind}" raised {told(error, _file(type(step)))}') from None


def plain(step: Step) -> dict[str, Any]:
    """A step as plain data, dates as text."""
    fields = attrs.asdict(step, value_serializer=lambda _, __, value: _text_of_date(value))
    return {"kind": kind_of(step), **fields}


def take(step: Step, slot: Slot, findings: Findings) -> None:
    """Run one step. What a user's own raises, other than laneproof's errors, is an `error` of this step alone."""
    _ask(step, findings, step.run, slot, findings)


def judge(step: Step, findings: Findings, judging: Callable[..., None], *about: object) -> None:
    """Have a step judge what was read after it. Whatever a user's own raises is an `error` of this step alone."""
    try:
        _ask(step, findings, judging, *about, findings)
    except LaneproofError as error:
        if not is_own(step):
            raise
        findings.broken(f"the step raised {told(error, _file(type(step)))}")


def _ask(step: Step, findings: Findings, what: Callable[..., None], *about: object) -> None:
    """Call a step; of a user's own, contain what it raises and what it leaves in the findings."""
    if not is_own(step):
        what(*about)
        return
    try:
        what(*about)
    except LaneproofError:  # means what it means for any step
        raise
    except (Exception, SystemExit) as error:
        findings.broken(f"the step raised {told(error, _file(type(step)))}")
    finally:
        _set_right(findings)


def _set_right(findings: Findings) -> None:
    """Leave in the findings only what can be kept."""
    problems: list[str] = []
    kept = [one for one in findings.reasons if _is_reason(one)]
    if len(kept) < len(findings.reasons):
        problems.append("a reason is one line of text")
    findings.reasons = kept
    measures: dict[str, Any] = {}
    judged = _JUDGED & findings.measures.keys()
    for name, value in cast("dict[Any, Any]", findings.measures).items():
        try:
            measures[_measure_name(name, judged)] = json.loads(
                json.dumps(value, default=_number, allow_nan=False, ensure_ascii=True)
            )
        except (TypeError, ValueError, RecursionError) as error:
            problems.append(f"the measure {printable(str(name))} was left out: {printable(str(error))}")
    findings.measures = measures
    try:
        findings.bytes_moved = operator.index(findings.bytes_moved)
    except TypeError:
        findings.bytes_moved = -1
    if findings.bytes_moved < 0:
        problems.append("bytes_moved is no number of bytes")
        findings.bytes_moved = 0
    for problem in problems:
        findings.broken(f"the step reports what cannot be kept: {problem}")


def _is_reason(one: Any) -> bool:
    text, verdict = getattr(one, "text", None), getattr(one, "verdict", None)
    return isinstance(one, Reason) and isinstance(text, str) and isinstance(verdict, Verdict)


def _measure_name(name: object, judged: Collection[str]) -> str:
    if not isinstance(name, str) or not name.isprintable():
        raise ValueError("its name is no text")
    if name in _RESERVED or (name in judged and len(judged) < len(_JUDGED)):
        raise ValueError("the name has a meaning of its own in results; take another")
    return name


def _number(value: object) -> Any:
    if isinstance(value, np.generic):
        return cast("Any", value).item()
    raise TypeError(f"{type(value).__name__} is no plain data")


def _text_of_date(value: Any) -> Any:
    return value.isoformat() if hasattr(value, "isoformat") else value


def _usable(one: object, where: str) -> type[Step]:
    if not isinstance(one, type) or not issubclass(one, Step):
        raise BadInput(f"{where}: {printable(str(cast('object', one)))} is no subclass of laneproof.Step")
    shown = f"{where}: {one.__name__}"
    if "__attrs_attrs__" not in vars(one):
        raise BadInput(f"{shown} is no attrs class; put @attrs.frozen(kw_only=True) above it")
    if isabstract(one):
        raise BadInput(f"{shown} has no method run(slot, findings)")
    kind = kind_of(one)
    if not kind or not kind.isprintable() or len(kind) > 100:
        raise BadInput(f"{shown}: its kind is one line of at most 100 letters")
    if any(field.metadata.get("key", field.name) == "kind" for field in attrs.fields(one)):
        raise BadInput(f'{shown}: the key "kind" says which step it is; write kind: ClassVar[str]')
    return one


def _loaded(entry: EntryPoint) -> type[Step]:
    brought = f'the step "{printable(entry.name)}" of {entry.dist.name if entry.dist else entry.value}'
    try:
        loaded: object = entry.load()
    except (Exception, SystemExit) as error:
        raise BadInput(f"{brought} cannot be used: its import failed with {told(error)}") from None
    found = _usable(loaded, brought)
    if kind_of(found) != entry.name:
        raise BadInput(f'{brought} calls itself "{printable(kind_of(found))}"; its entry point is named otherwise')
    return found


def _file(one: type[Step]) -> str:
    return str(getattr(sys.modules.get(one.__module__), "__file__", None) or "")


def _source(one: type[Step]) -> str:
    file = _file(one)
    name = one.__qualname__ if one.__module__.startswith(MODULE) else f"{one.__module__}.{one.__qualname__}"
    try:
        digest = hashlib.sha256(Path(file).read_bytes()).hexdigest()
    except (OSError, ValueError):
        return name
    return f"{name} in {file}, SHA-256 {digest}"
