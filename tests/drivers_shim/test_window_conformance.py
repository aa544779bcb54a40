"""The driver `window` keeps the contract: the kit on a PCI function of files, with and without a copy engine."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from window_parts import FakeFunction, engine, engine_options

from laneproof import conformance
from laneproof.campaign.verdict import Verdict
from laneproof_drivers.pci_observer import PciObservers
from laneproof_drivers.window import WindowDriver


class FunctionRig(conformance.Rig):
    """A function that can be made to vanish."""

    largest = 1 << 14
    budget_s = 0.3
    quiet_s = 0.5

    def __init__(self, uri: str, second_uri: str, function: FakeFunction) -> None:
        super().__init__(uri)
        self.second_uri = second_uri
        self._function = function

    def lose(self) -> None:
        self._function.configure(vendor=0xFFFF)

    def restore(self) -> None:
        self._function.configure()


@pytest.fixture(params=["plain", "engine"])
def rig(request: pytest.FixtureRequest, tmp_path: Path, install: Callable[..., None]) -> Iterator[FunctionRig]:
    functions = []
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        functions.append(FakeFunction(tmp_path / name))
    install(WindowDriver(functions[0].iomem, PciObservers(functions[0].root)), "memory")
    second = f"memory:{functions[1].bar}"
    if request.param == "plain":
        yield FunctionRig(f"memory:{functions[0].bar}?word=8", second, functions[0])
        return
    registers = tmp_path / "registers"
    registers.write_bytes(bytes(4096))
    options = "&".join(f"{key}={value}" for key, value in engine_options(registers).items())
    with engine(functions[0].bar, registers):
        yield FunctionRig(f"memory:{functions[0].bar}?{options}", second, functions[0])


def test_the_driver_keeps_every_rule(rig: FunctionRig) -> None:
    findings = conformance.run(rig)
    assert [str(one) for one in findings if one.outcome == "broken"] == []
    assert conformance.verdict(findings) is Verdict.PASS
    kept = {one.rule for one in findings if one.outcome == "kept"}
    assert {"a-window-holds-what-was-written-where", "a-window-ends-where-it-says", "close-leaves-nothing-open"} <= kept
    assert "a-lost-device-is-said-to-be-lost" in kept
    assert ("a-copy-engine-copies" in kept) == ("control_register" in rig.uri)
