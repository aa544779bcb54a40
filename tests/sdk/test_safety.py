"""The cautions: when they are shown, once, and never by printing."""

from __future__ import annotations

import threading
import warnings
from collections.abc import Callable

import pytest
from endpoint_fakes import EchoStream, FakeDriver, card_of

import laneproof
from laneproof import safety
from laneproof.safety import SafetyCaution


@pytest.fixture
def unseen(monkeypatch: pytest.MonkeyPatch) -> None:
    """As in a process that has opened no physical card yet."""
    monkeypatch.setattr(safety, "_first", threading.Lock())


@pytest.fixture
def physical(install: Callable[..., None]) -> FakeDriver:
    driver = FakeDriver(lambda _: card_of(EchoStream()))
    driver.physical = True
    install(driver, "fake")
    return driver


def test_the_first_physical_card_shows_the_cautions_and_no_other_does(
    unseen: None, physical: FakeDriver, capfd: pytest.CaptureFixture[str]
) -> None:
    with warnings.catch_warnings(record=True) as shown:
        warnings.simplefilter("always")
        laneproof.open("fake:one").close()
        laneproof.open("fake:two").close()
    assert [warning.category for warning in shown] == [SafetyCaution]
    assert shown[0].filename == __file__, "the warning points at the line that opened the card"
    assert capfd.readouterr() == ("", "")


def test_a_simulated_card_shows_none(unseen: None) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        laneproof.open("sim:demo#north").close()


def test_acknowledged_cautions_are_not_shown_and_do_not_count_as_seen(unseen: None, physical: FakeDriver) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        laneproof.open("fake:one", acknowledge_cautions=True).close()
    with pytest.warns(SafetyCaution):
        laneproof.open("fake:two").close()


def test_a_caution_turned_into_an_error_leaves_the_card_unopened(unseen: None, physical: FakeDriver) -> None:
    with pytest.raises(SafetyCaution):
        laneproof.open("fake:one")
    assert physical.connected == 0


def test_every_caution_names_its_source_or_that_it_has_none() -> None:
    text = safety.cautions_text()
    for caution in safety.CAUTIONS:
        assert caution.title in text
        assert caution.text in text
        assert caution.source
        assert caution.source in text
    assert text.endswith(safety.DEFERRAL)
    assert {"Auxiliary power connectors", "Power order", "Static"} <= {caution.title for caution in safety.CAUTIONS}
