"""Steps of a user's own in the process of a physical slot: it finds their classes, wherever these were defined."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import attrs
import pytest

import laneproof
from laneproof.campaign import crossing, runner
from laneproof.campaign import plan as plans
from laneproof.campaign.plan import Plan, PlannedEndpoint
from laneproof.campaign.results import RunResult
from laneproof.errors import BadInput

Echo = Callable[..., str]


@pytest.fixture(autouse=True)
def without_compiled_kernels(monkeypatch: pytest.MonkeyPatch) -> None:
    """They take longer to load than these steps to run."""
    monkeypatch.setenv("LANEPROOF_KERNELS", "numpy")


@laneproof.step("where")
def where(slot: laneproof.Slot, findings: laneproof.Findings, *, level: int = 3) -> None:
    slot.judge({"prbs31": slot.check("prbs31", 4096)}, findings)
    findings.measures |= {"process": os.getpid(), "level": level}


FILE = """\
import os
import laneproof

@laneproof.step("from a file")
def mine(slot, findings, *, level: int = 3):
    slot.judge({"prbs31": slot.check("prbs31", 4096)}, findings)
    findings.measures |= {"process": os.getpid(), "level": level}
"""


def said(result: RunResult) -> str:
    (endpoint,) = result.endpoints
    reasons = [*endpoint.reasons, *(reason for step in endpoint.steps for reason in step.reasons)]
    return "\n".join(f"{reason.verdict}: {reason.text}" for reason in reasons)


def from_a_file(folder: Path, uri: str, text: str = FILE) -> Plan:
    (folder / "my_steps.py").write_text(text, "utf-8")
    plan = f'schema = 1\nsteps_from = ["my_steps.py"]\n[[endpoint]]\nuri = "{uri}"\n'
    (folder / "plan.toml").write_text(f'{plan}[[step]]\nkind = "from a file"\nlevel = 4\n', "utf-8")
    return plans.load(folder / "plan.toml", allow_commands=True)


def test_steps_of_a_module_and_of_a_file_run_in_the_slots_process(tmp_path: Path, echo: Echo) -> None:
    plan = from_a_file(tmp_path, echo())
    plan = attrs.evolve(plan, step=(where(level=4), *plan.step))
    result = runner.run(plan, tmp_path / "run.ledger", allow_commands=True)
    here, there = result.endpoints[0].steps
    assert (here.measures["level"], there.measures["level"]) == (4, 4), said(result)
    assert here.measures["process"] == there.measures["process"] != os.getpid()


def test_a_file_of_steps_may_lie_in_a_folder_whose_name_is_no_text(tmp_path: Path) -> None:
    folder = tmp_path / os.fsdecode(b"caf\xe9")
    folder.mkdir()
    result = runner.run(from_a_file(folder, "sim:demo#south"), folder / "run.ledger", allow_commands=True)
    assert str(result.verdict) == "pass", said(result)


SCRIPT = """\
import sys
from pathlib import Path
import laneproof
from laneproof.campaign import runner
from laneproof.campaign.plan import Plan, PlannedEndpoint

@laneproof.step("scripted")
def scripted(slot, findings):
    slot.judge({"prbs31": slot.check("prbs31", 4096)}, findings)

def main():
    plan = Plan(endpoint=(PlannedEndpoint(uri=sys.argv[1]),), step=(scripted(),))
    result = runner.run(plan, runner.default_ledger(Path(sys.argv[2])))
    print(*(reason.text for end in result.endpoints for one in (end, *end.steps) for reason in one.reasons))
    print(result.verdict)

"""


def script(folder: Path, text: str, uri: str) -> str:
    (folder / "script.py").write_text(text, "utf-8")
    command = [sys.executable, folder / "script.py", uri, folder]
    return subprocess.run(command, capture_output=True, text=True, check=True, timeout=60, cwd="/").stdout


def test_a_script_defines_steps_and_runs_them(tmp_path: Path, echo: Echo) -> None:
    printed = script(tmp_path, f'{SCRIPT}if __name__ == "__main__":\n    main()\n', echo())
    assert printed.splitlines()[-1] == "pass", printed


def test_a_script_that_would_start_itself_again_is_told(tmp_path: Path, echo: Echo) -> None:
    printed = script(tmp_path, f"{SCRIPT}main()\n", echo())
    assert 'starts its run under if __name__ == "__main__":' in printed
    assert printed.splitlines()[-1] == "error"


def test_a_file_that_is_changed_under_a_run_is_not_run(
    tmp_path: Path, echo: Echo, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = from_a_file(tmp_path, echo())
    from_a_file(tmp_path, "sim:demo#south", FILE + "# changed\n")
    result = runner.run(plan, tmp_path / "run.ledger", allow_commands=True)
    assert "my_steps.py: was changed since the run was started; start it again" in said(result)
    assert str(result.verdict) == "error"


def test_a_module_that_cannot_be_loaded_there_ends_that_slot_alone(
    tmp_path: Path, echo: Echo, monkeypatch: pytest.MonkeyPatch
) -> None:
    flag = f"import os\nif os.getpid() != {os.getpid()}: raise RuntimeError('only once')\n"
    (tmp_path / "invented_shy.py").write_text(flag + FILE, "utf-8")
    monkeypatch.syspath_prepend(str(tmp_path))
    from importlib import import_module

    uris = (echo(), "sim:demo#south")
    endpoints = tuple(PlannedEndpoint(uri=uri) for uri in uris)
    plan = Plan(endpoint=endpoints, step=(import_module("invented_shy").mine(),))
    shy, other = runner.run(plan, tmp_path / "run.ledger").endpoints
    assert "RuntimeError: only once" in shy.reasons[0].text
    assert "invented_shy.py, line 2)" in shy.reasons[0].text
    assert (str(shy.verdict), str(other.verdict)) == ("error", "pass")


def test_a_step_that_cannot_cross_is_refused_before_the_run(tmp_path: Path, echo: Echo) -> None:
    @laneproof.step("local")
    def local(slot: laneproof.Slot, findings: laneproof.Findings) -> None: ...

    plan = Plan(endpoint=(PlannedEndpoint(uri=echo()),), step=(local(),))
    with pytest.raises(BadInput, match=r'step\[0\]: kind "local" cannot cross into the slot\'s process: .*top level'):
        runner.run(plan, tmp_path / "run.ledger")
    assert list(tmp_path.iterdir()) == []


def test_a_plan_without_such_steps_sends_nothing_ahead() -> None:
    assert crossing.modules_of("south", plans.builtin().step) is None
