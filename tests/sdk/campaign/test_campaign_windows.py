"""Windows: what one stretch of a run comes to by itself, what lies across its edges, and what is left without it.

Records are made here, second by second, so that the right answer is known by counting; bounds are held against
scipy.stats (Garwood 1936, Biometrika 28, 437).
"""

from __future__ import annotations

import attrs
import pytest
from scipy.stats import chi2

from laneproof.campaign.ledger.series import Span
from laneproof.campaign.results import Reason
from laneproof.campaign.verdict import Verdict
from laneproof.campaign.windows import Account, Increase, Part, SlotRecord, Unread, account

START_S = 1_700_000_000.0
"""UTC of the moment at which the invented card's clock showed 0."""


def second(at: float, nbytes: int = 1000, *, wrong: int = 0, step: int = 0, within_s: float = 0.0) -> Part:
    """A second's row that begins at that time of the card's clock."""
    span = Span(
        from_s=at,
        to_s=at + 1,
        count=1,
        bytes=nbytes,
        verified_bytes=nbytes,
        mismatched_bits=wrong,
        seconds=1.0,
        slowest=float(nbytes),
        fastest=float(nbytes),
    )
    begins_s = START_S + at
    return Part(segment=0, step=step, begins_s=begins_s, ends_s=begins_s + 1, within_s=within_s, span=span)


def load(*rates: int) -> SlotRecord:
    return SlotRecord(name="north", parts=[second(at, rate) for at, rate in enumerate(rates)], limits={0: 0})


def within(slot: SlotRecord, from_s: float, to_s: float) -> Account:
    return account(slot, [(START_S + from_s, START_S + to_s)])


def increase(since_s: float, until_s: float, n: int = 1, **changed: object) -> Increase:
    made = Increase(
        step=0,
        since_s=START_S + since_s,
        until_s=START_S + until_s,
        end="near",
        severity="correctable",
        name="BadTLP",
        n=n,
        at_least=False,
    )
    return attrs.evolve(made, **changed)  # type: ignore[arg-type]


def said(found: Account) -> str:
    return "; ".join([*(f"{reason.verdict}: {reason.text}" for reason in found.reasons), *found.remarks])


def test_only_what_lies_wholly_inside_is_counted_and_the_rest_is_stated() -> None:
    found = within(load(*[1000] * 10), 2.5, 6.5)
    assert found.bytes_moved == (3000, 5000)
    assert found.verified_bits == (24_000, 40_000)
    assert found.clock == ({"segment": 0, "from_s": 2.5, "to_s": 6.5},)
    assert found.verdict is Verdict.PASS
    assert "1.953 KiB moved in spans that reach over an edge" in said(found)


def test_a_row_whose_time_is_not_known_well_enough_is_not_counted_as_inside() -> None:
    vague = [second(at, within_s=0.2) for at in range(10)]
    assert within(SlotRecord(name="north", parts=vague), 3, 5).bytes_moved == (0, 4000)
    assert within(SlotRecord(name="north", parts=vague), 2.8, 5.2).bytes_moved == (2000, 4000)


def test_the_bound_is_that_of_what_is_surely_inside() -> None:
    found = within(load(*[1000] * 10), 2.5, 6.5)
    assert found.upper_bound_per_bit == pytest.approx(chi2.ppf(0.95, 2) / 2 / 24_000)
    wrong = attrs.evolve(load(), parts=[second(at, wrong=2 * (at == 3)) for at in range(8)])
    assert within(wrong, 2, 6).upper_bound_per_bit == pytest.approx(chi2.ppf(0.95, 6) / 2 / 32_000)


def test_wrong_bits_inside_fail_the_window_and_no_other() -> None:
    slot = attrs.evolve(load(), parts=[second(at, wrong=2 * (at == 3)) for at in range(10)])
    assert within(slot, 2, 5).verdict is Verdict.FAIL
    assert within(slot, 2, 5).wrong_bits == (2, 2)
    assert within(slot, 5, 9).verdict is Verdict.PASS


def test_wrong_bits_across_an_edge_leave_the_window_inconclusive() -> None:
    slot = attrs.evolve(load(), parts=[second(at, wrong=2 * (at == 3)) for at in range(10)])
    found = within(slot, 3.5, 8)
    assert (found.verdict, found.wrong_bits) == (Verdict.INCONC, (0, 2))
    assert "they may lie inside or outside" in said(found)


def test_a_window_in_which_nothing_moved_is_none() -> None:
    found = within(load(1000, 1000), 5, 9)
    assert found.verdict is Verdict.NONE
    assert found.upper_bound_per_bit is None
    assert account(SlotRecord(name="north"), [(0.0, 9e9)]).verdict is Verdict.NONE


def test_a_window_shorter_than_a_row_proves_nothing() -> None:
    found = within(load(*[1000] * 10), 4.2, 4.8)
    assert (found.verdict, found.bytes_moved) == (Verdict.INCONC, (0, 1000))
    assert "no verified bit is surely inside" in said(found)


def test_rate_and_gap_are_those_of_the_window() -> None:
    slot = load(*[1000] * 4, 400, 600, 800, *[1000] * 4)
    found = within(slot, 4, 7)
    assert (found.bytes_per_second, found.slowest_bytes_per_second) == (600.0, 400.0)
    assert found.longest_gap_s == (0.0, 0.0)
    holed = attrs.evolve(slot, parts=[second(at) for at in (0, 1, 2, 5, 6, 7)])
    assert within(holed, 1, 8).longest_gap_s == (2.0, 2.0)
    assert within(holed, 3.5, 8).longest_gap_s == (1.5, 1.5)
    assert within(holed, 6, 9.5).longest_gap_s == (1.5, 1.5)


def test_a_gap_may_hide_in_a_row_of_several_samples() -> None:
    slot = load(*[1000] * 4)
    idle = attrs.evolve(slot.parts[2].span, count=3, seconds=0.4)
    slot = attrs.evolve(slot, parts=[*slot.parts[:2], attrs.evolve(slot.parts[2], span=idle), slot.parts[3]])
    assert within(slot, 0, 4).longest_gap_s == pytest.approx((0.0, 0.6))


@pytest.mark.parametrize(
    ("rates", "expected"),
    [
        ([1000] * 5 + [200] * 2 + [200, 700, 960, 1000], (2.0, 3.0)),
        ([1000] * 5 + [200] * 2 + [949, 950], (1.0, 2.0)),
        ([1000] * 5 + [200] * 2 + [1000], (0.0, 1.0)),
        ([1000] * 5 + [200] * 2 + [200, 700, 940], None),
    ],
)
def test_it_has_recovered_once_the_rate_is_within_five_percent_of_the_median_before(
    rates: list[int], expected: tuple[float, float] | None
) -> None:
    found = within(load(*rates), 5, 7)
    assert found.recovered_s == expected
    assert ("not recovered: not within 5% of 1 kB/s in 3 s after it" in said(found)) == (expected is None)


def test_recovery_is_not_claimed_where_nothing_went_before_or_came_after() -> None:
    assert "no rate before it to recover to" in said(within(load(*[1000] * 6), 0, 3))
    assert "no rate after it that could show it recovered" in said(within(load(*[1000] * 6), 3, 6))
    assert within(load(*[1000] * 6), 0, 3).recovered_s is within(load(*[1000] * 6), 3, 6).recovered_s is None


def test_errors_counted_between_readings_inside_fail_and_across_an_edge_are_inconclusive() -> None:
    slot = attrs.evolve(load(*[1000] * 10), increases=[increase(4.0, 5.0, 3), increase(6.5, 7.5, 2)])
    found = within(slot, 3, 6)
    assert (found.verdict, found.link_errors["near"]) == (Verdict.FAIL, {"BadTLP": (3, 3)})
    assert "the near end counted 3 BadTLP; the limit is 0" in said(found)
    across = within(slot, 6, 7)
    assert (across.verdict, across.link_errors["near"]) == (Verdict.INCONC, {"BadTLP": (0, 2)})
    assert within(slot, 8, 9).verdict is Verdict.PASS


def test_errors_are_held_to_the_steps_limit_each_end_for_itself() -> None:
    ends = [increase(4.0, 5.0, 3), increase(4.0, 5.0, 3, end="far")]
    slot = attrs.evolve(load(*[1000] * 10), increases=ends, limits={0: 3})
    assert within(slot, 3, 6).verdict is Verdict.PASS
    assert within(attrs.evolve(slot, limits={0: 2}), 3, 6).verdict is Verdict.FAIL
    bound = attrs.evolve(slot, increases=[attrs.evolve(one, at_least=True) for one in ends])
    assert within(bound, 3, 6).verdict is Verdict.INCONC
    fatal = attrs.evolve(slot, increases=[increase(4.0, 5.0, severity="fatal")])
    assert within(fatal, 3, 6).verdict is Verdict.FAIL


def test_unreadable_counters_leave_it_inconclusive() -> None:
    unread = [Unread(since_s=START_S, until_s=START_S + 4, end="far", why="no AER")]
    slot = attrs.evolve(load(*[1000] * 10), unread=unread)
    assert within(slot, 3, 6).verdict is Verdict.INCONC
    assert "link errors at the far end are not known: no AER" in said(within(slot, 3, 6))
    assert within(slot, 5, 8).verdict is Verdict.PASS


def test_a_slot_that_comes_to_its_end_inside_says_so_there_alone() -> None:
    slot = attrs.evolve(load(*[1000] * 6), ends=[(START_S + 6, Reason(Verdict.FAIL, "the card was lost"))])
    assert "fail: the card was lost" in said(within(slot, 4, 8))
    assert within(slot, 1, 4).verdict is Verdict.PASS


def test_what_is_left_without_a_window_is_all_that_lies_beside_it() -> None:
    slot = attrs.evolve(load(), parts=[second(at, wrong=2 * (at == 3)) for at in range(10)])
    left = account(slot, [(float("-inf"), START_S + 3), (START_S + 4.5, float("inf"))])
    assert left.verdict is Verdict.PASS
    assert left.verified_bits == (8 * 8000, 8 * 9000)
    assert account(slot, [(float("-inf"), float("inf"))]).verdict is Verdict.FAIL


def test_in_simulated_time_no_recovery_is_claimed_and_the_window_says_why() -> None:
    found = within(attrs.evolve(load(*[1000] * 10), virtual=True), 3, 6)
    assert found.recovered_s is None
    assert "the card's time is simulated" in said(found)
    assert "gap" not in said(found)
