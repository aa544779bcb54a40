"""What the contract's values refuse, and how a card's parts are found."""

from __future__ import annotations

from typing import Any

import pytest
from endpoint_fakes import LIMITS, EchoStream, card_of

from laneproof.clock import Deadline
from laneproof.contract import Card, Channel, ErrorObserver, Limits, LinkObserver, Region, ResetLevel
from laneproof.errors import DriverFault
from laneproof.on_request import MarginingReceiver, MarginPoint
from laneproof.readings import ErrorReading, LinkReading, Unavailable


class Both(LinkObserver, ErrorObserver):
    def read_link(self, deadline: Deadline) -> LinkReading:
        return LinkReading(near=Unavailable("a test"), far=Unavailable("a test"))

    def read_errors(self, deadline: Deadline) -> ErrorReading:
        return ErrorReading(near=Unavailable("a test"), far=Unavailable("a test"))


class LinkOnly(LinkObserver):
    def read_link(self, deadline: Deadline) -> LinkReading:
        return LinkReading(near=Unavailable("a test"), far=Unavailable("a test"))


@pytest.mark.parametrize(
    "wrong",
    [
        {"max_transfer": 0},
        {"alignment": 0},
        {"granularity": 0},
        {"queue_depth": 0},
        {"boundary": "packet"},
        {"nominal_bytes_per_s": 0.0},
        {"nominal_bytes_per_s": float("nan")},
    ],
)
def test_limits_that_nothing_could_move_within_are_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=next(iter(wrong))):
        Limits(**{"max_transfer": 4096} | wrong)


@pytest.mark.parametrize("number", [float("nan"), float("inf"), -1.0])
@pytest.mark.parametrize("key", ["timing_offset_ui", "voltage_offset_v"])
def test_offsets_of_a_receiver_that_are_no_numbers_are_refused(key: str, number: float) -> None:
    plain: dict[str, Any] = {
        "number": 1,
        "name": "port",
        "lanes": (0,),
        "timing_steps": 8,
        "independent_timing": True,
        "independent_sampler": True,
    }
    MarginingReceiver(**plain)
    with pytest.raises(ValueError, match=key):
        MarginingReceiver(**{**plain, key: number})


@pytest.mark.parametrize("number", [float("nan"), float("inf"), -1.0])
@pytest.mark.parametrize("key", ["seconds", "bits"])
def test_what_a_margin_rests_on_is_a_number(key: str, number: float) -> None:
    with pytest.raises(ValueError, match=key):
        MarginPoint(**{"outcome": "within", "errors": 0, "seconds": 1.0, key: number})


def test_one_object_may_be_several_parts() -> None:
    both = Both()
    card = card_of(EchoStream(), parts=(both,))
    assert card.part(LinkObserver) is both
    assert card.part(ErrorObserver) is both


def test_a_part_that_is_absent_is_none() -> None:
    assert card_of(EchoStream()).part(LinkObserver) is None


def test_two_objects_for_one_part_are_refused() -> None:
    with pytest.raises(DriverFault, match="more than one LinkObserver"):
        card_of(EchoStream(), parts=(Both(), LinkOnly()))


def test_what_is_no_part_is_refused() -> None:
    with pytest.raises(DriverFault, match="str is no part that the contract knows"):
        card_of(EchoStream(), parts=("link",))  # type: ignore[arg-type]


@pytest.mark.parametrize("names", [[], ["dma0", "dma0"]])
def test_a_card_has_channels_with_names_of_their_own(names: list[str]) -> None:
    with pytest.raises(DriverFault, match="names of their own"):
        Card(channels=tuple(Channel(name=name, path=EchoStream(), limits=LIMITS) for name in names), close=lambda: None)


def test_resets_go_from_mild_to_harsh() -> None:
    assert ResetLevel.DATA < ResetLevel.FUNCTION < ResetLevel.LINK


def test_leaving_a_region_closes_it() -> None:
    class Counted(Region):
        view = memoryview(bytearray(8))
        closed = 0

        def close(self) -> None:
            self.closed += 1

    with Counted() as region:
        assert region.closed == 0
    assert region.closed == 1
