"""The file of rules: every word in it means something, and what is wrong with it is said in one line."""

from __future__ import annotations

import attrs
import pytest

from laneproof.errors import BadInput
from laneproof.insight.diagnosis import rules
from laneproof.insight.diagnosis.sign import SIGNS

KNOWN = rules()


def test_every_sign_of_the_file_is_computed_and_every_computed_sign_is_in_the_file() -> None:
    assert set(KNOWN.signs) == set(SIGNS)


def test_every_sign_says_how_it_is_computed() -> None:
    assert all(look.__doc__ for look in SIGNS.values())


def test_every_mechanism_has_a_source_and_an_experiment() -> None:
    assert all(one.source and one.experiments and one.implies for one in KNOWN.mechanism)


def test_names_stay_readable() -> None:
    for name in (*KNOWN.signs, *KNOWN.mechanisms, *KNOWN.experiments):
        assert name == name.lower()
        assert " " not in name


def test_a_mechanism_that_speaks_of_an_unknown_sign_is_refused() -> None:
    odd = attrs.evolve(KNOWN.mechanism[0], signs={"cold-fusion": "always"})
    with pytest.raises(BadInput, match=r'mechanism "card-never-wrote" speaks of cold-fusion'):
        attrs.evolve(KNOWN, mechanism=(odd,))


def test_a_mechanism_without_a_telling_sign_is_refused() -> None:
    odd = attrs.evolve(KNOWN.mechanism[0], signs={"stalled": "sometimes"})
    with pytest.raises(BadInput, match="no sign that it shows always or usually"):
        attrs.evolve(KNOWN, mechanism=(odd,))


def test_a_name_that_stands_twice_is_refused() -> None:
    with pytest.raises(BadInput, match="a name stands twice"):
        attrs.evolve(KNOWN, mechanism=(*KNOWN.mechanism, KNOWN.mechanism[0]))


def test_leaving_out_an_unknown_mechanism_says_where_they_are_listed() -> None:
    with pytest.raises(BadInput, match=r'no mechanism is called "gremlins"; `laneproof guide diagnosis`'):
        KNOWN.without("gremlins")
