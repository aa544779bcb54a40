"""The queue and memory of the driver `vfio`, over an engine that is played here. Real DMA is in tests/kernel."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator

import pytest
from dma_card import BUSY, OPTIONS, STATUS, PlayedCard, PlayedDriver, playing

import laneproof
from laneproof import conformance
from laneproof.campaign.verdict import Verdict
from laneproof.clock import Deadline
from laneproof.contract import ResetLevel
from laneproof.errors import BadInput, DriverFault, EndpointBusy

LONG_S = 10.0


@pytest.fixture
def card() -> Iterator[PlayedCard]:
    with playing() as made:
        yield made


def finish(card: PlayedCard, timeout_s: float = LONG_S) -> dict[int, tuple[str, int, int]]:
    """All that completes until the deadline, or until nothing is out."""
    done: dict[int, tuple[str, int, int]] = {}
    with Deadline(timeout_s) as deadline:
        while (card.queue._waiting or card.queue._current) and (some := card.queue.reap(deadline)):
            done.update({one.ticket: (one.status, one.sent, one.received) for one in some})
    return done


def echoed(card: PlayedCard, data: bytes) -> bytes:
    into = bytearray(len(data))
    card.queue.submit(1, memoryview(data), memoryview(into))
    assert finish(card) == {1: ("done", len(data), len(data))}
    return bytes(into)


def test_bytes_come_back_wherever_the_ring_stands(card: PlayedCard) -> None:
    for number in range(12):
        data = bytes([number + 1]) * 1500
        assert echoed(card, data) == data
    assert any(nbytes < 1500 for _, _, nbytes, _ in card.engine.runs)  # some ran across the ring's end


def test_what_is_sent_alone_is_received_alone_in_order(card: PlayedCard) -> None:
    into = [bytearray(1000), bytearray(2000)]
    card.queue.submit(1, None, memoryview(into[0]))
    card.queue.submit(2, None, memoryview(into[1]))
    card.queue.submit(3, memoryview(b"a" * 1400), None)
    card.queue.submit(4, memoryview(b"b" * 1600), None)
    assert finish(card) == {
        number: ("done", *moved) for number, moved in enumerate(((0, 1000), (0, 2000), (1400, 0), (1600, 0)), 1)
    }
    assert into[0] + into[1] == b"a" * 1400 + b"b" * 1600


def test_a_send_waits_for_room_and_a_stop_says_how_far_it_came(card: PlayedCard) -> None:
    card.queue.submit(1, memoryview(bytes(4096)), None)
    card.queue.submit(2, memoryview(bytes(100)), None)
    assert finish(card, 0.05) == {1: ("done", 4096, 0)}
    with Deadline(LONG_S) as deadline:
        (stopped,) = card.queue.quiesce(deadline)
    assert (stopped.ticket, stopped.status, stopped.sent) == (2, "stopped", 0)
    assert echoed(card, b"x" * 64) == b"x" * 64


def test_an_echo_beside_bytes_that_nobody_received_fails_and_says_why(card: PlayedCard) -> None:
    card.queue.submit(1, memoryview(bytes(64)), None)
    finish(card)
    card.queue.submit(2, memoryview(bytes(64)), memoryview(bytearray(64)))
    with Deadline(LONG_S) as deadline:
        (failed,) = card.queue.reap(deadline)
    assert failed.status == "failed"
    assert "64 bytes that nobody received" in failed.why


def test_an_engine_that_says_it_failed_fails_the_ticket_and_goes_on(card: PlayedCard) -> None:
    card.engine.failing = True
    card.queue.submit(1, memoryview(bytes(64)), memoryview(bytearray(64)))
    assert finish(card) == {1: ("failed", 0, 0)}
    card.engine.failing = False
    with Deadline(LONG_S) as deadline:
        assert card.queue.quiesce(deadline) == []
    assert echoed(card, b"y" * 64) == b"y" * 64


def test_an_engine_that_could_not_be_started_has_moved_nothing(
    card: PlayedCard, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(offset: int, value: int) -> None:
        raise DriverFault("writing the register failed")

    into = bytearray(64)
    card.queue.submit(1, memoryview(bytes(64)), memoryview(into))
    monkeypatch.setattr(card.engine, "put", refuse)
    with Deadline(0.1) as deadline:
        with pytest.raises(DriverFault, match="writing the register"):
            card.queue.reap(deadline)
        card.engine.values[STATUS] = BUSY
        card.engine.stuck = True
        (stopped,) = card.queue.quiesce(deadline)
    assert (stopped.status, stopped.sent, stopped.received) == ("stopped", 0, 0)


def test_regions_are_used_in_place_and_other_memory_is_copied(card: PlayedCard) -> None:
    with Deadline(LONG_S) as deadline:
        region = card.dma.allocate(8192, deadline)
    region.view[:64] = b"z" * 64
    card.queue.submit(1, region.view[:64], region.view[4096:4160])
    assert finish(card) == {1: ("done", 64, 64)}
    assert region.view[4096:4160] == b"z" * 64
    assert [run[0] for run in card.engine.runs[:1]] == [region.iova]
    assert card.engine.runs[1][1] == region.iova + 4096
    card.queue.submit(2, region.view[2:66], None)  # at an address that the engine cannot have
    finish(card)
    assert card.engine.runs[2][0] == card.own[0].iova
    region.close()


def test_a_region_is_not_closed_while_a_ticket_that_has_it_is_out(card: PlayedCard) -> None:
    with Deadline(LONG_S) as deadline:
        region = card.dma.allocate(64, deadline)
    card.queue.submit(1, None, region.view[:])
    with pytest.raises(EndpointBusy):
        region.close()
    with Deadline(LONG_S) as deadline:
        card.queue.quiesce(deadline)
    region.close()
    region.close()
    assert region.iova not in card.container.shown


def test_an_engine_that_hangs_is_kept_from_the_bus_and_its_region_held_until_a_reset(card: PlayedCard) -> None:
    with Deadline(LONG_S) as deadline:
        region = card.dma.allocate(64, deadline)
    card.queue.submit(1, memoryview(bytes(64)), region.view[:])
    with Deadline(0) as now:
        card.queue.reap(now)
        card.engine.stuck = True
        card.queue.reap(now)
    assert len(card.engine.runs) == 1
    card.engine.stuck = False
    with Deadline(0) as now:
        card.queue.reap(now)  # the way back begins
    card.engine.stuck = True
    with Deadline(0.1) as deadline:
        (held,) = card.queue.quiesce(deadline)
    assert (held.status, held.sent, held.received) == ("held", 64, 0)
    assert not card.engine.may_dma
    with pytest.raises(EndpointBusy):
        region.close()
    with pytest.raises(DriverFault, match="did not stop"):
        card.queue.submit(2, memoryview(bytes(64)), None)
    with Deadline(0.1) as deadline, pytest.raises(DriverFault, match="did not stop"):
        card.queue.quiesce(deadline)
    card.engine.stuck, card.engine.may_dma, card.engine.values[STATUS] = False, True, 0
    card.queue.restart()
    region.close()
    assert echoed(card, b"w" * 64) == b"w" * 64


@pytest.mark.parametrize("nbytes", [0, 2, 4100])
def test_a_transfer_that_the_engine_cannot_do_is_refused(card: PlayedCard, nbytes: int) -> None:
    with pytest.raises(BadInput, match="give whole 4 bytes, 4096 at most"):
        card.queue.submit(1, memoryview(bytes(nbytes)), None)


def test_an_interrupt_is_waited_for_and_acknowledged() -> None:
    with playing(interrupts=True) as card:
        into = bytearray(64)
        card.queue.submit(1, memoryview(b"i" * 64), memoryview(into))
        for _ in range(3):
            with Deadline(0.02) as deadline:
                assert not card.queue.reap(deadline) or into == b"i" * 64
            os.eventfd_write(card.queue._event_fd, 1)
        assert into == b"i" * 64
        assert card.acknowledged


def test_an_endpoint_proves_every_byte_in_the_cards_own_memory(install: Callable[..., None]) -> None:
    driver = PlayedDriver()
    install(driver, "played")
    with laneproof.open("played:here", options=OPTIONS) as endpoint:
        assert endpoint.check("prbs31", 100_000).ok
        (played,) = driver.cards
        own = {region.iova for region in played.own}
        assert not own & {iova for source, destination, _, _ in played.engine.runs for iova in (source, destination)}
        out, into = bytes(range(200)) * 5, bytearray(1000)
        endpoint.loopback(out, into)
        assert into == out
        endpoint.send(bytes(64))
        played.engine.stuck = True
        endpoint.channels[0].in_step = False
        assert endpoint.recover().how == "drained"  # the stuck engine was at rest
        assert endpoint.check("prbs31", 64, timeout=0.1).stalled
        assert endpoint.recover().how == "reconnected"
        assert endpoint.check("prbs31", 64).ok


def test_the_queue_and_its_memory_keep_every_rule(install: Callable[..., None]) -> None:
    class PlayedRig(conformance.Rig):
        uri = "played:here?" + "&".join(f"{key}={value}" for key, value in OPTIONS.items())
        resets = (ResetLevel.FUNCTION,)
        budget_s = 0.3
        quiet_s = 0.3

    install(PlayedDriver(), "played")
    findings = conformance.run(PlayedRig())
    assert [str(one) for one in findings if one.outcome == "broken"] == []
    assert conformance.verdict(findings) is Verdict.PASS
    kept = {one.rule for one in findings if one.outcome == "kept"}
    assert {"a-region-in-flight-stays", "a-reset-empties-the-card", "quiesce-ends-all-writing"} <= kept
