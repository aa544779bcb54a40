"""`--rig package.module:ClassName`: an integrator's own `laneproof.conformance.Rig`, found by name and made."""

from __future__ import annotations

import importlib
import sys

from laneproof.conformance import Rig
from laneproof.conformance.words import told
from laneproof.errors import BadInput, LaneproofError

_EXAMPLE = "for example --rig my_rig:MyRig for the class MyRig in my_rig.py"


def named_rig(name: str, uri: str = "") -> Rig:
    """The rig of that name, with its own URI or the one given. Modules of the working directory are found as well.

    Raises BadInput in one line that says what is wrong with it.
    """
    module_name, colon, class_name = name.partition(":")
    if not colon or not all(part.isidentifier() for part in (*module_name.split("."), class_name)):
        raise BadInput(f'--rig "{name}" is not written MODULE:CLASS, {_EXAMPLE}')
    sys.path.insert(0, "")  # where a script, unlike `python -m`, does not look
    try:
        module = importlib.import_module(module_name)
    except (Exception, SystemExit) as error:  # whatever an outside module raises when it is imported
        if isinstance(error, ModuleNotFoundError) and error.name and f"{module_name}.".startswith(f"{error.name}."):
            raise BadInput(f'--rig "{name}": there is no module {error.name}, here or installed; {_EXAMPLE}') from None
        raise BadInput(f'--rig "{name}": importing {module_name} failed with {told(error)}') from error
    finally:
        sys.path.remove("")
    kind: object = getattr(module, class_name, None)
    if not (isinstance(kind, type) and issubclass(kind, Rig)):
        rigs = sorted(key for key, value in vars(module).items() if _is_rig(value))
        raise BadInput(
            f'--rig "{name}": {class_name} is no class of laneproof.conformance.Rig in {module_name}; '
            f"it has {', '.join(rigs) or 'none'}"
        )
    try:
        return kind(uri) if uri else kind()
    except LaneproofError as error:
        raise BadInput(f'--rig "{name}": {error}') from error
    except (Exception, SystemExit) as error:
        given = f'("{uri}")' if uri else "()"
        raise BadInput(f'--rig "{name}": {class_name}{given} failed with {told(error)}') from error


def _is_rig(value: object) -> bool:
    return isinstance(value, type) and issubclass(value, Rig) and value is not Rig
