"""`Lines`: which slots of a run may begin, where those of one group take turns."""

from __future__ import annotations

import threading
from collections.abc import Iterable

from laneproof.campaign.places import Place
from laneproof.campaign.slot_job import SlotJob


class Lines:
    """A line for each group, and one for each endpoint without: the first of a line may begin, the next once the
    place of the one before it has been left, so that what hung in there is killed before another loads the same path.
    """

    def __init__(self, jobs: Iterable[SlotJob]) -> None:
        self._lines: dict[tuple[bool, str], list[SlotJob]] = {}
        for job in jobs:
            group = job.planned.group
            self._lines.setdefault((group is not None, group or job.name), []).append(job)
        self._under_way: dict[str, Place] = {}
        self._leaving: dict[str, threading.Thread] = {}

    def may_begin(self) -> list[SlotJob]:
        """Those that are first in their lines and have not begun."""
        for name, leaving in list(self._leaving.items()):
            if not leaving.is_alive():
                del self._leaving[name]
                self._lines = {
                    key: line[1:] if line and line[0].name == name else line for key, line in self._lines.items()
                }
        return [line[0] for line in self._lines.values() if line and not self._known(line[0].name)]

    def begun(self, job: SlotJob, place: Place) -> None:
        """The job runs in that place now."""
        self._under_way[job.name] = place

    def ended(self, name: str) -> None:
        """Its slot has finished: leave its place, which may take seconds, beside whatever else runs."""
        place = self._under_way.pop(name, None)
        if place is not None:
            self._leaving[name] = threading.Thread(target=place.leave, name=f"laneproof-leave-{name}", daemon=True)
            self._leaving[name].start()

    def dismiss(self) -> list[SlotJob]:
        """Send home all that have not begun; each is returned once."""
        begun = {*self._under_way, *self._leaving}
        waiting = [job for line in self._lines.values() for job in line if job.name not in begun]
        self._lines = {key: [job for job in line if job.name in begun] for key, line in self._lines.items()}
        return waiting

    def leave(self) -> None:
        """Leave all places; what still hangs is left behind."""
        for name in list(self._under_way):
            self.ended(name)
        for leaving in self._leaving.values():
            leaving.join()

    def _known(self, name: str) -> bool:
        return name in self._under_way or name in self._leaving
