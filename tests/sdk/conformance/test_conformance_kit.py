"""The kit itself: what it asks of an integrator, whom it blames, and that it always comes to an end."""

from __future__ import annotations

import json
import re
import sys
import threading
from collections.abc import Callable
from typing import Any

import planted
import pytest
from endpoint_fakes import EchoStream, FakeDriver, Untouchable, card_of
from stream_card import StreamDriver, StreamRig

from laneproof import conformance
from laneproof.campaign.verdict import Verdict
from laneproof.conformance import RULES, TIERS, Finding, Rig, rules_of, verdict
from laneproof.conformance.finding import Broken, NotApplicable, NotDemonstrated
from laneproof.conformance.rule import rule
from laneproof.conformance.trial import Trial
from laneproof.contract import Limits
from laneproof.errors import BadInput, CannotOpen

RULE = {found.name: found for found in RULES}


class Quick(Rig):
    uri = "fake:card"
    wait_s = 0.06
    quiet_s = 0.3
    patience_s = 0.3
    open_s = 0.3


@pytest.fixture
def stream(install: Callable[..., None]) -> Rig:
    driver = StreamDriver()
    install(driver, "stream")
    return StreamRig(driver)


def tried(body: Callable[[Trial], str], rig: Rig, **more: Any) -> Finding:
    return rule("card", "do something", **more)(body)(rig)


# --- what is asked of an integrator


def test_a_rig_needs_a_uri_and_nothing_else() -> None:
    with pytest.raises(BadInput, match="names no card; set uri"):
        Rig()
    assert Rig("mycard:1").uri == "mycard:1"


@pytest.mark.parametrize("found", RULES, ids=str)
def test_a_rule_is_stated_in_one_sentence_with_a_remedy(found: conformance.Rule) -> None:
    assert re.fullmatch(r"[a-z]+(-[a-z]+)+", found.name)
    assert re.fullmatch(r"[A-Z][^.]*(\.open[^.]*)?\.", found.states), found.states
    assert found.remedy
    assert not found.remedy.endswith(".")


def test_no_two_rules_have_one_name() -> None:
    assert len(RULE) == len(RULES)


def test_a_tier_includes_the_ones_before_it() -> None:
    counts = [len(rules_of(tier)) for tier in TIERS]
    assert counts == sorted(set(counts))
    assert rules_of("soak") == RULES


def test_the_offline_tier_moves_no_data(install: Callable[..., None]) -> None:
    install(FakeDriver(lambda _: card_of(Untouchable())), "fake")
    findings = conformance.run(Quick(), rules_of("offline"))
    broken = [finding.rule for finding in findings if finding.outcome == "broken"]
    assert broken == ["a-wrong-address-is-refused"]  # this driver takes any


def test_a_finding_is_plain_data(stream: Rig) -> None:
    finding = RULE["limits-fit-each-other"](stream)
    data = json.loads(json.dumps(finding.to_dict()))
    assert data["outcome"] == "kept"
    assert data["rule"] == "limits-fit-each-other"
    assert set(data) == {"rule", "tier", "states", "outcome", "seen", "remedy", "missing"}


# --- whom it blames


def test_a_hook_that_fails_is_not_held_against_the_driver(stream: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail() -> None:
        raise RuntimeError("the relay board is not there")

    monkeypatch.setattr(stream, "silence", fail)
    finding = RULE["a-silent-card-writes-nothing-late"](stream)
    assert finding.outcome == "not demonstrated"
    assert finding.seen == "the rig's silence() failed: RuntimeError: the relay board is not there"


def test_an_error_of_the_kit_is_not_held_against_the_driver(stream: Rig) -> None:
    def body(trial: Trial) -> str:
        """Nothing."""
        raise ZeroDivisionError("by zero")

    finding = tried(body, stream)
    assert (finding.outcome, finding.missing) == ("not demonstrated", True)
    assert "the kit itself failed" in finding.seen


def test_a_card_that_does_not_open_breaks_one_rule_and_leaves_the_others_open(install: Callable[..., None]) -> None:
    def refuse(_: object) -> Any:
        raise CannotOpen("no card answers")

    install(FakeDriver(refuse), "fake")
    findings = conformance.run(Quick(), rules_of("card"))
    assert [finding.rule for finding in findings if finding.outcome == "broken"] == ["connect-returns-a-ready-card"]
    others = [finding.seen for finding in findings if finding.missing]
    assert len(others) > 10
    assert {seen.partition(" (")[0] for seen in others} == {"the card does not open"}
    assert {seen.rpartition(": ")[2] for seen in others} == {"no card answers); see connect-returns-a-ready-card"}


@pytest.mark.parametrize(
    ("raised", "outcome", "missing"),
    [
        (Broken("x"), "broken", False),
        (NotDemonstrated("x"), "not demonstrated", True),
        (NotApplicable("x"), "not demonstrated", False),
    ],
)
def test_what_a_rule_raises_is_its_finding(stream: Rig, raised: Exception, outcome: str, missing: bool) -> None:
    def body(trial: Trial) -> str:
        """Nothing."""
        raise raised

    finding = tried(body, stream, essential=True)
    assert (finding.outcome, finding.missing, finding.seen) == (outcome, missing, "x")


def test_a_rule_without_hypothesis_says_so(stream: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "hypothesis", None)
    finding = RULE["any-sequence-of-calls-is-right"](stream)
    assert finding.outcome == "not demonstrated"
    assert finding.seen.startswith("hypothesis is not installed")


# --- that it comes to an end


class Deaf(EchoStream):
    """Blocks in every call for ever, whatever its deadline says."""

    def receive_into(self, view: memoryview, deadline: Any) -> int:
        planted.release.wait()
        return 0

    send = receive_into


def test_a_driver_that_hangs_in_every_call_is_reported_rule_by_rule(install: Callable[..., None]) -> None:
    install(FakeDriver(lambda _: card_of(Deaf(), limits=Limits(max_transfer=1 << 16, fifo_depth=8))), "fake")
    rules = [RULE[name] for name in ("data-come-back-unchanged", "a-deadline-is-kept", "a-check-passes")]
    findings = conformance.run(Quick(), rules)
    assert [finding.outcome for finding in findings] == ["broken"] * 3
    assert {finding.seen for finding in findings} <= {
        f"{call} did not come back: 0.3 s beyond its time it was left behind"
        for call in ("receive_into", "send", "Endpoint.check")
    }


def test_progress_hears_each_finding_as_it_comes(stream: Rig) -> None:
    heard: list[str] = []
    rules = rules_of("offline")[:3]
    conformance.run(stream, rules, progress=lambda finding: heard.append(finding.rule))
    assert heard == [found.name for found in rules]


def test_a_rule_leaves_no_thread_behind(stream: Rig) -> None:
    before = threading.active_count()
    for name in ("both-directions-work-at-once", "a-full-card-lets-send-end", "a-loss-ends-a-wait"):
        assert RULE[name](stream).outcome == "kept"
    assert threading.active_count() == before


# --- what findings amount to


def made(outcome: Any, missing: bool = False) -> Finding:
    return Finding(rule="r", tier="card", states="s", outcome=outcome, seen="x", missing=missing)


@pytest.mark.parametrize(
    ("findings", "amount"),
    [
        ((), Verdict.NONE),
        ((made("not demonstrated"),), Verdict.NONE),
        ((made("kept"), made("not demonstrated")), Verdict.PASS),
        ((made("kept"), made("not demonstrated", missing=True)), Verdict.INCONC),
        ((made("kept"), made("not demonstrated", missing=True), made("broken")), Verdict.FAIL),
    ],
    ids=["nothing", "nothing shown", "all that applies", "one missing", "one broken"],
)
def test_a_pass_needs_every_rule_that_such_a_card_can_show(findings: tuple[Finding, ...], amount: Verdict) -> None:
    assert verdict(findings) is amount
