"""What a run finds out about its own tester: check values, a comparison that is not blind, files as installed.

CRC-32's check value and the sequences' first bytes: the sources that `tests/sdk/integrity` names. RECORD: the wheel
format, PyPA's "Binary distribution format".
"""

from __future__ import annotations

import hashlib
from base64 import urlsafe_b64encode
from collections.abc import Iterator
from importlib.metadata import PathDistribution
from pathlib import Path

import pytest

from laneproof.campaign import plan as plans
from laneproof.campaign import runner, self_check
from laneproof.integrity import Comparison, Pattern


@pytest.fixture(autouse=True)
def _afresh() -> Iterator[None]:
    self_check.self_check.cache_clear()
    yield
    self_check.self_check.cache_clear()


def test_a_run_puts_on_record_that_its_tester_is_as_it_should_be(tmp_path: Path) -> None:
    result = runner.run(
        plans.parse({"schema": 1, "step": [{"kind": "link"}]}, "plan").over([]), tmp_path / "run.ledger"
    )
    found = result.environment["self_check"]
    assert found["ok"]
    assert [one["found"] for one in found["values"]] == [one["expected"] for one in found["values"]]
    assert len(found["values"]) == 6
    assert result.segments[0].environment["self_check"] == found


def test_a_checksum_that_comes_out_wrong_is_no_pass(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(self_check, "crc32", lambda data: 7)
    found = self_check.self_check()
    assert not found["ok"]
    assert found["values"][0]["found"] == "00000007"


def test_a_comparison_that_finds_nothing_is_no_pass(monkeypatch: pytest.MonkeyPatch) -> None:
    verify = Pattern.verify

    def blind(own: Pattern, data: bytearray) -> Comparison:
        own.fill(data)
        return verify(own, data)

    monkeypatch.setattr(Pattern, "verify", blind)
    found = self_check.self_check()
    assert not found["ok"]
    assert found["values"][-1]["found"] == "0, then 0 at byte None"


def installed(folder: Path, direct_url: str = "{}") -> PathDistribution:
    """A wheel as an installer leaves it, with one module."""
    information = folder / "laneproof-1.dist-info"
    information.mkdir()
    (folder / "module.py").write_text("value = 1\n")
    digest = urlsafe_b64encode(hashlib.sha256(b"value = 1\n").digest()).rstrip(b"=").decode()
    (information / "METADATA").write_text("Metadata-Version: 2.1\nName: laneproof\nVersion: 1\n")
    (information / "RECORD").write_text(f"module.py,sha256={digest},10\nlaneproof-1.dist-info/RECORD,,\n")
    (information / "direct_url.json").write_text(direct_url)
    return PathDistribution(information)


def test_files_are_held_against_the_wheels_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    own = installed(tmp_path)
    monkeypatch.setattr(self_check, "distribution", lambda name: own)
    files = self_check.self_check()["files"]
    assert (files["installed"], files["checked"], files["differing"]) == ("wheel", 1, [])
    self_check.self_check.cache_clear()
    (tmp_path / "module.py").write_text("value = 2\n")
    found = self_check.self_check()
    assert (found["ok"], found["files"]["differing"]) == (False, ["module.py"])


def test_an_editable_install_says_that_nothing_vouches_for_its_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own = installed(tmp_path, '{"dir_info": {"editable": true}, "url": "file:///somewhere"}')
    monkeypatch.setattr(self_check, "distribution", lambda name: own)
    assert self_check.self_check()["files"]["installed"] == "editable"
