"""Who waits for whom at the steps that slots take at once, or one after another; whoever fails holds up nobody."""

from __future__ import annotations

import threading
import time

import attrs
import pytest

from laneproof.campaign import meeting
from laneproof.campaign.events import Event, Expecting, Joined, Measured, Moved, Noted, SlotFinished, StepStarted
from laneproof.campaign.meeting import AtWork, Begin, Called, Company, Meeting, Message, Parted
from laneproof.campaign.rounds import Rounds
from laneproof.campaign.trying_again import KIND
from laneproof_sim.virtual_clock import VirtualClock

SLOTS = {"a": 0, "b": 1, "c": 2}


class Run:
    """Rounds over the slots given, and what each was answered, but for the calls."""

    def __init__(self, slots: str = "abc") -> None:
        self.told: list[tuple[str, Message]] = []
        self.rounds = Rounds(SLOTS, lambda slot, message: self.told.append((slot, message)))
        for slot in slots:
            self.rounds.begun(slot)

    def take(self, *events: Event) -> list[tuple[str, Message]]:
        """What is answered to these."""
        self.told.clear()
        for event in events:
            self.rounds.take(event)
        return [(slot, message) for slot, message in self.told if not isinstance(message, Called)]


def joined(slots: str, step: int = 0, *, alone: bool = False) -> list[Event]:
    return [Joined(slot, step, alone) for slot in slots]


def measured(slot: str, step: int = 0, bytes_per_s: float | None = 1e9) -> Measured:
    return Measured(slot=slot, step=step, virtual_time=False, way=("port",), bytes_per_s=bytes_per_s)


def company(told: list[tuple[str, Message]], slot: str) -> Company:
    (parted,) = [message for name, message in told if name == slot and isinstance(message, Parted)]
    return parted.company


def test_slots_begin_a_common_step_once_all_have_come_to_it() -> None:
    run = Run()
    assert run.take(*joined("cb")) == []
    assert run.take(*joined("a")) == [(slot, Begin(0)) for slot in "abc"]


def test_all_are_called_before_the_first_goes_on() -> None:
    run = Run("ab")
    run.take(*joined("ab"))
    assert run.told == [("a", Called()), ("b", Called()), ("a", Begin(0)), ("b", Begin(0))]


def test_each_hears_what_the_others_measured_once_all_have() -> None:
    run = Run()
    run.take(*joined("abc"))
    assert run.take(measured("c"), measured("a")) == []
    told = run.take(measured("b"))
    assert [one.slot for one in company(told, "b").together] == ["a", "c"]
    assert company(told, "b").unknown == ()


def test_slots_that_take_a_step_alone_take_turns_in_the_order_of_the_plan() -> None:
    run = Run()
    assert run.take(*joined("cab", alone=True)) == [("a", Begin(0))]
    assert run.take(measured("a")) == [("b", Begin(0))]
    assert run.take(measured("b")) == [("c", Begin(0))]
    assert {slot: company(told, slot) for told in [run.take(measured("c"))] for slot in "abc"} == dict.fromkeys(
        "abc", Company()
    )


def test_a_rate_had_alone_is_told_with_the_next_common_step() -> None:
    run = Run("ab")
    run.take(*joined("ab", alone=True), measured("a", bytes_per_s=2e9), measured("b", bytes_per_s=None))
    told = run.take(*joined("ab", 1), measured("a", 1), measured("b", 1))
    assert [company(told, slot).alone_bytes_per_s for slot in "ab"] == [2e9, None]


def test_a_rate_alone_says_nothing_of_another_direction() -> None:
    run = Run("a")
    run.take(*joined("a", alone=True), attrs.evolve(measured("a"), direction="to_card"))
    for step, direction, alone in ((1, "both", None), (2, "to_card", 1e9)):
        told = run.take(*joined("a", step), attrs.evolve(measured("a", step), direction=direction))
        assert company(told, "a").alone_bytes_per_s == alone


@pytest.mark.parametrize("alone", [False, True])
def test_a_slot_that_finishes_before_is_waited_for_no_longer(alone: bool) -> None:
    run = Run("ab")
    run.take(*joined("b", alone=alone))
    assert run.take(SlotFinished("a")) == [("b", Begin(0))]


def test_a_slot_that_hangs_in_its_turn_hands_it_on_once_it_is_given_up() -> None:
    run = Run()
    run.take(*joined("abc", alone=True), measured("a"))
    assert run.take(SlotFinished("b")) == [("c", Begin(0))]
    assert {slot for slot, _ in run.take(measured("c"))} == {"a", "c"}


def test_what_a_slot_moved_that_died_in_a_common_step_is_not_known() -> None:
    run = Run("ab")
    run.take(*joined("ab"), measured("a"))
    assert company(run.take(SlotFinished("b")), "a") == Company(unknown=("b",))


def test_a_slot_whose_card_is_tried_again_is_not_waited_for_until_it_is_back() -> None:
    run = Run("ab")
    run.take(*joined("a"))
    assert run.take(Noted("b", 0, 0.0, KIND, "gone")) == [("a", Begin(0))]
    assert company(run.take(measured("a")), "a") == Company()
    assert run.take(*joined("a", 1)) == [("a", Begin(1))]
    run.take(measured("a", 1), StepStarted("b", 0, "throughput"))
    assert run.take(*joined("a", 2)) == []


@pytest.mark.parametrize("alone", [False, True])
@pytest.mark.parametrize("back", [StepStarted("c", 0, "soak"), Joined("c", 0, False)])
def test_a_slot_that_is_back_while_others_measure_may_have_moved_anything_beside_them(
    alone: bool, back: StepStarted | Joined
) -> None:
    run = Run()
    run.take(*joined("ab", alone=alone))
    assert run.take(Noted("c", 0, 0.0, KIND, "gone")) != []
    told = run.take(measured("a"), back, measured("b"))
    assert [company(told, slot).unknown for slot in "ab"] == [("c",), ("c",)]
    run.take(*joined("ab", 1), *joined("c", 1))
    told = run.take(*(measured(slot, 1) for slot in "abc"))
    assert company(told, "a").alone_bytes_per_s is None


def test_a_slot_whose_card_was_lost_waits_for_nobody_and_is_not_answered_late() -> None:
    run = Run("ab")
    run.take(*joined("ab"), measured("b", bytes_per_s=None), *joined("b", 1))
    assert [slot for slot, _ in run.take(measured("a"))] == ["a"]
    one = Meeting("b", lambda _: None, threading.Event(), answered=True)
    one.tell(Begin(0))
    one.join(0, VirtualClock(), "together")
    assert one.part(0, AtWork(), wait=False) == Company(unknown=("another slot",))


def test_a_slot_that_begins_later_holds_up_nobody_and_is_named() -> None:
    run = Run("ab")
    run.take(*joined("a"))
    run.rounds.begun("c")
    assert len(run.take(*joined("b"))) == 2
    assert company(run.take(measured("a"), measured("b")), "a").unknown == ("c",)


def test_a_slot_that_is_past_a_step_is_not_waited_for_there_and_is_named() -> None:
    run = Run("ab")
    run.take(StepStarted("b", 3, "soak"))
    assert run.take(*joined("a", 2, alone=True)) == [("a", Begin(2))]
    assert company(run.take(measured("a", 2)), "a") == Company(unknown=("b",))


def test_a_rate_had_while_another_was_at_work_is_none_had_alone() -> None:
    run = Run("ab")
    run.take(StepStarted("b", 0, "soak"), *joined("a", 0, alone=True), measured("a", 0))
    told = run.take(*joined("ab", 1), measured("a", 1), measured("b", 1))
    assert company(told, "a").alone_bytes_per_s is None


def test_only_what_slots_tell_each_other_is_kept_from_displays_and_ledger() -> None:
    rounds = Run("a").rounds
    events = [Joined("a", 0, False), measured("a"), StepStarted("a", 0, "link"), Expecting("a", 1.0), SlotFinished("a")]
    assert [rounds.take(event) for event in events] == [True, True, False, False, False]


def test_however_many_transfers_are_told_in_few_pieces() -> None:
    many = [Moved(float(at), at + 0.5, 3) for at in range(1000)]
    few = meeting.in_few(many)
    assert len(few) == 250
    assert (few[0], few[-1]) == (Moved(0.0, 3.5, 12), Moved(996.0, 999.5, 12))
    assert meeting.in_few(many[:3]) == tuple(many[:3])
    assert meeting.in_few([]) == ()


# --- the slot's side


def test_a_slot_without_others_waits_for_nobody() -> None:
    events: list[Event] = []
    one = Meeting("a", events.append, threading.Event(), answered=False)
    one.join(0, VirtualClock(), "together")
    assert one.part(0, AtWork()) is None
    assert events == []


def test_a_slot_that_is_stopped_waits_no_longer_and_knows_nothing_of_the_others() -> None:
    stop = threading.Event()
    one = Meeting("a", lambda _: None, stop, answered=True)
    stop.set()
    one.join(0, VirtualClock(), "alone")
    assert one.part(0, AtWork()) == Company(unknown=("another slot",))


def test_a_slot_that_waits_stands_aside_and_says_that_it_is_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(meeting, "_ANNOUNCE_EVERY_S", 0.0)
    monkeypatch.setattr(meeting, "_SLICE_S", 0.001)
    clock, events, aside = VirtualClock(), list[Event](), list[bool]()
    one = Meeting("a", events.append, threading.Event(), answered=True)

    def answer() -> None:
        while sum(isinstance(event, Expecting) for event in events) < 3:
            time.sleep(0.001)
        aside.append(clock.aside)
        one.tell(Called())
        aside.append(clock.aside)
        one.tell(Begin(4))

    thread = threading.Thread(target=answer)
    thread.start()
    one.join(4, clock, "together")
    thread.join()
    assert events[0] == Joined("a", 4, False)
    assert aside == [True, False]


def test_a_slot_tells_what_it_moved() -> None:
    events: list[Event] = []
    one = Meeting("a", events.append, threading.Event(), answered=True)
    one.tell(Begin(2))
    one.join(2, VirtualClock(), "alone")
    one.tell(Parted(2, Company(alone_bytes_per_s=3.0)))
    at_work = AtWork(moved=[Moved(0.0, 1.0, 8)], bytes_per_s=8.0)
    assert one.part(2, at_work) == Company(alone_bytes_per_s=3.0)
    assert (
        Measured(slot="a", step=2, virtual_time=True, way=None, moved=(Moved(0.0, 1.0, 8),), bytes_per_s=8.0) in events
    )
