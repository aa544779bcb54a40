"""What planted mistakes share: a registry of them, and a way out for those that hang or leak on purpose."""

from __future__ import annotations

import importlib
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from attrs import frozen
from queue_card import QueueDriver, QueueRig
from stream_card import StreamDriver, StreamRig
from window_card import WindowDriver, WindowRig

from laneproof.conformance import Rig
from laneproof.contract import Driver

release = threading.Event()
"""Set when the test is over: whatever waits for ever on purpose waits for this."""
_leaked: list[Callable[[], None]] = []


def leak(give_back: Callable[[], None]) -> None:
    """Something is left behind on purpose; `give_back` ends it after the test."""
    _leaked.append(give_back)


def give_back() -> None:
    while _leaked:
        with suppress(OSError):
            _leaked.pop()()


def leave_running(work: Callable[[], None]) -> None:
    """A thread that its driver forgets, joined after the test."""
    thread = threading.Thread(target=work, name="forgotten", daemon=True)
    thread.start()
    leak(thread.join)


@frozen
class Mistake:
    """A wrong driver: what is wrong with it, the rule meant for it, the card it is on."""

    what: str
    rule: str
    scheme: str
    driver_type: type[Driver]
    changes: dict[str, Any]

    def __str__(self) -> str:
        return self.what.replace(" ", "-")

    def driver(self) -> Driver:
        return type("Wrong", (self.driver_type,), self.changes)()

    def rig(self, driver: Any) -> Rig:
        return CARDS[self.scheme][1](driver)


CARDS: dict[str, tuple[type[Driver], Callable[[Any], Rig]]] = {
    "stream": (StreamDriver, StreamRig),
    "queue": (QueueDriver, QueueRig),
    "window-card": (WindowDriver, WindowRig),
}
MISTAKES: list[Mistake] = []


def plant(
    scheme: str, what: str, rule: str, path: type[Any] | None = None, driver: type[Driver] | None = None, **changes: Any
) -> None:
    """Add a mistake: the good card of that scheme with another path, another driver or other attributes of it."""
    if path is not None:
        changes["path_type"] = path
    MISTAKES.append(Mistake(what, rule, scheme, driver or CARDS[scheme][0], changes))


def plant_all() -> list[Mistake]:
    """Every mistake of every card."""
    for name in ("openings", "parts", "process", "queues", "readings", "streams", "tickets", "windows"):
        importlib.import_module(f"planted_{name}")
    return MISTAKES
