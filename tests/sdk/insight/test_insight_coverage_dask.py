"""The workers of a Dask scheduler give the table that processes give. Needs the extra `dask`."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = """
import sys
from concurrent.futures import ThreadPoolExecutor

sys.path.insert(0, {tests!r})
from coverage_plans import QUICK, Only, measured, plan_of
from distributed import LocalCluster
from laneproof.insight import coverage

def main():
    chosen = Only(("early-completion", "completion-timeout", "stripped-header", "idle-speed"))
    with ThreadPoolExecutor(1) as executor:
        here = measured(plan_of(QUICK), chosen, executor, healthy_runs=3).to_dict()
    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        with coverage.dask(cluster.scheduler_address) as executor:
            there = measured(plan_of(QUICK), chosen, executor, healthy_runs=3).to_dict()
    assert here["missed"] and here["suggestions"]
    assert there == here
    print("the same")

if __name__ == "__main__":
    main()
"""


@pytest.mark.long
def test_a_local_cluster_of_two_workers_gives_the_same_table(tmp_path: Path) -> None:
    """In an interpreter of its own: what Dask starts in one, it leaves there."""
    pytest.importorskip("distributed")
    (tmp_path / "both.py").write_text(SCRIPT.format(tests=str(Path(__file__).parent)))
    done = subprocess.run([sys.executable, tmp_path / "both.py"], capture_output=True, text=True, timeout=110)
    assert (done.returncode, done.stdout) == (0, "the same\n"), done.stderr


@pytest.mark.long
def test_an_address_at_which_no_scheduler_answers_is_told_in_one_line(tmp_path: Path) -> None:
    pytest.importorskip("distributed")
    command = [Path(sys.executable).with_name("laneproof"), "coverage", "--dask", "tcp://127.0.0.1:9"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=110)
    assert (done.returncode, done.stdout) == (4, "")
    assert done.stderr.startswith("laneproof: no Dask scheduler answers at tcp://127.0.0.1:9: ")
    assert done.stderr.count("\n") == 1


def test_without_the_package_it_is_said_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    from laneproof.errors import BadInput
    from laneproof.insight import coverage

    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(BadInput, match=r"install laneproof\[dask\]"), coverage.dask("tcp://127.0.0.1:9"):
        pass
