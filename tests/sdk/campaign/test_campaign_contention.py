"""A rate beside others: when the link that slots share explains it, when it is the slot's own, when neither is known.

That no port gets a part of a shared link for certain, since a switch serves its ports by an arbitration of its own: PCI
Express Base Specification, 6.3, from memory.
"""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from laneproof.campaign.contention import SharedLoad, accompanied, busiest_shared, excuse, measures_of, overlapping
from laneproof.campaign.events import Measured, Moved
from laneproof.campaign.meeting import Company
from laneproof.campaign.verdict import Verdict
from laneproof.readings import LinkReading, PartnerLink, Unavailable

OWN = PartnerLink(name="own port", speed_gtps=8.0, width=8)
ABOVE = PartnerLink(name="0000:00:01.0", speed_gtps=8.0, width=8)
BELOW_A_SWITCH = LinkReading(near=OWN, far=OWN, above=(ABOVE,))
BELOW_A_ROOT_PORT = LinkReading(near=OWN, far=OWN)
HIDDEN = LinkReading(near=Unavailable("a hypervisor"), far=OWN)
CEILING = 100.0
"""Of the shared link; of the slot's own likewise. 75 are asked for."""
HALF_A_SECOND = [Moved(0.0, 0.5, 20)]


def other(
    *moved: Moved, way: tuple[str, ...] | None = (ABOVE.name,), virtual: bool = False, slot: str = "b"
) -> Measured:
    return Measured(slot=slot, step=0, virtual_time=virtual, way=way, moved=moved)


def judged(
    rate: float, *others: Measured, reading: LinkReading = BELOW_A_SWITCH, **known: object
) -> tuple[Verdict, str]:
    """Of a slot that moved steadily for one second."""
    company = Company(together=others, **known)  # type: ignore[arg-type]
    moved = [Moved(0.0, 1.0, int(rate))]
    shared = busiest_shared(
        reading, moved, company, bytes_per_s=rate, virtual=False, ceiling_of=lambda link: CEILING if link.width else 0.0
    )
    found = excuse(rate, 75.0, reading, company, shared, least_share=0.75, virtual=False)
    return found.verdict, found.text


def load(nbytes: int) -> Moved:
    return Moved(0.0, 1.0, nbytes)


def test_slots_that_fill_their_shared_link_together_pass_on_the_sum() -> None:
    verdict, text = judged(48, other(load(47)))
    assert verdict is Verdict.PASS
    assert "2 slots together moved 95 B/s meanwhile over the link that they share, below 0000:00:01.0: 95.0%" in text
    assert "what each slot gets of it is not guaranteed, and what its own link carries is not shown by this" in text


def test_three_share_it_as_well() -> None:
    verdict, text = judged(30, other(load(30)), other(load(30), slot="c"))
    assert verdict is Verdict.PASS
    assert "3 slots together" in text


def test_a_slot_below_an_even_part_of_a_full_link_is_not_known_to_be_well() -> None:
    verdict, text = judged(20, other(load(75)))
    assert verdict is Verdict.INCONC
    assert "take a throughput step with alone = true" in text


def test_alone_it_was_well_so_an_uneven_part_is_arbitration() -> None:
    verdict, text = judged(20, other(load(75)), alone_bytes_per_s=90.0)
    assert verdict is Verdict.PASS
    assert "alone it had 90 B/s" in text


def test_alone_it_was_slow_so_a_full_link_excuses_nothing() -> None:
    verdict, text = judged(20, other(load(75)), alone_bytes_per_s=20.0)
    assert verdict is Verdict.FAIL
    assert "alone it had 20 B/s" in text


def test_a_shared_link_with_room_left_excuses_no_slow_slot() -> None:
    verdict, text = judged(20, other(load(20)))
    assert verdict is Verdict.FAIL
    assert "40.0% of its ceiling" in text


def test_a_slot_that_was_well_alone_is_not_accused_of_what_the_host_does() -> None:
    for reading in (BELOW_A_SWITCH, BELOW_A_ROOT_PORT):
        verdict, text = judged(20, other(load(20)), reading=reading, alone_bytes_per_s=90.0)
        assert verdict is Verdict.INCONC
        assert "the host, or the computer that tests, does not serve all of them at once" in text


def test_slots_that_share_no_link_are_each_held_to_their_own() -> None:
    verdict, text = judged(20, other(load(75), way=()), reading=BELOW_A_ROOT_PORT)
    assert verdict is Verdict.FAIL
    assert "shares no link with them" in text


@pytest.mark.parametrize(
    ("others", "reading", "why"),
    [
        ([other(load(75))], HIDDEN, "the links above this slot cannot be seen"),
        ([other(load(75), way=None)], BELOW_A_ROOT_PORT, "the links above cannot be seen there"),
        ([], BELOW_A_SWITCH, "c was at work beside it, and what they moved is not known"),
    ],
)
def test_what_cannot_be_seen_is_neither_a_fault_nor_a_pass(
    others: Sequence[Measured], reading: LinkReading, why: str
) -> None:
    verdict, text = judged(20, *others, reading=reading, unknown=() if others else ("c",))
    assert verdict is Verdict.INCONC
    assert why in text
    assert "alone = true" in text


def test_a_slot_with_nobody_beside_it_is_judged_by_itself() -> None:
    assert judged(20) == (Verdict.FAIL, "")


def test_cards_of_another_kind_of_time_share_nothing() -> None:
    assert judged(20, other(load(75), virtual=True))[0] is Verdict.FAIL


# --- what others moved meanwhile


@pytest.mark.parametrize(
    ("theirs", "nbytes"),
    [
        ([Moved(0.0, 0.5, 10)], 10),
        ([Moved(0.25, 0.75, 10)], 5),
        ([Moved(-1.0, 1.5, 10)], 2),
        ([Moved(0.5, 1.0, 10)], 0),
        ([Moved(-0.5, 0.0, 10)], 0),
        ([Moved(0.1, 0.1, 10)], 0),
        ([Moved(-0.1, 0.1, 10), Moved(0.2, 0.3, 7), Moved(0.4, 0.6, 10), Moved(0.7, 0.8, 9)], 17),
    ],
)
def test_others_count_as_far_as_they_moved_within_the_time(theirs: list[Moved], nbytes: float) -> None:
    assert overlapping(HALF_A_SECOND, theirs) == pytest.approx(nbytes)


def test_one_long_transfer_of_anothers_counts_in_each_of_ones_own() -> None:
    mine = [Moved(0.0, 1.0, 1), Moved(2.0, 3.0, 1), Moved(9.0, 10.0, 1)]
    assert overlapping(mine, [Moved(0.0, 4.0, 40)]) == pytest.approx(20)


@pytest.mark.parametrize(
    ("others", "counted"),
    [
        ([other(Moved(0.0, 2.1, 1))], [0, 1]),
        ([other(Moved(0.0, 2.1, 1)), other(Moved(1.0, 9.0, 1), slot="c")], [1]),
        ([other(Moved(0.0, 1.0, 1)), other(Moved(3.0, 4.0, 1), slot="c")], [0, 3]),
        ([other(Moved(0.0, 2.1, 1)), other(Moved(3.0, 4.0, 1), way=(), slot="c")], [0, 1]),
        ([other(Moved(0.0, 2.1, 1), way=())], [0, 1]),
        ([other(Moved(0.0, 2.1, 1), virtual=True)], [0, 1, 2, 3]),
        ([other(Moved(8.0, 9.0, 1))], [0, 1, 2, 3]),
        ([other()], [0, 1, 2, 3]),
    ],
)
def test_of_a_common_step_the_transfers_count_that_had_company(others: list[Measured], counted: list[int]) -> None:
    moved = [Moved(float(at), at + 1.0, 1) for at in range(4)]
    found = accompanied(moved, BELOW_A_SWITCH, Company(together=tuple(others)), virtual=False)
    assert found == [moved[at] for at in counted]


def test_the_load_is_that_of_the_time_in_which_the_slot_was_slow() -> None:
    """The other ended after one of three transfers, from which on this slot was fast."""
    moved = [Moved(0.0, 2.0, 100), Moved(2.0, 3.0, 100), Moved(3.0, 4.0, 100)]
    company = Company(together=(other(Moved(0.0, 2.0, 100)),))
    shared = busiest_shared(
        BELOW_A_SWITCH, moved, company, bytes_per_s=50.0, virtual=False, ceiling_of=lambda _: CEILING
    )
    assert shared == SharedLoad(link=ABOVE.name, slots=2, bytes_per_second=100.0, ceiling_bytes_per_second=CEILING)


def test_of_two_shared_links_the_fuller_one_counts() -> None:
    upper = PartnerLink(name="0000:00:02.0", speed_gtps=8.0, width=4)
    reading = LinkReading(near=OWN, far=OWN, above=(upper, ABOVE))
    company = Company(together=(other(load(40), way=(upper.name, ABOVE.name)),))
    shared = busiest_shared(
        reading,
        [load(40)],
        company,
        bytes_per_s=40.0,
        virtual=False,
        ceiling_of=lambda link: 12.5 * (link.width or 0),
    )
    assert shared is not None
    assert (shared.link, shared.share) == (upper.name, 1.6)


def test_what_is_kept_says_whether_it_was_alone() -> None:
    def kept(company: Company) -> object:
        return measures_of(BELOW_A_SWITCH, company, None, 0.75, alone=True, virtual=False)["alone"]

    assert kept(Company()) is True
    assert kept(Company(unknown=("c",))) is False
