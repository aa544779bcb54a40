"""A switch above slots: how a scenario says so, what its functions show, and what it does to packets it damages."""

from __future__ import annotations

import attrs
import pytest
from sim_bench import Bench, below_a_switch
from test_sim_scenario_file import GOOD, refusal

from laneproof import pcie
from laneproof.documents import parse_toml
from laneproof_sim.damage.in_switch import SwitchFlips
from laneproof_sim.damage.when import When
from laneproof_sim.scenario import Scenario
from laneproof_sim.scenario_file import load, read_scenario
from laneproof_sim.training import RATE_CHANGE_S
from laneproof_sim.transactions.faults import DEFAULT_TIMEOUT

MIB = 1 << 20
PAYLOAD = 256
SWITCH = """
[[switch]]
name = "hub"
wiring = 8
near = { max_speed = "16 GT/s", max_width = 8 }
upstream = { max_speed = "16 GT/s", max_width = 8 }
[[switch.fault]]
kind = "switch-flips"
probability = 1e-6
"""
BELOW = GOOD.replace('name = "north"', 'name = "north"\nbelow = "hub"') + SWITCH


@pytest.fixture
def flipping():
    """`flipping(direction, ecrc=…)`: a slot below a switch that flips bits."""
    benches: list[Bench] = []

    def open_one(direction: str, *, ecrc: bool = False, probability: float = 1e-5, **more: object) -> Bench:
        fault = SwitchFlips(probability=probability, direction=direction, **more)
        scenario = below_a_switch("west", ecrc=ecrc, switch={"faults": (fault,)})
        benches.append(Bench(scenario.slots[0], 0, scenario))
        return benches[-1]

    yield open_one
    for one in benches:
        one.opened.close()


def wrong(sent: bytes, received: bytes) -> list[int]:
    return [place for place, pair in enumerate(zip(sent, received, strict=True)) if pair[0] != pair[1]]


def link_counts(one: Bench) -> list[dict[str, int]]:
    """What is counted at all four ends of the two links that belongs to a link."""
    one.opened.clock.sleep(1e-3)
    one.opened.read_errors()
    kernels = [one.opened.link.kernel, one.opened._branch.link.kernel]
    readings = [kernel.errors(end, "") for kernel in kernels for end in ("near", "far")]
    known = ("RxErr", "BadTLP", "BadDLLP", "Timeout", "Rollover")
    return [{name: reading.correctable[name].n for name in known} for reading in readings]


def reported(one: Bench, name: str) -> list[str]:
    """The devices at which the kernel reported that error, by bus, device and function."""
    one.opened.clock.sleep(1e-3)
    log = one.opened.read_conditions().reported
    return [entry.device.removeprefix("0000:") for entry in log if name in entry.errors]


# --- in a scenario


def test_a_slot_below_a_switch_is_read(tmp_path):
    scenario = read_scenario(parse_toml(BELOW.encode(), "mine.toml"), "mine.toml")
    (switch,) = scenario.switches
    assert scenario.switch_above(scenario.slots[0]) is switch
    assert scenario.slots_below(switch) == scenario.slots
    assert switch.faults == (SwitchFlips(probability=1e-6),)


@pytest.mark.parametrize(
    ("good", "bad", "expected"),
    [
        ('below = "hub"', 'below = "pub"', 'slot[0].below: "pub" is no switch; use one of hub'),
        ('below = "hub"', "", 'switch[0]: 0 slots are below it; write below = "hub" in 1 to 32 of them'),
        (
            'name = "hub"',
            'name = "north"',
            'switch[0].name: "north" is there twice; give each switch a name of its own',
        ),
        ('name = "hub"', 'name = "Hub 1"', 'switch[0].name: "Hub 1" cannot name a slot'),
        ("wiring = 8", "wiring = 3", "switch[0].wiring: 3 is no link width"),
        (
            'kind = "switch-flips"',
            'kind = "switch-flips"\nwhen = { temperature_above = "70 °C" }',
            "switch[0].fault[0].when.temperature_above: a switch declares no temperature; leave it out",
        ),
        ("wiring = 8", "wiring = 8\ndead_lanes = [8]", "switch[0].dead_lanes: lane 8 is not wired; use 0 to 7"),
        ("wiring = 8", "wiring = 8\nriser = 'x'", 'switch[0]: unknown key "riser"; known here: name, wiring'),
        (
            "upstream = { max_speed",
            "upstream = { widths = [16], max_speed",
            "switch[0].upstream.widths: x16 is wider than max_width; use widths up to 8",
        ),
        (
            'kind = "switch-flips"',
            'kind = "stall"\nafter = "1 MiB"',
            'switch[0].fault[0].kind: "stall" lives in a slot; put it into [[slot.fault]]',
        ),
        ('kind = "switch-flips"', 'kind = "gremlin"', 'switch[0].fault[0]: kind is "gremlin"; use one of switch-flips'),
        (
            "probability = 1e-6",
            "probability = 1e-6\ndirection = 'up'",
            'switch[0].fault[0].direction: "up" is not one of',
        ),
        ("fifo =", "channels = 9\nfifo =", "slot[0].card.channels: 9 is no number of channels; use 1 to 8"),
        ("wiring = 4", "wiring = 4\necrc = 1", "slot[0].ecrc: 1 is neither true nor false"),
    ],
)
def test_what_is_wrong_about_a_switch_is_refused_by_file_and_key(good, bad, expected):
    assert BELOW.count(good) == 1
    assert refusal(BELOW.replace(good, bad)).startswith(f"mine.toml: {expected}")


def test_a_fault_of_a_switch_has_no_place_in_a_slot():
    fault = '[[slot.fault]]\nkind = "switch-flips"\nprobability = 0.1'
    expected = 'mine.toml: slot[0].fault[0].kind: "switch-flips" lives in a switch; put it into [[switch.fault]]'
    assert refusal(GOOD + fault).startswith(expected)


def test_a_switch_that_nobody_declared_is_refused():
    message = refusal(GOOD.replace('name = "north"', 'name = "north"\nbelow = "hub"'))
    assert 'slot[0].below: "hub" is no switch; add [[switch]] with name = "hub", or leave it out' in message


def test_two_switches_of_one_name_are_refused():
    assert "switch[1].name" in refusal(BELOW + SWITCH)


def test_slots_whose_errors_reach_one_root_port_have_one_owner():
    _, _, slot = GOOD.partition("[[slot]]")
    second = slot.replace('name = "north"', 'name = "south"\nbelow = "hub"\nerrors_owned_by = "firmware"')
    assert "switch[0]: the slots below it differ in errors_owned_by" in refusal(f"{BELOW}\n[[slot]]{second}")


# --- functions and registers


def test_the_functions_between_root_port_and_card_are_what_the_standard_has(flipping):
    # Port types in the PCI Express Capabilities register (linux/pci_regs.h, PCI_EXP_TYPE_*).
    opened = flipping("both").opened
    above = opened._branch.link
    images = [above.near.image(), above.far.image(), *opened.images()]
    kinds = [image[0x40 + 2] >> 4 for image in images]
    assert kinds == [4, 5, 6, 0]
    # Bus numbers (offsets 0x19 and 0x1a of a bridge's header): each bridge leads to what is behind it.
    assert [(image[0x19], image[0x1A]) for image in images[:3]] == [(1, 3), (2, 3), (3, 3)]
    assert [link.name for link in (opened.read_link().near, opened.read_link().far)] == [
        "downstream port of slot west",
        "card in slot west",
    ]


@pytest.mark.parametrize("ecrc", [False, True])
def test_ecrc_is_switched_on_at_both_ends_and_costs_four_bytes_a_packet(flipping, ecrc):
    # Advanced Error Capabilities and Control (linux/pci_regs.h): generation 0x40, checking 0x100.
    one = flipping("both", ecrc=ecrc, probability=0.0)
    root, card = one.opened._branch.link.near.image(), one.opened.images()[1]
    for image in (root, card):
        control = int.from_bytes(image[0x118:0x11C], "little")
        assert control & 0x140 == (0x140 if ecrc else 0)
        assert control & 0xA0 == 0xA0
    plain = flipping("both", probability=0.0).opened.echo_bytes_per_s
    # For 512 bytes back: two writes and a read request, each of 24 bytes beside its payload.
    expected = (2 * (PAYLOAD + 24) + 24) / (2 * (PAYLOAD + 28) + 28) if ecrc else 1.0
    assert one.opened.echo_bytes_per_s / plain == pytest.approx(expected, rel=1e-3)
    assert pcie.decode(card).aer is not None


def test_the_link_above_a_switch_saves_power_too():
    scenario = below_a_switch("west", switch={"idle_speed": 2.5})
    one = Bench(scenario.slots[0], 0, scenario)
    above = one.opened._branch.link

    def speed_code() -> int:
        one.opened.read_link()
        return above.near.image()[0x40 + 0x12] & 0xF  # Link Status, Current Link Speed (linux/pci_regs.h)

    assert speed_code() == 1
    first = one.echo(bytes(4096), 4096).seconds
    assert speed_code() == 3
    assert one.echo(bytes(4096), 4096).seconds == pytest.approx(first - RATE_CHANGE_S, rel=1e-6)
    one.opened.clock.sleep(1.0)
    assert speed_code() == 1
    one.opened.close()


# --- bits that flip inside


@pytest.mark.parametrize("direction", ["to_card", "from_card", "both"])
def test_without_ecrc_wrong_data_arrive_and_nobody_notices(flipping, data, direction):
    one, sent = flipping(direction), data(4 * MIB)
    clean = flipping(direction, probability=0.0).echo(sent, MIB)
    echo = one.echo(sent, MIB)
    places = wrong(sent, echo.received)
    # Four million bytes, each hit once in 100,000 in one direction.
    assert 20 < len(places) / (2 if direction == "both" else 1) < 70
    assert all(bin(sent[place] ^ echo.received[place]).count("1") == 1 for place in places)
    assert echo.seconds == clean.seconds
    assert one.counts("near") == one.counts("far") == {}
    assert one.opened.read_conditions().reported == ()
    assert not any(any(counts.values()) for counts in link_counts(one))


@pytest.mark.parametrize("block", [4096, 100_000, 4 * MIB])
def test_which_bytes_are_hit_does_not_depend_on_transfer_sizes(flipping, data, block):
    sent = data(4 * MIB)
    assert flipping("both").echo(sent, block).received == flipping("both").echo(sent, MIB).received


def test_with_ecrc_the_root_port_drops_a_damaged_write_and_counts_it(flipping, data):
    one, sent = flipping("from_card", ecrc=True), data(4 * MIB)
    places = wrong(sent, one.echo(sent, MIB).received)
    dropped = {place // PAYLOAD for place in places}
    hit = wrong(sent, flipping("from_card").echo(sent, MIB).received)
    assert dropped == {place // PAYLOAD for place in hit}
    received = one.echo(sent, MIB).received
    for place in wrong(sent, received):
        assert received[place] == 0  # the buffer as it was before
    devices = reported(one, "ECRC")
    assert set(devices) == {"00:01.0"}
    assert one.counts("far") == one.counts("near") == {}
    assert not any(any(counts.values()) for counts in link_counts(one))


def test_with_ecrc_the_card_asks_again_for_a_damaged_completion(flipping, data):
    one, sent = flipping("to_card", ecrc=True, probability=1e-6), data(4 * MIB)
    clean = flipping("to_card", ecrc=True, probability=0.0).echo(sent, MIB)
    echo = one.echo(sent, MIB)
    assert echo.received == sent
    assert echo.seconds > clean.seconds + DEFAULT_TIMEOUT
    counts = one.counts("far")
    assert counts["ECRC"] > 0
    assert counts["NonFatalErr"] > 0  # a timeout that leads to a retry is advisory (base specification, 6.2.3.2.4)
    assert set(reported(one, "ECRC")) == {"03:00.0"}
    assert not any(any(counts.values()) for counts in link_counts(one))


def test_a_logged_header_says_which_packet_it_was(flipping, data):
    one = flipping("from_card", ecrc=True)
    one.echo(data(MIB), MIB)
    one.opened.clock.sleep(1e-3)
    headers = [entry.header_log for entry in one.opened.read_conditions().reported if "ECRC" in entry.errors]
    seen = pcie.decode_tlp(headers[0])
    assert (seen.type, seen.requester, seen.digest) == ("MWr", "03:00.0", True)


def test_a_fault_in_a_switch_keeps_to_its_conditions(flipping, data):
    sent = data(4 * MIB)
    places = wrong(sent, flipping("both", probability=1e-4, when=When(every=2)).echo(sent, MIB, depth=1).received)
    assert {place // MIB for place in places} == {1, 3}


def test_every_card_below_the_switch_suffers_by_itself(data):
    fault = SwitchFlips(probability=1e-5)
    scenario = below_a_switch("west", "east", switch={"faults": (fault,)})
    sent = data(MIB)
    benches = [Bench(slot, 0, scenario) for slot in scenario.slots]
    first, second = (wrong(sent, one.echo(sent, MIB).received) for one in benches)
    assert first
    assert second
    assert first != second
    for one in benches:
        one.opened.close()


# --- what ships


def rate(scenario: Scenario, *names: str) -> list[float]:
    benches = [Bench(slot, 0, scenario) for slot in scenario.slots if slot.name in names]
    sent = bytes(8 * MIB)
    rates = [len(sent) / one.echo(sent, MIB).seconds / one.opened.echo_bytes_per_s for one in benches]
    for one in benches:
        one.opened.close()
    return rates


def test_the_shipped_bench_with_a_shared_link_is_healthy_one_slot_at_a_time():
    scenario = load("shared-link")
    assert [slot.below for slot in scenario.slots] == ["hub", "hub", None]
    assert rate(scenario, "north", "middle", "south") == [pytest.approx(1.0, rel=0.02)] * 3


def test_the_two_shipped_benches_with_corruption_differ_in_ecrc_alone():
    with_ecrc, without = load("switch-corrupts-ecrc"), load("switch-corrupts")
    assert with_ecrc.switches == without.switches
    assert [attrs.evolve(slot, ecrc=False) for slot in with_ecrc.slots] == list(without.slots)
    assert [slot.ecrc for slot in with_ecrc.slots] == [True, False, False]


def test_the_link_above_the_switch_is_shown_with_the_cards_own() -> None:
    scenario = below_a_switch("west")
    one = Bench(scenario.slots[0], 0, scenario)
    (above,) = one.opened.read_link().above
    assert (above.name, above.speed_gtps, above.width) == ("root port above switch hub of shared", 8.0, 8)
    assert above.active
    one.opened.close()


def test_links_above_switches_are_named_apart_where_they_are_of_different_computers() -> None:
    scenario = below_a_switch("west", "east")
    west, east = scenario.slots
    benches = [Bench(slot, seed, scenario) for slot, seed in ((west, 0), (east, 0), (west, 0), (west, 1))]
    names = [
        one.opened.read_link().above[0].name.removeprefix("root port above switch hub of shared") for one in benches
    ]
    for one in benches:
        one.opened.close()
    assert names == ["", "", ", computer 2", ", seed 1"]
