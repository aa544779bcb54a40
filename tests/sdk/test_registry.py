"""Endpoint URIs, and drivers found behind entry points: listing never fails, opening names what is wrong."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from endpoint_fakes import EchoStream, FakeDriver, NoOptions, card_of
from hypothesis import given
from hypothesis import strategies as st

import laneproof
from laneproof import registry
from laneproof.contract import CONTRACT, Address
from laneproof.errors import BadInput, CannotOpen, LaneproofError

Install = Callable[..., None]


def working() -> FakeDriver:
    return FakeDriver(lambda _: card_of(EchoStream()))


def listed(scheme: str) -> list[registry.Listing]:
    return [entry for entry in registry.listings() if entry.scheme == scheme]


# --- URIs


@pytest.mark.parametrize(
    ("text", "scheme", "address", "slot", "options"),
    [
        ("sim:demo#north", "sim", "demo", "north", {}),
        ("sim:demo?seed=7#north", "sim", "demo", "north", {"seed": "7"}),
        (
            "chardev:/dev/a,/dev/b?chunk=4096&nominal_mb_s=2",
            "chardev",
            "/dev/a,/dev/b",
            "",
            {"chunk": "4096", "nominal_mb_s": "2"},
        ),
        ("x:a%23b%3Fc", "x", "a#b?c", "", {}),
        ("x:a:b", "x", "a:b", "", {}),
        ("x:a?empty=", "x", "a", "", {"empty": ""}),
    ],
)
def test_a_uri_has_scheme_address_options_and_slot(
    text: str, scheme: str, address: str, slot: str, options: dict[str, str]
) -> None:
    uri = registry.parse_uri(text)
    assert (uri.scheme, uri.address, uri.options) == (scheme, Address(address, slot), options)
    assert registry.parse_uri(str(uri)) == uri


@pytest.mark.parametrize(
    "text", ["", "sim", "sim:", ":demo", "sim:?seed=1", "sim:#north", "sim:a\nb", "\x1b[2J", "sim:\x00"]
)
def test_what_is_no_uri_is_told_in_one_line_with_an_example(text: str) -> None:
    with pytest.raises(BadInput, match="write SCHEME:ADDRESS, for example sim:demo#north") as caught:
        laneproof.open(text)
    assert str(caught.value).isprintable()


@pytest.mark.parametrize("text", ["sim:demo?seed#north", "sim:demo?&#north", "sim:demo?seed=1&seed=2#north"])
def test_options_without_a_value_or_given_twice_are_refused(text: str) -> None:
    with pytest.raises(BadInput, match="option"):
        laneproof.open(text)


@given(st.text(max_size=60))
def test_any_text_is_a_uri_or_bad_input(text: str) -> None:
    try:
        uri = registry.parse_uri(text)
    except BadInput as error:
        told = str(error)
    else:
        told = ""
        assert uri.scheme
        assert uri.address.text
    assert told.isprintable()


# --- opening by scheme


def test_an_unknown_scheme_lists_the_installed_ones() -> None:
    with pytest.raises(BadInput, match=r'endpoint scheme "nix"; installed: .*chardev.*sim') as caught:
        laneproof.open("nix:card")
    assert (caught.value.uri, caught.value.operation) == ("nix:card", "open")


def test_an_unknown_option_lists_the_known_ones() -> None:
    with pytest.raises(BadInput, match='unknown key "sed"; known here: seed'):
        laneproof.open("sim:demo?sed=1#north")
    with pytest.raises(BadInput, match='unknown key "sed"'):
        laneproof.open("sim:demo#north", options={"sed": "1"})


def test_a_driver_without_options_says_so(install: Install) -> None:
    install(working(), "fake")
    with pytest.raises(BadInput, match='unknown key "x"; known here: none'):
        laneproof.open("fake:card?x=1")


def test_an_option_of_the_wrong_type_is_named() -> None:
    with pytest.raises(BadInput, match='seed: "many" is not a whole number'):
        laneproof.open("sim:demo?seed=many#north")


@pytest.mark.parametrize("value", ["nan", "inf", "-inf", "1e999"])
def test_no_option_is_infinite(value: str) -> None:
    with pytest.raises(BadInput, match=r"nominal_mb_s: .* is not a finite number"):
        laneproof.open(f"chardev:/dev/null?nominal_mb_s={value}")


# --- drivers that cannot be used


def test_a_scheme_claimed_twice_is_listed_twice_and_an_error_to_open_only(install: Install) -> None:
    install(working(), "fake", distribution="first-card")
    install(working(), "fake", distribution="second-card")
    entries = listed("fake")
    assert {entry.distribution for entry in entries} == {"first-card", "second-card"}
    assert {entry.problem for entry in entries} == {"claimed by first-card and second-card; uninstall one"}
    assert [entry.driver for entry in entries] == [None, None]
    with pytest.raises(CannotOpen, match='"fake" is claimed by first-card and second-card; uninstall one'):
        laneproof.open("fake:card")
    laneproof.open("sim:demo#north").close()


@pytest.mark.parametrize(
    ("source", "cause"),
    [
        ("import there_is_no_such_module", "ModuleNotFoundError: No module named 'there_is_no_such_module'"),
        ("raise RuntimeError('two\\nlines')", "RuntimeError: two�lines"),
        ("raise SystemExit(3)", "SystemExit: 3"),
        ("thing = (", "SyntaxError: "),
        ("other = 1", "AttributeError: "),
    ],
)
def test_a_driver_that_does_not_import_is_listed_with_distribution_and_cause(
    install: Install, source: str, cause: str
) -> None:
    install(None, "broken", distribution="broken-card", source=source)
    (entry,) = listed("broken")
    assert (entry.distribution, entry.driver) == ("broken-card", None)
    assert cause in entry.problem
    assert entry.problem.isprintable()
    assert listed("sim")[0].problem == ""
    with pytest.raises(CannotOpen, match='"broken" of broken-card cannot be used: its import failed'):
        laneproof.open("broken:card")


@pytest.mark.parametrize("thing", [None, 7, FakeDriver, object()])
def test_what_is_no_driver_is_named(install: Install, thing: object) -> None:
    install(thing, "odd")
    with pytest.raises(CannotOpen, match=r"is not an instance of laneproof\.contract\.Driver"):
        laneproof.open("odd:card")


@pytest.mark.parametrize("number", [CONTRACT, CONTRACT - 1])
def test_this_contract_and_the_one_before_are_accepted(install: Install, number: int) -> None:
    driver = working()
    driver.contract = number
    install(driver, "fake")
    laneproof.open("fake:card").close()


@pytest.mark.parametrize("number", [CONTRACT + 1, CONTRACT - 2, None, "1"])
def test_any_other_contract_is_refused(install: Install, number: object) -> None:
    driver = working()
    driver.contract = number  # type: ignore[assignment]
    install(driver, "fake")
    with pytest.raises(CannotOpen, match=f"it keeps contract {number}; this laneproof accepts 1 and 0"):
        laneproof.open("fake:card")


def test_a_driver_without_options_class_is_refused(install: Install) -> None:
    driver = working()
    driver.options = dict
    install(driver, "fake")
    with pytest.raises(CannotOpen, match="has no options; name a frozen attrs class"):
        laneproof.open("fake:card")


def test_an_unknown_observer_scheme_lists_the_installed_ones(install: Install) -> None:
    install(working(), "fake")
    with pytest.raises(BadInput, match='observer scheme "nix"; installed: pci'):
        laneproof.open("fake:card", observe="nix:0000:65:00.0")


def test_options_are_an_instance_of_the_drivers_own_class() -> None:
    assert registry.read_options(working(), {}) == NoOptions()
    assert registry.read_options(registry.driver_for("sim"), {"seed": "7"}).seed == 7
    with pytest.raises(LaneproofError):
        registry.read_options(registry.driver_for("sim"), {"seed": "9" * 5000})
