"""Which other processes have a device node open, as far as this user may see. Read-only."""

from __future__ import annotations

import os

from attrs import frozen

from laneproof.documents import printable

_MOST_NAMED = 5


@frozen
class Holder:
    """A process that has the node open."""

    pid: int
    name: str


def holders(path: str) -> list[Holder]:
    """Other processes with `path` open; those of other users show to root alone."""
    wanted = os.path.realpath(path)
    found: list[Holder] = []
    for entry in os.listdir("/proc"):
        if entry.isdigit() and int(entry) != os.getpid() and _has_open(entry, wanted):
            found.append(Holder(int(entry), _name(entry)))
    return found


def in_use(path: str, *more: str) -> str:
    """One line that says who has it, and the command that would release it. `more` are other nodes of the same."""
    others = [one for node in (path, *more) for one in holders(node)]
    if not others:
        nodes = " ".join((path, *more))
        return f"{path} is in use; `fuser -v {nodes}` as root names the process; end that one, then open it again"
    who = ", ".join(f"process {one.pid} ({one.name})" for one in others[:_MOST_NAMED])
    pids = " ".join(str(one.pid) for one in others[:_MOST_NAMED])
    return f"{path} is in use by {who}, and is not taken away; `kill {pids}` would end it, then open it again"


def _has_open(pid: str, wanted: str) -> bool:
    try:
        for number in os.listdir(f"/proc/{pid}/fd"):
            if os.readlink(f"/proc/{pid}/fd/{number}") == wanted:
                return True
    except OSError:  # it has ended, or is another user's
        pass
    return False


def _name(pid: str) -> str:
    try:
        with open(f"/proc/{pid}/comm", "rb") as file:
            return printable(file.read(64).decode("utf-8", "replace").strip())
    except OSError:
        return "ended meanwhile"
