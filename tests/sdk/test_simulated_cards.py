"""Cards that say only when they are open that they are simulated: cautions, caveats, and what may not come back."""

from __future__ import annotations

import threading
import warnings
from collections.abc import Callable
from typing import Any, cast

import pytest
from endpoint_fakes import EchoStream, FakeDriver, card_of

import laneproof
from laneproof import safety
from laneproof.errors import DriverFault, LaneproofError
from laneproof.safety import SafetyCaution

Install = Callable[..., None]


@pytest.fixture(autouse=True)
def unseen(monkeypatch: pytest.MonkeyPatch) -> None:
    """As in a process that has opened no physical card yet."""
    monkeypatch.setattr(safety, "_first", threading.Lock())


def over_a_wire(install: Install, **card: Any) -> FakeDriver:
    """A driver of physical ways, with cards like that at their ends."""
    driver = FakeDriver(lambda _: card_of(EchoStream(), **card))
    driver.physical = driver.may_be_simulated = True
    driver.caveats = ("Over a wire.",)
    install(driver, "fake")
    return driver


def test_a_card_that_says_that_it_is_simulated_is_no_physical_one_and_shows_no_cautions(install: Install) -> None:
    over_a_wire(install, simulated=True, caveats=("It is simulated.",))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with laneproof.open("fake:card") as card:
            assert not card.physical
            assert card.caveats == ("Over a wire.", "It is simulated.")


def test_a_card_that_says_nothing_is_a_physical_one_and_shows_them(install: Install) -> None:
    over_a_wire(install)
    with pytest.warns(SafetyCaution) as shown, laneproof.open("fake:card") as card:
        assert card.physical
    assert shown[0].filename == __file__, "the warning points at the line that opened the card"


def test_a_caution_turned_into_an_error_leaves_such_a_card_closed(install: Install) -> None:
    closed: list[int] = []
    over_a_wire(install, close=lambda: closed.append(1))
    with pytest.raises(SafetyCaution):
        laneproof.open("fake:card")
    assert closed == [1]


@pytest.mark.parametrize("first", [False, True])
def test_neither_a_simulated_card_comes_back_as_a_real_one_nor_the_reverse(install: Install, first: bool) -> None:
    driver = over_a_wire(install, simulated=first)
    with laneproof.open("fake:card", acknowledge_cautions=True) as card:
        stream = cast("Any", card)._card.channels[0].path

        def fail(*_: object) -> int:
            raise DriverFault("it hangs")

        stream.send = stream.receive_into = fail
        driver.make = lambda _: card_of(EchoStream(), simulated=not first)
        with pytest.raises(DriverFault):
            card.send(b"abc")
        for _ in range(2):  # trying again makes it no better
            with pytest.raises(LaneproofError, match="a real card came back in place of a simulated one"):
                card.recover()
        assert card.physical is not first


def test_caveats_that_are_no_text_are_the_drivers_fault(install: Install) -> None:
    over_a_wire(install)
    with pytest.raises(DriverFault, match="sentences"):
        card_of(EchoStream(), caveats=cast("Any", (b"bytes",)))
