"""What a slot's own process needs before it can take in a job: the modules of the steps that are a user's own.

A step is pickled as the name of its class and its values. The process finds laneproof's classes by itself; those of a
script, of a file that a plan names, or of a folder that only the parent looks in, it does not.
"""

from __future__ import annotations

import os
import pickle
import sys
from collections.abc import Iterable
from importlib import import_module
from pathlib import Path

from attrs import frozen

from laneproof.campaign.own_steps import MODULE, is_own, kind_of, load, told
from laneproof.campaign.steps import Step
from laneproof.errors import BadInput

_MAIN = "__main__"
_state = {"bringing": False}


@frozen
class Modules:
    """Where classes are that come with the next message. Crosses into the process ahead of the job.

    `slot` is the job's, `named` are modules with their files, `path` is where the parent looks for modules, and
    `arguments` are what a script was started with.
    """

    slot: str
    named: tuple[tuple[str, str], ...]
    path: tuple[str, ...]
    arguments: tuple[str, ...]

    def bring(self) -> None:
        """Load them. Raises BadInput for one that cannot be, or whose file was changed meanwhile."""
        # Behind our own places, so that nothing stands in for what we or the drivers import.
        sys.path += [place for place in self.path if place not in sys.path]
        sys.argv[:] = self.arguments
        _state["bringing"] = True
        try:
            for name, file in self.named:
                _bring(name, Path(file))
        finally:
            _state["bringing"] = False


def _bring(name: str, file: Path) -> None:
    if name == _MAIN:
        # Not under its own name, so that what it does only if started as a script is not done again.
        sys.modules[_MAIN] = load(file, "__laneproof_main__")
    elif name.startswith(MODULE):
        if load(file).__name__ != name:
            raise BadInput(f"{file}: was changed since the run was started; start it again")
    else:
        try:
            import_module(name)
        except ModuleNotFoundError:
            load(file, name)
        except (Exception, SystemExit) as error:
            raise BadInput(f"module {name} cannot be loaded in the slot's process: {told(error)}") from None


def modules_of(slot: str, steps: Iterable[Step]) -> Modules | None:
    """What the process of a slot has to load for these steps; None if nothing."""
    names = dict.fromkeys(type(step).__module__ for step in steps if is_own(step))
    named = tuple((name, str(getattr(sys.modules.get(name), "__file__", None) or "")) for name in names)
    path = tuple(place or os.getcwd() for place in sys.path)
    return Modules(slot, named, path, tuple(sys.argv)) if named else None


def refuse_to_begin() -> None:
    """Raise BadInput where a module starts a run while it is loaded in a slot's process, which would never end."""
    if _state["bringing"]:
        raise BadInput('a script whose steps run in processes starts its run under if __name__ == "__main__":')


def check_crossing(steps: Iterable[Step]) -> None:
    """Raise BadInput for a step of a user's own that cannot be handed to a process of its own."""
    for index, step in enumerate(steps):
        if is_own(step):
            try:
                pickle.dumps(step)
            except Exception as error:
                raise BadInput(
                    f'step[{index}]: kind "{kind_of(step)}" cannot cross into the slot\'s process: {error}; define it '
                    "at the top level of a module"
                ) from None
