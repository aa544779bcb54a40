"""Steps of a user's own: made from functions and classes, found in packages and files, contained."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, ClassVar, Literal

import attrs
import pytest

import laneproof
from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.plan import Plan, PlannedEndpoint
from laneproof.campaign.results import RunResult, StepResult
from laneproof.documents import Seconds, Size
from laneproof.errors import BadInput, StorageFault

SOUTH = (PlannedEndpoint(uri="sim:demo#south"),)
ENDPOINT = '[[endpoint]]\nuri = "sim:demo#south"\n'


@laneproof.step("burst")
def burst(
    slot: laneproof.Slot,
    findings: laneproof.Findings,
    *,
    size: Size = Size(4096),
    rounds: int = 2,
    how: Literal["fast", "slow"] = "fast",
) -> None:
    """Sends `rounds` transfers of `size`."""
    slot.judge({"prbs31": slot.check("prbs31", rounds * size, block=size)}, findings)
    findings.measures["rounds"] = rounds


@attrs.frozen(kw_only=True)
class Idle(laneproof.Step):
    """Rests, then sends a little."""

    rest: Seconds

    @property
    def planned_s(self) -> float:
        return self.rest

    def run(self, slot: laneproof.Slot, findings: laneproof.Findings) -> None:
        slot.endpoint.clock.sleep(self.rest)
        slot.note("rested", "enough")
        slot.judge({"prbs31": slot.check("prbs31", 4096)}, findings)


def run(tmp_path: Path, *steps: laneproof.Step, **options: Any) -> RunResult:
    return runner.run(Plan(endpoint=SOUTH, step=steps), tmp_path / "run.ledger", **options)


def only(result: RunResult) -> StepResult:
    (endpoint,) = result.endpoints
    return endpoint.steps[0]


def raising(text: str) -> Callable[..., laneproof.Step]:
    """A step whose body is `text`."""
    names: dict[str, Any] = {}
    exec(f"def odd(slot, findings):\n    {text}", globals(), names)
    return laneproof.step("odd")(names["odd"])


def test_a_function_and_a_class_run_in_a_plan_made_in_python(tmp_path: Path) -> None:
    (endpoint,) = run(tmp_path, burst(rounds=3), Idle(rest=Seconds(2))).endpoints
    assert [(step.kind, str(step.verdict)) for step in endpoint.steps] == [("burst", "pass"), ("Idle", "pass")]
    assert endpoint.steps[0].bytes_moved == 3 * 4096
    assert endpoint.steps[0].measures["rounds"] == 3
    assert endpoint.steps[0].measures["residual_corruption"]["exposure_bits"] == 8 * 3 * 4096
    assert endpoint.steps[1].finished_s - endpoint.steps[1].started_s >= 2
    assert [event["text"] for event in endpoint.events if event["kind"] == "rested"] == ["enough"]


def test_a_functions_parameters_are_the_plans_keys() -> None:
    text = {"kind": "burst", "size": "64 KiB", "how": "slow"}
    (step,) = plans.parse({"schema": 1, "step": [text]}, "plan", steps=[burst]).step
    assert step == burst(size=Size(65536), how="slow")
    with pytest.raises(BadInput, match=r'step\[0\].size: 65536 has no unit; write for example "64 MiB"'):
        plans.parse({"schema": 1, "step": [text | {"size": 65536}]}, "plan", steps=[burst])
    with pytest.raises(BadInput, match=r'unknown key "speed"; known here: kind, size, rounds, how'):
        plans.parse({"schema": 1, "step": [{"kind": "burst", "speed": 3}]}, "plan", steps=[burst])


def test_a_key_without_a_default_must_be_given() -> None:
    @laneproof.step("needy")
    def needy(slot: laneproof.Slot, findings: laneproof.Findings, *, level: int) -> None: ...

    with pytest.raises(BadInput, match=r"step\[0\].level: is missing; add it"):
        plans.parse({"schema": 1, "step": [{"kind": "needy"}]}, "plan", steps=[needy])


@pytest.mark.parametrize(
    ("signature", "said"),
    [
        ("slot, findings, level: int = 3", "write it as f(slot, findings, *, key: type = default, …)"),
        ("slot", "write it as f(slot, findings"),
        ("slot, findings, **keys", "write it as f(slot, findings"),
        ("slot, findings, *, level=3", "level has no type"),
        ("slot, findings, *, run: int = 3", "run is a name of every step's"),
        ("slot, findings, *, level: 'Missing' = 3", "name 'Missing' is not defined"),
    ],
)
def test_a_function_that_no_plan_could_call_is_refused(signature: str, said: str) -> None:
    names: dict[str, Any] = {}
    exec(f"def wrong({signature}): ...", names)
    with pytest.raises(BadInput) as refused:
        laneproof.step("wrong")(names["wrong"])
    assert said in str(refused.value)
    assert str(refused.value).startswith('step "wrong", function wrong: ')


def test_a_kept_plan_with_steps_of_ones_own_is_read_again(tmp_path: Path) -> None:
    plan = Plan(endpoint=SOUTH, step=(burst(size=Size(8192)), Idle(rest=Seconds(0.5))))
    kept = json.loads(json.dumps(plan.to_dict()))
    assert plans.kept(kept, "the plan", steps=(burst, Idle)) == plan


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ("raise ZeroDivisionError('of mine')", "error: the step raised ZeroDivisionError: of mine (<string>, line 2)"),
        ("import sys; sys.exit(3)", "error: the step raised SystemExit: 3 (<string>, line 2)"),
        ("findings.measures['verdict'] = 'pass'", "the measure verdict was left out: the name has a meaning"),
        ("findings.measures['method'] = 'exact'", "the measure method was left out: the name has a meaning"),
        ("findings.measures['rate'] = float('nan')", "the measure rate was left out: Out of range float"),
        ("findings.measures['card'] = slot", "the measure card was left out: Slot is no plain data"),
        ("findings.measures[3] = 3", "the measure 3 was left out: its name is no text"),
        ("findings.passed(3)", "cannot be kept: a reason is one line of text"),
        ("findings.bytes_moved = -1", "bytes_moved is no number of bytes"),
        ("findings.bytes_moved = None", "bytes_moved is no number of bytes"),
        ("slot.check('noise', 64)", 'error: the plan asks for what this card cannot do: there is no pattern "noise"'),
    ],
)
def test_what_a_step_does_wrong_is_an_error_of_that_step_alone(tmp_path: Path, body: str, said: str) -> None:
    result = run(tmp_path, raising(body)(), burst())
    (endpoint,) = result.endpoints
    assert [str(step.verdict) for step in endpoint.steps] == ["error", "pass"]
    assert said in "\n".join(f"{one.verdict}: {one.text}" for one in endpoint.steps[0].reasons)


def test_a_failed_measurement_before_the_error_stands(tmp_path: Path) -> None:
    step = only(run(tmp_path, raising("findings.failed('too slow'); findings.measures['n'] = 1; 1 / 0")()))
    assert [str(one.verdict) for one in step.reasons] == ["fail", "error"]
    assert step.measures == {"n": 1}


def test_numbers_of_numpy_are_kept_as_numbers(tmp_path: Path) -> None:
    body = "import numpy; findings.measures['mean'] = numpy.float32(0.5); findings.bytes_moved += numpy.int64(7)"
    step = only(run(tmp_path, raising(body)()))
    assert (step.measures, step.bytes_moved) == ({"mean": 0.5}, 7)


def test_a_step_that_judges_nothing_passes_nothing(tmp_path: Path) -> None:
    result = run(tmp_path, raising("pass")())
    assert (str(only(result).verdict), str(result.verdict)) == ("none", "none")


def test_a_claim_of_data_that_did_not_move_does_not_pass(tmp_path: Path) -> None:
    assert str(run(tmp_path, raising("findings.passed('all is well')")()).verdict) == "none"


def test_wrong_data_fail_a_step_of_ones_own(tmp_path: Path) -> None:
    plan = Plan(endpoint=(PlannedEndpoint(uri="sim:flipping-card#north"),), step=(burst(size=Size(1 << 20), rounds=4),))
    step = only(runner.run(plan, tmp_path / "run.ledger"))
    assert str(step.verdict) == "fail"
    assert step.measures["mismatched_bits"] > 0


@attrs.frozen(kw_only=True)
class Broken(laneproof.Step):
    kind: ClassVar[str] = "broken"

    @property
    def planned_bytes(self) -> int:
        raise KeyError("bytes")

    def run(self, slot: laneproof.Slot, findings: laneproof.Findings) -> None: ...


@attrs.frozen(kw_only=True)
class Unkeepable(laneproof.Step):
    kind: ClassVar[str] = "unkeepable"
    call: Callable[[], None] = print

    def run(self, slot: laneproof.Slot, findings: laneproof.Findings) -> None: ...


@attrs.frozen(kw_only=True)
class Soak(laneproof.Step):
    kind: ClassVar[str] = "soak"

    def run(self, slot: laneproof.Slot, findings: laneproof.Findings) -> None: ...


class Plain(laneproof.Step):
    def run(self, slot: laneproof.Slot, findings: laneproof.Findings) -> None: ...


@pytest.mark.parametrize(
    ("step", "said"),
    [
        (Broken(), f"step[0]: kind \"broken\" raised KeyError: 'bytes' ({__file__}, line "),
        (Unkeepable(), 'step[0]: kind "unkeepable": its keys cannot be kept: Object of type builtin'),
        (Soak(), 'step[0]: kind "soak" is laneproof\'s own; give Soak another'),
        (Plain(), "step[0]: it: Plain is no attrs class; put @attrs.frozen(kw_only=True) above it"),
    ],
)
def test_a_step_that_cannot_be_run_is_refused_before_anything_is_written(
    tmp_path: Path, step: laneproof.Step, said: str
) -> None:
    with pytest.raises(BadInput) as refused:
        run(tmp_path, step)
    assert said in str(refused.value)
    assert "\n" not in str(refused.value)
    assert list(tmp_path.iterdir()) == []


def file_of_steps(folder: Path, text: str, plan: str = '[[step]]\nkind = "mine"\n') -> Path:
    (folder / "my_steps.py").write_text(text, "utf-8")
    (folder / "plan.toml").write_text(f'schema = 1\nsteps_from = ["./my_steps.py"]\n{ENDPOINT}{plan}', "utf-8")
    return folder / "plan.toml"


MINE = """\
from __future__ import annotations
from typing import TYPE_CHECKING
import laneproof
if TYPE_CHECKING:
    from laneproof import Findings, Slot

@laneproof.step("mine")
def mine(slot: Slot, findings: Findings, *, level: int = 3):
    slot.judge({"prbs31": slot.check("prbs31", 4096)}, findings)
    findings.measures["level"] = level
"""


def test_a_file_that_the_plan_names_is_run_only_by_leave(tmp_path: Path) -> None:
    path = file_of_steps(tmp_path, f"{MINE}\nopen({str(tmp_path / 'trace')!r}, 'w').close()\n")
    with pytest.raises(BadInput, match=r"steps_from would run the Python code in ./my_steps.py; to let .*--allow-comm"):
        plans.load(path)
    assert not (tmp_path / "trace").exists()
    plan = plans.load(path, allow_commands=True)
    assert (tmp_path / "trace").exists()
    with pytest.raises(BadInput, match="steps_from would run"):
        runner.run(plan, tmp_path / "run.ledger")
    result = runner.run(plan, tmp_path / "run.ledger", allow_commands=True)
    assert str(result.verdict) == "pass"
    assert only(result).measures["level"] == 3
    assert "mine" in result.environment["own_steps"]


def test_the_file_is_found_beside_the_plan_and_not_where_one_stands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "plans").mkdir()
    path = file_of_steps(tmp_path / "plans", MINE)
    monkeypatch.chdir(tmp_path)
    assert plans.load(path, allow_commands=True).steps_from == (str(tmp_path / "plans" / "my_steps.py"),)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("def f(:\n", "my_steps.py, line 1: invalid syntax; mend it"),
        ("\n\nraise OSError('no card')\n", "my_steps.py, line 3)"),
        ("import sys\nsys.exit(0)\n", "it cannot be loaded: SystemExit: 0"),
        ("x = 3\n", "my_steps.py: no step is defined in it; see `laneproof guide steps`"),
        (
            "import laneproof\nclass Mine(laneproof.Step):\n    def run(self, slot, findings): ...\n",
            "is no attrs class",
        ),
        ("\0", "my_steps.py"),
    ],
)
def test_a_file_that_is_no_good_is_one_line(tmp_path: Path, text: str, said: str) -> None:
    path = file_of_steps(tmp_path, text)
    with pytest.raises(BadInput) as refused:
        plans.load(path, allow_commands=True)
    assert said in str(refused.value)
    assert str(refused.value).startswith(f"plan {path}: ")
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("value", ['"./my_steps.py"', "[3]", '["nothing.py"]', '["."]', '["\\u0000"]', "{}"])
def test_what_names_no_file_is_refused(tmp_path: Path, value: str) -> None:
    (tmp_path / "plan.toml").write_text(f"schema = 1\nsteps_from = {value}\n", "utf-8")
    with pytest.raises(BadInput):
        plans.load(tmp_path / "plan.toml", allow_commands=True)


def package(folder: Path, monkeypatch: pytest.MonkeyPatch, name: str, entries: str, text: str = MINE) -> None:
    """Installs a package of steps, as pip would."""
    about = folder / "site" / f"{name}-1.dist-info"
    about.mkdir(parents=True)
    (about / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1\n")
    (about / "entry_points.txt").write_text(f"[laneproof.steps]\n{entries}\n")
    (folder / "site" / f"{name}.py").write_text(text)
    monkeypatch.syspath_prepend(str(folder / "site"))
    monkeypatch.delitem(sys.modules, name, raising=False)


def parsed(kind: str, **options: Any) -> Plan:
    return plans.parse({"schema": 1, "step": [{"kind": kind}]}, "plan", **options)


def test_a_packages_step_is_used_by_its_kind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    package(tmp_path, monkeypatch, "invented_steps", "mine = invented_steps:mine")
    assert [plans.kind_of(step) for step in parsed("mine").step] == ["mine"]
    with pytest.raises(BadInput, match=r'step\[0\]: kind is "stress"; use one of link, .*, mine'):
        parsed("stress")


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        ("other = invented_odd:mine", 'the step "other" of invented_odd calls itself "mine"'),
        ("mine = invented_odd:missing", "cannot be used: its import failed with AttributeError"),
        ("mine = invented_odd:laneproof", "is no subclass of laneproof.Step"),
        (
            "soak = invented_odd:mine",
            'kind "soak" is claimed by laneproof itself and by invented_odd; rename or remove',
        ),
        ("mine = invented_odd:mine\n[x]", ""),
    ],
)
def test_a_package_that_is_no_good_harms_only_a_plan_that_uses_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, entry: str, said: str
) -> None:
    package(tmp_path, monkeypatch, "invented_odd", entry)
    assert parsed("link").step
    kind = entry.split(" ")[0]
    if not said:
        assert parsed(kind).step
        return
    with pytest.raises(BadInput) as refused:
        parsed(kind)
    assert said in str(refused.value)


def test_two_packages_that_claim_one_kind_harm_only_a_plan_that_uses_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("invented_one", "invented_two"):
        package(tmp_path / name, monkeypatch, name, f"mine = {name}:mine")
    assert parsed("link").step
    with pytest.raises(BadInput, match=r'step\[0\]: kind "mine" is claimed by invented_(one|two) and by invented_'):
        parsed("mine")


def test_a_run_of_ones_own_steps_is_resumed_with_their_classes(tmp_path: Path) -> None:
    ended = raising("slot.stop.set(); slot.check('prbs31', 4096)")
    run(tmp_path, burst(rounds=5), ended(), Idle(rest=Seconds(2)))
    with pytest.raises(StorageFault, match=r'cannot be resumed: the plan: step\[0\]: kind is "burst"; use one of'):
        runner.resume(tmp_path / "run.ledger")
    again = raising("slot.judge({'prbs31': slot.check('prbs31', 4096)}, findings)")
    (endpoint,) = runner.resume(tmp_path / "run.ledger", steps=(burst, again, Idle)).endpoints
    assert [(step.kind, str(step.verdict)) for step in endpoint.steps] == [
        ("burst", "pass"),
        ("odd", "pass"),
        ("Idle", "pass"),
    ]
    assert any("own_steps: odd was" in reason.text for reason in endpoint.reasons) is False


def test_another_file_when_a_run_is_resumed_is_said(tmp_path: Path) -> None:
    stops = MINE + "    slot.stop.set() if level == 3 else None\n"
    again = '[[step]]\nkind = "mine"\n[[step]]\nkind = "mine"\n'
    runner.run(
        plans.load(file_of_steps(tmp_path, stops, again), allow_commands=True), tmp_path / "l", allow_commands=True
    )
    with pytest.raises(StorageFault, match="steps_from would run the Python code in /"):
        runner.resume(tmp_path / "l")
    file_of_steps(tmp_path, MINE, again)
    (endpoint,) = runner.resume(tmp_path / "l", allow_commands=True).endpoints
    assert [str(step.verdict) for step in endpoint.steps] == ["pass", "pass"]
    assert any(reason.text.startswith("own_steps: mine was mine in ") for reason in endpoint.reasons)
