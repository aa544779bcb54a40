"""Link and error readings and identities as payloads, and whatever else may come in their place."""

from __future__ import annotations

from contextlib import suppress

from hypothesis import given
from hypothesis import strategies as st

from laneproof.readings import AtLeast, Component, ErrorReading, Exact, Identity, LinkReading, Unavailable
from laneproof.readings import PartnerErrors as Errors
from laneproof.readings import PartnerLink as Partner
from laneproof_drivers.framing import messages
from laneproof_drivers.framing.readings_on_the_wire import packed_errors, packed_link, read_errors, read_link


def test_readings_arrive_as_they_were_taken() -> None:
    link = LinkReading(
        near=Partner(name="port", speed_gtps=2.5, width=4, max_speed_gtps=64.0, max_width=16, active=True),
        far=Unavailable("hidden"),
        wiring=8,
    )
    assert read_link(packed_link(link)) == link
    errors = ErrorReading(
        near=Errors(name="port", epoch="3", correctable={"RxErr": Exact(4), "BadTLP": AtLeast(1, "a flag", True)}),
        far=Errors(name="card", epoch="", fatal={"DLP": Unavailable("masked")}, nonfatal={"CmpltTO": AtLeast(2, "x")}),
    )
    assert read_errors(packed_errors(errors)) == errors
    identity = Identity(model="m", serial=None, components=(Component("firmware", "1"),))
    assert messages.read_identity(messages.packed_identity(identity)) == identity


def test_a_count_that_four_bytes_cannot_hold_is_a_lower_bound() -> None:
    errors = ErrorReading(near=Errors(name="p", epoch="", fatal={"DLP": Exact(2**40)}), far=Unavailable("-"))
    near = read_errors(packed_errors(errors)).near
    assert isinstance(near, Errors)
    assert near.fatal["DLP"] == AtLeast(2**32 - 1, "more than four bytes can say")


@given(st.binary(max_size=200))
def test_hostile_readings_are_malformed_and_nothing_else(payload: bytes) -> None:
    for read in (read_link, read_errors, messages.read_identity):
        with suppress(messages.Malformed):
            read(payload)
