"""What a plan uses of a host, room for its ledger, and the verdict on the host."""

from __future__ import annotations

import os
import shutil
from collections import namedtuple
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
from endpoint_fakes import EchoStream, FakeDriver, card_of

from laneproof import registry
from laneproof.campaign import plan as plans
from laneproof.campaign.plan import Plan
from laneproof.campaign.verdict import Verdict
from laneproof.clock import Deadline
from laneproof.contract import Host
from laneproof.insight import readiness
from laneproof.readings import Check, HostSurvey, Use

Usage = namedtuple("Usage", "total used free")


class OneHost(Host):
    """Answers with what it is given, and keeps what it was asked."""

    def __init__(self, *found: Check) -> None:
        self.found = found
        self.asked: list[Use] = []

    def survey(self, deadline: Deadline) -> HostSurvey:
        return HostSurvey(host="one", links=())

    def readiness(self, uses: Sequence[Use], deadline: Deadline) -> tuple[Check, ...]:
        self.asked = list(uses)
        return self.found


class Silent(Host):
    def survey(self, deadline: Deadline) -> HostSurvey:
        return HostSurvey(host="silent", links=())


def planned(*steps: dict[str, object], uri: str = "real:a?b=c", **endpoint: object) -> Plan:
    return plans.parse({"schema": 1, "endpoint": [{"uri": uri, **endpoint}], "step": list(steps)}, "plan")


@pytest.fixture
def real(install: Callable[..., None]) -> None:
    class Real(FakeDriver):
        physical = True

    install(Real(lambda _: card_of(EchoStream())), "real")


@pytest.mark.usefixtures("real")
def test_the_host_is_asked_for_what_the_plan_names(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    host = OneHost(Check(name="card", outcome="ok", found="there", uri="real:a?b=c"))
    monkeypatch.setattr(registry, "host", lambda: host)
    plan = planned({"kind": "integrity", "block": "2 MiB", "depth": 8}, observe="pci:0000:65:00.0")
    found = readiness.checks(plan, tmp_path / "x.ledger")
    assert host.asked == [
        Use(
            uri="real:a?b=c",
            scheme="real",
            address="a",
            options={"b": "c"},
            observe="pci:0000:65:00.0",
            in_flight_bytes=2 * 8 * (2 << 20),  # as `Endpoint.check` documents its memory, at either side
        )
    ]
    assert [check.name for check in found] == ["ledger", "card"]


def test_simulated_cards_need_room_for_the_ledger_alone(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(registry, "host", lambda: pytest.fail("the host was looked at"))
    found = readiness.checks(planned(uri="sim:demo#north"), tmp_path / "x.ledger")
    assert [(check.name, check.outcome) for check in found] == [("ledger", "ok")]


@pytest.mark.usefixtures("real")
def test_a_host_reader_that_looks_at_nothing_leaves_the_host_unknown(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(registry, "host", Silent)
    assert readiness.verdict(readiness.checks(planned(), tmp_path / "x.ledger")) is Verdict.INCONC


@pytest.mark.parametrize(
    ("outcomes", "expected"),
    [
        ((), Verdict.PASS),
        (("ok", "warning"), Verdict.PASS),
        (("ok", "not known", "warning"), Verdict.INCONC),
        (("not known", "missing", "ok"), Verdict.ERROR),
    ],
)
def test_the_worst_check_decides(outcomes: tuple, expected: Verdict) -> None:
    assert readiness.verdict(Check(name="x", outcome=one, found="x") for one in outcomes) is expected


def test_an_outcome_that_there_is_not_is_refused() -> None:
    with pytest.raises(ValueError, match="outcome"):
        Check(name="x", outcome="fine", found="x")  # type: ignore[arg-type]


@pytest.mark.parametrize(("share", "outcome"), [(5.0, "ok"), (1.5, "warning"), (0.9, "missing")])
def test_room_is_compared_with_what_the_plan_writes(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, share: float, outcome: str
) -> None:
    plan = planned({"kind": "soak", "duration": "720 h"})
    free = int(share * readiness.planned_bytes(plan))
    monkeypatch.setattr(shutil, "disk_usage", lambda _: Usage(2 * free, free, free))
    assert readiness.room_for(plan, tmp_path / "x.ledger").outcome == outcome


def test_a_month_takes_about_15_megabytes_a_slot_and_a_minute_next_to_nothing() -> None:
    """The page on the ledger: about 38,000 rows a month."""
    empty = readiness.planned_bytes(planned({"kind": "soak", "duration": "1 s"}))
    month = readiness.planned_bytes(planned({"kind": "soak", "duration": "720 h"}))
    assert 14e6 < month - empty < 17e6
    assert readiness.planned_bytes(planned({"kind": "soak", "duration": "60 s"})) - empty < 100_000
    assert readiness.planned_bytes(planned({"kind": "soak", "bytes": "1 GiB", "portion": "16 MiB"})) - empty < 100_000


def test_a_folder_that_is_not_there_or_not_writable_is_missing(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    assert readiness.room_for(planned(), tmp_path / "nowhere" / "x.ledger").outcome == "missing"
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    assert readiness.room_for(planned(), tmp_path / "x.ledger").outcome == "missing"
