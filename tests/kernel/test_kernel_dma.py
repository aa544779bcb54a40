"""Memory windows and DMA on a real kernel: the drivers `window` and `vfio` on functions that QEMU emulates.

Outside references: the file that holds the same bytes as a function's memory; QEMU's trace of each access to a
function's registers, with its width; what the kernel logs of DMA that the IOMMU refused.
"""

from __future__ import annotations

import re
from pathlib import Path

import dma_topology as at
import pytest
from dma_in_guest import (
    astray,
    bind,
    checked,
    closed_in_flight,
    discovered,
    left_open,
    looped_through_regions,
    opened_twice,
    pulled_out,
    received,
    refusal,
    reset_and_checked,
    sent,
    stalled_and_recovered,
    switch,
    touched,
    tried_rules,
)
from guest_machine import Machine

from laneproof import conformance

pytestmark = [pytest.mark.kernel, pytest.mark.timeout(300)]

WINDOW = f"window:/sys/bus/pci/devices/{at.MEMORY}/resource2"
ENGINE = f"vfio:{at.ENGINE}"
ENGINE_URI = f"{ENGINE}?{'&'.join(f'{key}={value}' for key, value in (at.EDU | {'rate': '1kB/s'}).items())}"
"""As slow as the engine is with little data."""


@pytest.fixture(scope="module")
def engine(guest_with_dma: Machine) -> Machine:
    """The guest with the engine bound to vfio-pci; before, laneproof said how, and did not do it."""
    kind, said = guest_with_dma.call(refusal, ENGINE, at.EDU)
    assert kind == "CannotOpen"
    assert f"echo vfio-pci > /sys/bus/pci/devices/{at.ENGINE}/driver_override" in said
    assert guest_with_dma.call(discovered) == []
    guest_with_dma.call(bind, at.ENGINE)
    return guest_with_dma


# --- the window -----------------------------------------------------------------------------------------------


def test_a_function_with_memory_decoding_off_is_not_opened(guest_with_dma: Machine) -> None:
    guest_with_dma.call(switch, at.MEMORY, False)
    kind, said = guest_with_dma.call(refusal, WINDOW)
    guest_with_dma.call(switch, at.MEMORY, True)
    assert kind == "CannotOpen"
    assert f"`setpci -s {at.MEMORY} COMMAND=2:2`" in said


def test_what_is_written_through_a_window_arrives_outside(guest_with_dma: Machine, shared_memory: Path) -> None:
    guest_with_dma.call(switch, at.MEMORY, True)
    data = bytes(range(251)) * 16
    guest_with_dma.call(sent, WINDOW, {"offset": "0x2000", "size": "64KiB"}, data)
    content = shared_memory.read_bytes()
    assert content[0x2000 : 0x2000 + len(data)] == data
    assert not any(content[:0x2000])


def test_what_stands_outside_is_read_through_a_window(guest_with_dma: Machine, shared_memory: Path) -> None:
    guest_with_dma.call(switch, at.MEMORY, True)
    with shared_memory.open("r+b") as file:
        file.write(b"written outside ")
    model, content = guest_with_dma.call(received, WINDOW, 16)
    assert content == b"written outside "
    assert model == "1af4:1110"  # QEMU docs/specs/ivshmem-spec


@pytest.mark.parametrize("word", ["1", "4", "8"])
def test_every_byte_of_a_window_is_checked_on_a_real_kernel(
    guest_with_dma: Machine, shared_memory: Path, word: str
) -> None:
    guest_with_dma.call(switch, at.MEMORY, True)
    before = shared_memory.read_bytes()
    result = guest_with_dma.call(checked, WINDOW, {"word": word, "rate": "10MB/s"}, at.MEMORY_NBYTES, 1 << 16)
    assert result.ok
    assert result.bytes_checked == at.MEMORY_NBYTES
    now = shared_memory.read_bytes()
    assert sum(one == two for one, two in zip(before, now, strict=True)) < at.MEMORY_NBYTES // 100


@pytest.mark.parametrize("word", [4, 8])
def test_each_access_is_as_wide_as_was_asked_for_and_in_order(guest_with_dma: Machine, word: int) -> None:
    guest_with_dma.call(switch, at.SHARING, True)
    uri, options = f"window:/sys/bus/pci/devices/{at.SHARING}/resource0", {"offset": "0x1000", "size": "512B"}
    for event in ("memory_region_ops_write", "memory_region_ops_read"):
        lines = guest_with_dma.traced(
            event, lambda: guest_with_dma.call(touched, uri, options | {"word": str(word)}, 256)
        )
        accesses = [re.search(r"addr (0x\w+) .*size (\d+) name 'edu-mmio'", line) for line in lines]
        seen = [(int(match[1], 16) & 0xFFFFF, int(match[2])) for match in accesses if match]
        assert {width for _, width in seen} == {word}
        places = [place for place, _ in seen]
        expected = list(range(0x1000, 0x1100, word))
        flushed = [] if event.endswith("write") else [0x1100 - word]  # the last word is read back after a write
        assert places == flushed + expected


def test_memory_of_a_function_that_a_driver_has_is_not_taken(guest_with_dma: Machine) -> None:
    for bar in (1, 4):
        kind, said = guest_with_dma.call(refusal, f"window:/sys/bus/pci/devices/{at.IN_USE}/resource{bar}")
        assert kind == "CardInUse"
        assert "virtio-pci drives it" in said


# --- DMA ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("options", [at.EDU, at.EDU_INTERRUPT], ids=["polled", "interrupt"])
def test_bytes_go_to_the_card_and_back_by_dma(engine: Machine, options: dict[str, str]) -> None:
    result = engine.call(checked, ENGINE, options, 4 * 4092, 4092)
    assert result.ok
    assert result.bytes_checked == 4 * 4092


def test_dma_beyond_what_was_mapped_is_refused_by_the_iommu_and_shows(engine: Machine) -> None:
    result, logged = engine.call(astray, ENGINE, at.EDU)
    assert result.mismatched_bytes == 4092
    assert any("DMAR" in line and at.ENGINE.removeprefix("0000:") in line for line in logged)


def test_memory_of_the_card_is_used_in_place(engine: Machine) -> None:
    data = bytes(range(1, 251)) * 16
    assert engine.call(looped_through_regions, ENGINE, at.EDU, data) == (data, 0)


def test_a_region_that_the_engine_is_at_is_not_closed(engine: Machine) -> None:
    refused, closed = engine.call(closed_in_flight, ENGINE, at.EDU)
    assert "may still use this Region" in refused
    assert closed == "closed"


def test_a_card_that_had_no_time_is_stopped_and_works_again(engine: Machine) -> None:
    assert engine.call(stalled_and_recovered, ENGINE, at.EDU) == (True, "drained", True)


def test_a_function_that_was_reset_works(engine: Machine) -> None:
    assert engine.call(reset_and_checked, ENGINE, at.EDU)


def test_a_card_that_is_open_is_not_opened_again(engine: Machine) -> None:
    kind, said = engine.call(opened_twice, ENGINE, at.EDU)
    assert kind == "CardInUse"
    assert "/dev/vfio/" in said


def test_a_function_that_another_driver_has_is_not_taken(engine: Machine) -> None:
    kind, said = engine.call(refusal, f"vfio:{at.IN_USE}", at.EDU)
    assert kind == "CardInUse"
    assert "virtio-pci drives it" in said
    assert f"echo {at.IN_USE} > /sys/bus/pci/devices/{at.IN_USE}/driver/unbind" in said


def test_a_group_that_others_are_in_is_refused_with_their_names(engine: Machine) -> None:
    engine.call(bind, at.SHARING)
    kind, said = engine.call(refusal, f"vfio:{at.SHARING}", at.EDU)
    assert kind == "CannotOpen"
    assert f"{at.IN_USE} (virtio-pci)" in said


RULES = (
    "close-leaves-nothing-open",
    "counts-are-honest",
    "each-ticket-completes-once",
    "quiesce-ends-all-writing",
    "both-directions-work-at-once",
    "regions-carry-data",
    "a-region-in-flight-stays",
    "a-reset-empties-the-card",
)
"""Of the conformance kit: those about what only a real kernel and real DMA can break."""


def test_the_driver_keeps_the_rules_of_a_queue_and_of_its_memory(engine: Machine) -> None:
    found = engine.call(tried_rules, ENGINE_URI, RULES)
    assert [(rule, outcome) for rule, outcome, _ in found] == [(rule, "kept") for rule, _, _ in found]
    assert {rule for rule, _, _ in found} == set(RULES)


@pytest.mark.long
def test_the_driver_keeps_every_rule_that_can_be_tried_here(engine: Machine) -> None:
    names = [rule.name for rule in conformance.rules_of("card")]
    found = [finding for name in names for finding in engine.call(tried_rules, ENGINE_URI, (name,))]
    assert [rule for rule in found if rule[1] == "broken"] == []
    assert sum(outcome == "kept" for _, outcome, _ in found) > 40


def test_nothing_is_left_open(engine: Machine) -> None:
    engine.call(checked, ENGINE, at.EDU, 4092, 4092)
    assert engine.call(left_open) == []


def test_a_card_that_is_pulled_out_is_lost_and_not_wrong_data(guest_with_dma: Machine) -> None:
    guest_with_dma.call(switch, at.MEMORY, True)
    right, said, evidence = guest_with_dma.call(pulled_out, WINDOW, at.MEMORY_PORT)
    assert right == 1 << 16
    assert "answers with all ones" in said
    assert "shows its link down" in evidence
