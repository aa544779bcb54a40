"""The errors' one root, what they carry, and the public names, which are frozen."""

from __future__ import annotations

import pickle

import pytest

import laneproof
from laneproof import contract, errors
from laneproof.errors import BadInput, DeviceLost, LaneproofError, TransferTimeout


def all_errors() -> list[type[LaneproofError]]:
    return [kind for kind in vars(errors).values() if isinstance(kind, type) and issubclass(kind, LaneproofError)]


def test_the_public_names() -> None:
    assert sorted(laneproof.__all__) == sorted(
        [
            "AtLeast",
            "BadInput",
            "CannotOpen",
            "CardInUse",
            "Comparison",
            "DeviceLost",
            "DriverFault",
            "Endpoint",
            "EndpointBusy",
            "EndpointClosed",
            "ErrorReading",
            "Exact",
            "Findings",
            "Identity",
            "Interrupted",
            "LaneproofError",
            "LinkReading",
            "NotOffered",
            "OutOfStep",
            "Pattern",
            "Recovery",
            "Slot",
            "Step",
            "StorageFault",
            "Transfer",
            "TransferTimeout",
            "Unavailable",
            "__version__",
            "contract",
            "crc32",
            "crc32_combine",
            "open",
            "pattern",
            "pcie",
            "safety",
            "step",
        ]
    )
    assert [name for name in laneproof.__all__ if not hasattr(laneproof, name)] == []


def test_the_names_that_a_driver_is_written_against() -> None:
    names = [
        "Driver",
        "Found",
        "Address",
        "Card",
        "Channel",
        "Limits",
        "Deadline",
        "StreamPath",
        "QueuedPath",
        "Completion",
        "WindowPath",
        "CopyEngine",
        "RegionSource",
        "Region",
        "LinkObserver",
        "ErrorObserver",
        "ConditionObserver",
        "IdentitySource",
        "PatternEngine",
        "PatternCount",
        "ErrorInjector",
        "Resettable",
        "LinkTrainer",
        "LaneMargining",
        "ResetLevel",
        "ObserverSource",
        "Host",
        "Part",
        "CONTRACT",
    ]
    assert [name for name in names if not hasattr(contract, name)] == []


def test_the_names_of_an_endpoint() -> None:
    names = [
        "allocate",
        "caveats",
        "channels",
        "check",
        "clock",
        "close",
        "identity",
        "interrupt",
        "limits",
        "read_conditions",
        "loopback",
        "margining",
        "read_errors",
        "read_link",
        "receive_into",
        "reconnect",
        "recover",
        "reset",
        "retrain",
        "send",
        "uri",
        "physical",
    ]
    with laneproof.open("sim:demo#north") as card:
        assert sorted(name for name in dir(card) if not name.startswith("_")) == sorted(names)


def test_every_error_has_the_one_root_and_is_public() -> None:
    assert len(all_errors()) == 13
    assert {kind.__name__ for kind in all_errors()} <= set(laneproof.__all__)


def test_errors_are_what_python_has_for_the_same_thing() -> None:
    assert issubclass(BadInput, ValueError)
    assert issubclass(TransferTimeout, TimeoutError)
    assert issubclass(errors.CardInUse, errors.CannotOpen)
    assert not issubclass(DeviceLost, errors.DriverFault)


@pytest.mark.parametrize("kind", all_errors(), ids=lambda kind: kind.__name__)
def test_an_error_says_where_and_what_and_survives_the_way_between_processes(kind: type[LaneproofError]) -> None:
    error = kind("no card answers", uri="sim:demo#north", operation="send")
    error.so_far = "a comparison"
    assert str(error) == "sim:demo#north send: no card answers"
    copy = pickle.loads(pickle.dumps(error))
    assert (type(copy), str(copy), vars(copy)) == (type(error), str(error), vars(error))


def test_an_error_without_place_is_its_message() -> None:
    assert str(BadInput("no such key")) == "no such key"


def test_what_an_error_carries_of_its_own() -> None:
    assert pickle.loads(pickle.dumps(TransferTimeout("late", moved=7))).moved == 7
    assert pickle.loads(pickle.dumps(DeviceLost("gone", link_evidence="link down"))).link_evidence == "link down"


def test_the_place_nearest_to_the_cause_is_kept() -> None:
    with pytest.raises(BadInput, match=r"^near one: x$"), errors.named("far", "two"), errors.named("near", "one"):
        raise BadInput("x")
