"""A kernel that does not handle AER: its counters are there and stand still, and are not to be read as zero."""

from __future__ import annotations

import guest_topology as at
import pytest
from guest_machine import Machine
from in_guest import errors_of, survey, text_of, watch

from laneproof.readings import Unavailable

pytestmark = [pytest.mark.kernel, pytest.mark.timeout(300)]


def test_counters_that_nobody_keeps_are_unavailable(guest_without_aer: Machine) -> None:
    text = guest_without_aer.call(text_of, f"/sys/bus/pci/devices/{at.SLOW_CARD}/aer_dev_correctable")
    assert "RxErr 0" in text
    guest_without_aer.call(watch, at.SLOW_CARD)
    errors = guest_without_aer.call(errors_of, at.SLOW_CARD)
    assert isinstance(errors.near, Unavailable)
    assert isinstance(errors.far, Unavailable)
    assert "pci=noaer" in errors.far.why


def test_a_survey_says_of_each_link_that_nobody_keeps_its_counters(guest_without_aer: Machine) -> None:
    links = {link.near_address: link for link in guest_without_aer.call(survey).links}
    assert links.keys() == {
        at.SLOW_PORT,
        at.SWITCH_PORT,
        at.FIRST_DOWNSTREAM,
        at.SECOND_DOWNSTREAM,
        at.WIDE_PORT,
        at.PULLED_PORT,
        at.EMPTY_PORT,
    }
    assert {link.errors_kept_by for link in links.values()} == {"nobody"}
    assert all(isinstance(link.errors.near, Unavailable) for link in links.values())
