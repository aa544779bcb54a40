"""What the simulator's faults do is traced to the mechanism that each of them is, and healthy benches raise no alarm.

Source of which fault is which mechanism: the cause that the simulator's catalogue states for each kind of fault.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable

import pytest

from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.results import RunResult
from laneproof.insight.diagnosis import diagnose, diagnose_run

PLAN = """schema = 1
name = "small"
[[endpoint]]
uri = "sim:bench#north"
[[step]]
kind = "link"
load = "64 KiB"
[[step]]
kind = "integrity"
bytes = "128 KiB"
block = "32 KiB"
[[step]]
kind = "integrity"
bytes = "64 KiB"
block = "16 KiB"
depth = 1
"""
BENCH = """schema = 1
name = "bench"
invented = "invented"
description = "One slot."
{switch}
[[slot]]
name = "north"
wiring = 8
{slot}
near = {{ max_speed = "8 GT/s", max_width = 8, max_payload = "256 B" }}
[slot.card]
max_speed = "8 GT/s"
max_width = 8
max_payload = "256 B"
model = "echo card"
serial = "invented"
{fault}
"""
SWITCH = """[[switch]]
name = "hub"
wiring = 8
near = { max_speed = "8 GT/s", max_width = 8, max_payload = "256 B" }
upstream = { max_speed = "8 GT/s", max_width = 8, max_payload = "256 B" }
[[switch.fault]]
kind = "switch-flips"
probability = 5e-5
"""
SOMETIMES = "when = { probability = 0.5 }"
TRACED = {
    ("bit-flips", "probability = 1e-4"): "card-memory-noise",
    ("regular-flips", 'every = "5000 B"'): "card-memory-cell",
    ("stuck-bit", "word = 4\nbyte = 1\nbit = 3\nlevel = 1"): "stuck-line",
    ("byte-lane", "width = 16\nlane = 5\nprobability = 0.01"): "byte-lane",
    ("host-bit-flips", 'at = "2345 B"\nbit = 3'): "host-memory-cell",
    ("never-written", "refused_by_iommu = true"): "iommu-refused",
    ("never-written", ""): "card-never-wrote",
    ("all-ones", ""): "memory-not-decoded",
    ("stale-message", "when = { every = 3 }"): "stale-ring-slot",
    ("early-completion", ""): "read-overtakes-write",
    ("lost-pages", ""): "lost-page-or-descriptor",
    ("swapped-pages", ""): "scatter-gather-order",
    ("stale-lines", "probability = 0.02"): "stale-cache-lines",
    ("boundary-damage", ""): "crosses-4k-boundary",
    ("split-damage", ""): "split-or-tag-handling",
    ("dropped-beats", ""): "overflow-drops-data",
    ("shifted", 'by = "4 B"'): "shifted-by-alignment",
    ("unflushed-fifo", ""): "fifo-not-flushed",
    ("short-tail", ""): "last-beat-lost",
    ("extra-beat", ""): "extra-beat-at-end",
    ("second-short", ""): "state-left-by-first",
    ("repeated-beat", ""): "memory-read-latency",
    ("pointer-wrap", ""): "fifo-pointer-wrap",
    ("stripped-header", ""): "header-stripped",
    ("address-mask", ""): "address-mask",
    ("skipped-chunks", ""): "free-running-ring",
    ("spliced", ""): "completion-tag-reuse",
    ("half-width", ""): "width-mismatch",
    ("reversed-words", ""): "byte-order",
    ("completion-timeout", f'then = "hole"\n{SOMETIMES}'): "completion-timeout",
    ("unexpected-completion", SOMETIMES): "unexpected-completion",
    ("completer-abort", SOMETIMES): "completer-abort",
    ("unsupported-request", SOMETIMES): "unsupported-request",
    ("poisoned", f'direction = "from_card"\n{SOMETIMES}'): "data-declared-bad",
    ("malformed", SOMETIMES): "malformed-packets",
    ("receiver-overflow", SOMETIMES): "flow-control-overrun",
    ("drop-off", 'after = "100 KiB"'): "card-dropped-off",
    ("stall", 'after = "100 KiB"'): "engine-stalls",
    ("failing-lane", 'lane = 5\nwhen = { after = "100 KiB" }'): "link-narrow",
    ("failing-speed", 'lane = 5\nholds = "2.5 GT/s"\nwhen = { after = "100 KiB" }'): "link-slow",
    ("absent", ""): "card-absent",
}
SEEN_OFTEN = {
    "bit-flips",
    "host-bit-flips",
    "never-written",
    "stale-message",
    "early-completion",
    "lost-pages",
    "stale-lines",
    "boundary-damage",
    "dropped-beats",
    "second-short",
    "completion-timeout",
    "completer-abort",
    "drop-off",
    "stall",
    "failing-lane",
    "absent",
}
"""Kinds that are tried each time; the others in the long tier, as they have records made by hand as well."""
CASES = [
    pytest.param(*case, id=case[0], marks=() if case[0] in SEEN_OFTEN else pytest.mark.long)
    for case in ((kind, how, mechanism) for (kind, how), mechanism in TRACED.items())
]
SLOTS = {
    "bit_error_rate = { to_card = 3e-5 }": "link-errors-replayed",
    "bit_error_rate = { to_card = 1e-3 }": "replay-rollover",
    "dead_lanes = [5]": "link-narrow",
    'errors_owned_by = "firmware"\nbit_error_rate = { to_card = 3e-5 }': "errors-hidden",
}


@pytest.fixture(scope="module")
def on_slot(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., RunResult]:
    def run(*, fault: str = "", slot: str = "", switch: str = "", seed: int = 1) -> RunResult:
        folder = tmp_path_factory.mktemp("bench")
        (folder / "bench.toml").write_text(BENCH.format(fault=fault, slot=slot, switch=switch))
        plan = plans.parse(tomllib.loads(PLAN), "plan").over([f"sim:{folder / 'bench.toml'}?seed={seed}#north"])
        return runner.run(plan, folder / "run.ledger")

    return run


@pytest.mark.parametrize(("kind", "how", "mechanism"), CASES)
def test_a_fault_is_traced_to_its_mechanism(
    on_slot: Callable[..., RunResult], kind: str, how: str, mechanism: str
) -> None:
    found = diagnose(on_slot(fault=f'[[slot.fault]]\nkind = "{kind}"\n{how}\n').endpoints[0])
    assert found.top is not None
    assert found.top.mechanism == mechanism
    assert not found.not_explained


@pytest.mark.parametrize(("slot", "mechanism"), SLOTS.items())
def test_what_a_link_does_is_never_blamed_on_the_data_path(
    on_slot: Callable[..., RunResult], slot: str, mechanism: str
) -> None:
    found = diagnose(on_slot(slot=slot).endpoints[0])
    assert found.top is not None
    assert found.top.mechanism == mechanism
    assert {answer.layer for answer in found.answers} <= {"physical", "data link", "tester"}


def test_corruption_inside_a_switch_cannot_be_told_from_a_weak_card(on_slot: Callable[..., RunResult]) -> None:
    found = diagnose(on_slot(switch=SWITCH, slot='below = "hub"').endpoints[0])
    assert found.top is not None
    assert {found.top.mechanism, *found.top.alike} == {"switch-memory-noise", "card-memory-noise"}


def test_ecrc_locates_corruption_inside_a_switch(on_slot: Callable[..., RunResult]) -> None:
    found = diagnose(on_slot(switch=SWITCH, slot='below = "hub"\necrc = true').endpoints[0])
    assert found.top is not None
    assert (found.top.mechanism, found.top.alike) == ("switch-memory-noise", ())


@pytest.mark.parametrize("slot", ["", 'idle_speed = "2.5 GT/s"'])
def test_a_healthy_slot_leaves_nothing_to_explain(on_slot: Callable[..., RunResult], slot: str) -> None:
    result = on_slot(slot=slot)
    found = diagnose(result.endpoints[0])
    assert (found.answers, found.not_explained, found.lines()) == ((), False, [])
    assert diagnose_run(result).shared == ()
