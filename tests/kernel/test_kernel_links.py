"""Links that are narrower or slower than they could be, limited further up, or gone, as the kernel shows them.

Outside references: QEMU's options and the registers set from outside; what the kernel's own sysfs says.
"""

from __future__ import annotations

import json
from pathlib import Path

import guest_topology as at
import pytest
from guest_machine import Machine
from in_guest import (
    await_card,
    bytes_of,
    commanded,
    errors_of,
    identity_of,
    image_of,
    inject,
    link_of,
    notice_pull,
    pull_out,
    survey,
    watch,
)

from laneproof.cli import main
from laneproof.pcie import registers as regs
from laneproof.readings import HostLink, Identity, PartnerErrors, PartnerLink, Unavailable

pytestmark = [pytest.mark.kernel, pytest.mark.timeout(300)]


def link_below(guest: Machine, port: str) -> HostLink:
    (link,) = (link for link in guest.call(survey).links if link.near_address == port)
    return link


def test_a_card_that_can_do_less_than_its_port_has_trained_to_all_it_can(guest: Machine) -> None:
    link = link_below(guest, at.SLOW_PORT)
    near, far = link.link.near, link.link.far
    assert isinstance(near, PartnerLink)
    assert isinstance(far, PartnerLink)
    assert (near.max_speed_gtps, near.max_width) == (16, 4)
    assert (far.max_speed_gtps, far.max_width) == (2.5, 1)
    assert (near.speed_gtps, near.width) == (far.speed_gtps, far.width) == (2.5, 1)
    assert not any("trained below" in remark for remark in link.remarks)


def test_half_the_width_that_both_ends_can_do_is_remarked(guest: Machine) -> None:
    at.set_link(guest, at.WIDE_CARD, able=(16, 16), trained=(16, 8))
    link = link_below(guest, at.WIDE_PORT)
    assert any("trained below what both ends can: x8 of x16" in remark for remark in link.remarks)
    assert not any("GT/s;" in remark for remark in link.remarks)


def test_a_lower_speed_than_both_ends_can_do_is_remarked(guest: Machine) -> None:
    at.set_link(guest, at.WIDE_CARD, able=(16, 16), trained=(8, 16))
    link = link_below(guest, at.WIDE_PORT)
    assert any("trained below what both ends can: 8 of 16 GT/s" in remark for remark in link.remarks)


def test_a_slower_link_above_a_switch_is_the_bottleneck_of_what_is_below(guest: Machine) -> None:
    at.set_link(guest, at.FIRST_DOWNSTREAM, able=(8, 8))
    at.set_link(guest, at.FIRST_CARD, able=(8, 8), trained=(8, 8))
    link = link_below(guest, at.FIRST_DOWNSTREAM)
    assert isinstance(link.link.far, PartnerLink)
    assert (link.link.far.speed_gtps, link.link.far.width) == (8, 8)
    assert link.path == (at.SWITCH_PORT, at.FIRST_DOWNSTREAM)
    assert link.bottleneck == at.SWITCH_PORT
    assert any("limited further up" in remark for remark in link.remarks)


def test_an_empty_port_has_no_far_end(guest: Machine) -> None:
    link = link_below(guest, at.EMPTY_PORT)
    assert link.far_address is None
    assert isinstance(link.link.far, Unavailable)
    assert isinstance(link.link.near, PartnerLink)
    assert link.link.near.active is False
    assert (link.link.near.speed_gtps, link.link.near.width) == (None, None)


def test_a_recording_made_in_the_guest_reads_the_same_outside(
    guest: Machine, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, said, _ = guest.call(commanded, "survey", "--record", "/tmp/guest.tar")
    assert status == 0, said
    inside = guest.call(commanded, "survey", "--json")
    recording = tmp_path / "guest.tar"
    recording.write_bytes(guest.call(bytes_of, "/tmp/guest.tar"))
    assert main(["survey", "--root", str(recording), "--json"]) == 0
    seen, recorded = json.loads(inside[1]), json.loads(capsys.readouterr().out)
    assert len(seen["links"]) == 7
    assert recorded["links"] == seen["links"]
    assert recorded["kernel"] == seen["kernel"]


def test_the_command_shows_the_guest_on_a_terminal(guest: Machine) -> None:
    status, shown, said = guest.call(commanded, "survey")
    assert (status, said) == (0, "")
    assert "7 PCI Express links shown; nothing was written" in " ".join(shown.split())
    assert f"{at.SLOW_PORT} (slot 1) to {at.SLOW_CARD}" in shown


def test_a_card_pulled_out_is_lost_and_the_port_above_shows_its_link_down(guest: Machine) -> None:
    """First as Linux has not noticed yet: the function answers with all ones; then as Linux shows it no more."""
    guest.call(watch, at.PULLED_CARD)
    assert isinstance(guest.call(identity_of, at.PULLED_CARD), Identity)
    guest.call(pull_out, at.PULLED_PORT)
    assert guest.call(image_of, at.PULLED_CARD)[:64] == b"\xff" * 64
    assert "answers with all ones" in lost(guest)
    guest.call(notice_pull, at.PULLED_PORT)
    assert "no longer shows" in lost(guest)
    errors = guest.call(errors_of, at.PULLED_CARD)
    assert isinstance(errors.far, Unavailable)
    assert isinstance(errors.near, PartnerErrors)


def lost(guest: Machine) -> str:
    """What laneproof says of the pulled card, the link's evidence checked."""
    link = guest.call(link_of, at.PULLED_CARD)
    assert isinstance(link.far, Unavailable)
    assert isinstance(link.near, PartnerLink)
    assert link.near.active is False
    assert (link.near.speed_gtps, link.near.width) == (None, None)
    message = guest.call(identity_of, at.PULLED_CARD)
    assert isinstance(message, str)
    assert at.PULLED_CARD in message
    return message


def test_a_card_put_back_is_found_again_and_counts_anew(guest: Machine) -> None:
    guest.call(watch, at.SLOW_CARD)
    guest.call(inject, at.SLOW_CARD, 0, regs.PCI_ERR_COR_BAD_TLP, (0, 0, 0, 0), False)
    before = guest.call(errors_of, at.SLOW_CARD).far
    guest.call(pull_out, at.SLOW_PORT)
    guest.call(notice_pull, at.SLOW_PORT)
    guest.monitor("device_add", driver="virtio-rng-pci", bus="slow", aer="on", **{"disable-legacy": "on"})
    guest.call(await_card, at.SLOW_CARD)
    after = guest.call(errors_of, at.SLOW_CARD).far
    assert isinstance(before, PartnerErrors)
    assert isinstance(after, PartnerErrors)
    assert isinstance(guest.call(identity_of, at.SLOW_CARD), Identity)
    assert after.epoch != before.epoch
    added = after.since(before).correctable["BadTLP"]
    assert isinstance(added, Unavailable)
    assert "started anew" in added.why
