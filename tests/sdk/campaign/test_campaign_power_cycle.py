"""Trainings of a card whose power a command switches, and of one that an observer retrains: heard, or not."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from pathlib import Path

import attrs
import pytest

import laneproof
from laneproof import registry
from laneproof.campaign.events import Event, Noted
from laneproof.campaign.results import Findings, RunResult
from laneproof.campaign.steps import Expectation, Slot, TrainStep
from laneproof.clock import Deadline, MonotonicClock
from laneproof.contract import (
    Card,
    Channel,
    ErrorObserver,
    IdentitySource,
    Limits,
    LinkObserver,
    LinkTrainer,
    ObserverSource,
    Part,
    StreamPath,
)
from laneproof.documents import Seconds, Size
from laneproof.endpoint import Endpoint
from laneproof.errors import CannotOpen, DeviceLost, DriverFault, NotOffered
from laneproof.readings import (
    ErrorReading,
    Exact,
    Identity,
    LinkReading,
    PartnerErrors,
    PartnerLink,
    Retraining,
)

Run = Callable[..., RunResult]


class Switched(StreamPath, LinkObserver, ErrorObserver, IdentitySource, LinkTrainer):
    """A card that is there as long as its file is, and another one for each serial number in it."""

    def __init__(self, supply: Path, *, hears: bool = False) -> None:
        self._supply = supply
        self._hears = hears
        self._held = bytearray()
        self._lock = threading.Lock()
        try:
            self._since = os.stat(supply).st_ino
            self._serial = supply.read_text().strip()
        except OSError:
            raise CannotOpen("no card answers") from None

    def close(self) -> None:
        self._since = 0

    def _present(self) -> bool:
        try:
            return os.stat(self._supply).st_ino == self._since
        except OSError:
            return False

    def _require(self) -> None:
        if not self._present():
            raise DeviceLost("the device node is gone")

    def send(self, view: memoryview, deadline: Deadline) -> int:
        self._require()
        with self._lock:
            self._held += view
        return len(view)

    def receive_into(self, view: memoryview, deadline: Deadline) -> int:
        while not self._held and not deadline.expired:
            self._require()
            deadline.pause(0.001)
        with self._lock:
            n = min(len(view), len(self._held))
            view[:n] = self._held[:n]
            del self._held[:n]
        return n

    def read_link(self, deadline: Deadline) -> LinkReading:
        ends = (PartnerLink(name=name, speed_gtps=8.0, width=4, max_speed_gtps=8.0, max_width=4) for name in "ab")
        near, far = ends
        return LinkReading(near=attrs.evolve(near, name="port", active=self._supply.exists()), far=far)

    def read_errors(self, deadline: Deadline) -> ErrorReading:
        counts = {"BadTLP": Exact(0)}
        return ErrorReading(
            near=PartnerErrors(name="port", epoch="1", correctable=counts),
            far=PartnerErrors(name="card", epoch="1", correctable=counts),
        )

    def read_identity(self, deadline: Deadline) -> Identity:
        self._require()
        if self._serial == "mute":
            raise DriverFault("the register reads as nonsense")
        return Identity(model="invented card", serial=self._serial)

    def retrain(self, deadline: Deadline) -> Retraining:
        return Retraining(seconds=0.001 if self._hears else None, resolution_s=0.001, seen=self._hears, wrote="a bit")


def run_step(step: TrainStep, supply: Path, *, hears: bool = False) -> tuple[Findings, list[Event]]:
    supply.write_text("invented-0001")
    events: list[Event] = []

    def connect(_: Deadline) -> Card:
        card = Switched(supply, hears=hears)
        limits = Limits(max_transfer=1 << 20, nominal_bytes_per_s=50e6)
        return Card(
            channels=(Channel(name="echo", path=card, limits=limits),),
            close=card.close,
            parts=(card,),
            clock=MonotonicClock(),
        )

    with Deadline(1) as deadline:
        first = connect(deadline)
    findings = Findings()
    with Endpoint("switched:card", first, connect, physical=False, caveats=()) as endpoint:
        slot = Slot(
            name="north",
            number=0,
            endpoint=endpoint,
            expectation=Expectation(),
            seed=1,
            step=0,
            emit=events.append,
            stop=threading.Event(),
            origin_s=endpoint.clock.now_s(),
        )
        with slot.observation:
            slot.observation.begin(None, None)
            try:
                step.run(slot, findings)
            except DeviceLost as lost:
                findings.measures["lost"] = lost
    return findings, events


def texts(findings: Findings) -> str:
    return "\n".join(f"{reason.verdict}: {reason.text}" for reason in findings.reasons)


def cycle(supply: Path, serial: str = "invented-0001") -> tuple[str, ...]:
    """Off; and on again, a moment after the command has ended."""
    on = f"sleep 0.15; echo {serial} > {supply}.new; mv {supply}.new {supply}"
    return ("/bin/sh", "-c", f"rm {supply}; sleep 0.1; ({on}) >/dev/null 2>&1 &")


def test_a_card_that_was_off_and_on_is_opened_anew_and_counts(tmp_path: Path) -> None:
    supply = tmp_path / "supply"
    step = TrainStep(by="command", command=cycle(supply), count=3, max_time_to_active=Seconds(5.0), verify=Size(4096))
    findings, events = run_step(step, supply)
    assert str(findings.verdict) == "pass", texts(findings)
    assert findings.measures["trainings"] == 3
    assert findings.measures["seconds_to_active"]["least"] > 0.05
    assert findings.bytes_moved == 3 * 4096
    assert any(isinstance(event, Noted) and event.kind == "write" and str(supply) in event.text for event in events)


def test_another_card_after_the_power_was_cycled_is_bad(tmp_path: Path) -> None:
    supply = tmp_path / "supply"
    step = TrainStep(by="command", command=cycle(supply, "invented-0002"), count=2, verify=Size(4096))
    findings, _ = run_step(step, supply)
    assert str(findings.verdict) == "fail"
    assert findings.measures["bad_trainings"] == 1
    assert "number 1: another identity than before" in texts(findings)


def test_a_card_that_stays_away_ends_the_step_by_what_the_near_port_shows(tmp_path: Path) -> None:
    supply = tmp_path / "supply"
    step = TrainStep(by="command", command=("rm", str(supply)), count=3, max_time_to_active=Seconds(0.2))
    findings, _ = run_step(step, supply)
    assert str(findings.verdict) == "fail"
    assert "port shows its link down" in texts(findings)
    assert findings.measures["lost"].link_evidence == "port shows its link down"


def test_a_port_that_ignores_the_request_never_passes(tmp_path: Path) -> None:
    findings, _ = run_step(TrainStep(by="retrain", count=5), tmp_path / "supply")
    assert str(findings.verdict) == "inconc"
    assert "in 5 of 5 trainings nothing can be told: the port showed no training" in texts(findings)
    assert findings.measures["trainings"] == 0


def test_a_port_that_hears_the_request_passes(tmp_path: Path) -> None:
    findings, _ = run_step(TrainStep(by="retrain", count=5), tmp_path / "supply", hears=True)
    assert str(findings.verdict) == "pass"
    assert findings.measures["seconds_to_active"]["most"] == 0.001


def test_a_card_that_offers_no_hot_reset_is_not_taken_to_have_had_one(tmp_path: Path) -> None:
    with pytest.raises(NotOffered, match="no Resettable"):
        run_step(TrainStep(by="hot reset", count=5), tmp_path / "supply")


class TrainingSource(ObserverSource):
    """Observes nothing; has something that trains."""

    def __init__(self, supply: Path) -> None:
        self._supply = supply

    def attach(self, address: str, deadline: Deadline) -> tuple[Part, ...]:
        return ()

    def trainer(self, address: str, deadline: Deadline) -> LinkTrainer:
        return Switched(self._supply, hears=True)


def test_a_card_is_retrained_by_what_observes_it_and_only_on_request(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, echo: Callable[..., str]
) -> None:
    supply = tmp_path / "supply"
    supply.write_text("invented-0001")
    monkeypatch.setattr(registry, "observers_for", lambda _: TrainingSource(supply))
    with laneproof.open(echo(), observe="seen:port", acknowledge_cautions=True) as card:
        assert card.retrain().wrote == "a bit"
    with (
        laneproof.open(echo(), acknowledge_cautions=True) as card,
        pytest.raises(NotOffered, match="no LinkTrainer"),
    ):
        card.retrain()
