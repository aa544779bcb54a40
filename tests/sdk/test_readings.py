"""What was added between two readings: never negative, and never more certain than either reading was."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from laneproof.readings import AtLeast, Count, ErrorReading, Exact, PartnerErrors, Unavailable, known


def partner(epoch: str = "boot", **correctable: Count) -> PartnerErrors:
    return PartnerErrors(name="root port", epoch=epoch, correctable=correctable)


def added(before: Count, now: Count, *, epoch: str = "boot") -> Count:
    return partner(epoch, BadTLP=now).since(partner(BadTLP=before)).correctable["BadTLP"]


def test_an_exact_count_less_an_exact_count_is_exact() -> None:
    assert added(Exact(3), Exact(10)) == Exact(7)
    assert added(Exact(3), Exact(3)) == Exact(0)


def test_a_lower_bound_stays_one_and_keeps_its_reason() -> None:
    assert added(Exact(3), AtLeast(10, "coalesced")) == AtLeast(7, "coalesced")
    assert added(AtLeast(3, "coalesced"), AtLeast(10, "coalesced")) == AtLeast(7, "coalesced")


def test_an_exact_count_after_a_lower_bound_says_nothing_of_what_was_added() -> None:
    # There were at least 3 before: of the 10 there are now, anything from none to 7 is new.
    assert isinstance(added(AtLeast(3, "sticky"), Exact(10)), Unavailable)


def test_unavailable_at_either_end_is_unavailable() -> None:
    assert isinstance(added(Unavailable("no permission"), Exact(10)), Unavailable)
    assert added(Exact(10), Unavailable("no permission")) == Unavailable("no permission")


def test_a_new_epoch_gives_the_new_count_as_a_lower_bound() -> None:
    assert added(Exact(3), Exact(10), epoch="after reset") == AtLeast(10, "the counters started anew in between")


def test_a_counter_that_fell_has_started_anew() -> None:
    count = added(Exact(10), Exact(3))
    assert isinstance(count, AtLeast)
    assert count.n == 3


def test_a_zero_after_a_restart_is_no_zero_over_the_step() -> None:
    assert isinstance(added(Exact(0), Exact(0), epoch="after reset"), Unavailable)


def test_a_counter_that_is_no_longer_shown_is_not_zero() -> None:
    assert isinstance(partner().since(partner(BadTLP=Exact(3))).correctable["BadTLP"], Unavailable)


def test_each_severity_and_each_partner_by_itself() -> None:
    def reading(near: int, far: int) -> ErrorReading:
        return ErrorReading(
            near=PartnerErrors(name="port", epoch="a", fatal={"DLP": Exact(near)}, nonfatal={"UR": Exact(1)}),
            far=PartnerErrors(name="card", epoch="b", correctable={"RxErr": Exact(far)}),
        )

    delta = reading(5, 7).since(reading(1, 2))
    near, far = known(delta.near), known(delta.far)
    assert near is not None
    assert far is not None
    assert (near.fatal, near.nonfatal, near.epoch) == ({"DLP": Exact(4)}, {"UR": Exact(0)}, "a")
    assert far.correctable == {"RxErr": Exact(5)}


def test_a_partner_that_could_not_be_read_leaves_the_other() -> None:
    before = ErrorReading(near=partner(A=Exact(1)), far=Unavailable("all ones"))
    now = ErrorReading(near=partner(A=Exact(2)), far=partner(A=Exact(9)))
    delta = now.since(before)
    assert isinstance(delta.near, PartnerErrors)
    assert delta.near.correctable == {"A": Exact(1)}
    assert delta.far == Unavailable("not known before: all ones")
    assert before.since(now).far == Unavailable("all ones")


counts = st.one_of(
    st.integers(0, 20).map(Exact),
    st.integers(0, 20).map(lambda n: AtLeast(n, "coalesced")),
    st.just(Unavailable("not shown")),
)


@given(counts, counts, st.booleans())
def test_no_delta_is_negative_nor_more_certain_than_its_ends(before: Count, now: Count, restarted: bool) -> None:
    delta = added(before, now, epoch="anew" if restarted else "boot")
    assert isinstance(delta, Unavailable) or delta.n >= 0
    if isinstance(delta, Exact):
        assert not restarted
        assert isinstance(now, Exact)
    if Unavailable in (type(before), type(now)):
        assert isinstance(delta, Unavailable)


def test_a_flag_that_was_set_before_is_blind_unless_the_count_rises_all_the_same() -> None:
    blind = AtLeast(1, "the flag is set", blind=True)
    assert isinstance(added(blind, blind), Unavailable)
    assert added(blind, AtLeast(500, "counted")) == AtLeast(499, "counted")


def test_a_flag_that_is_set_now_and_was_clear_before_stands_for_one_event() -> None:
    blind = AtLeast(5, "the flag is set", blind=True)
    assert added(AtLeast(5, "counted"), blind) == AtLeast(1, "the flag is set", blind=True)
