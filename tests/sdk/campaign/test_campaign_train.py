"""The step `train`: bounds, what a bad training is, and that neither a deaf port nor a card that stays away passes.

Bounds are held against scipy.stats (Clopper and Pearson 1934, Biometrika 26, 404); which trainings went wrong, against
the simulator's truth file.
"""

from __future__ import annotations

import json
import sqlite3
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from scipy.stats import beta, binomtest

from laneproof import cli
from laneproof.campaign import plan as plans
from laneproof.campaign.events import Event, Noted
from laneproof.campaign.results import RunResult, StepResult
from laneproof.campaign.steps import TrainStep
from laneproof.campaign.steps.command import CommandFailed, run_command
from laneproof.documents import Seconds
from laneproof.errors import BadInput, Interrupted

Run = Callable[..., RunResult]
BENCH = """schema = 1
name = "training"
invented = "invented: the shore station of a chain of tide gauges"
description = "A slot for the tests of trainings."

[[slot]]
name = "north"
wiring = 4
near = { max_speed = "16 GT/s", max_width = 4 }
%s
[slot.card]
max_speed = "16 GT/s"
max_width = 4
model = "echo card"
serial = "invented-0001"
"""


def train(by: str, count: int, more: str = "") -> str:
    return f'[[step]]\nkind = "train"\nby = "{by}"\ncount = {count}\n{more}\n'


def bench(tmp_path: Path, fault: str = "", keys: str = "", query: str = "") -> str:
    path = tmp_path / "training.toml"
    path.write_text(BENCH % keys + (f"[[slot.fault]]\n{fault}\n" if fault else ""))
    return f"sim:{path}{query}#north"


def only(result: RunResult) -> StepResult:
    ((step,),) = (endpoint.steps for endpoint in result.endpoints)
    return step


def said(step: StepResult, verdict: str) -> str:
    return " ".join(reason.text for reason in step.reasons if str(reason.verdict) == verdict)


def test_300_good_trainings_pass_with_the_exact_bound_on_a_bad_one(run_plan: Run) -> None:
    step = only(run_plan(train("hot reset", 300), "sim:demo#north"))
    assert str(step.verdict) == "pass"
    bound = step.measures["chance_of_a_bad_training"]["upper_bound"]
    assert bound == pytest.approx(beta.ppf(0.95, 1, 300), rel=1e-6)
    assert bound == pytest.approx(binomtest(0, 300).proportion_ci(0.9, method="exact").high, rel=1e-6)
    assert bound < 0.01
    assert "0 bad in 300 trainings by hot reset: the chance of a bad one is below 1.0 % at 95 % confidence" in said(
        step, "pass"
    )
    assert step.bytes_moved == 300 * (64 << 10)


def test_one_bad_training_in_200_is_found_and_each_one_named(run_plan: Run, tmp_path: Path) -> None:
    truth = tmp_path / "truth"
    step = only(run_plan(train("hot reset", 300), f"sim:bad-training?truth={truth}#north"))
    acted = [line for line in truth.read_text().splitlines() if json.loads(line).get("kind") == "bad-training"]
    assert str(step.verdict) == "fail"
    assert 0 < step.measures["bad_trainings"] == len(acted)
    assert step.measures["trained_to"] == {"16 GT/s x8": 300 - len(acted), "8 GT/s x8": len(acted)}
    number = step.measures["bad"][0]["number"]
    assert f"number {number}: 8 GT/s x8, expected 16 GT/s x8" in said(step, "fail")
    ends = binomtest(len(acted), 300).proportion_ci(0.95, method="exact")
    assert ends.low < 0.005 < ends.high


def test_a_soak_on_the_same_bench_sees_nothing(run_plan: Run) -> None:
    soak = '[[step]]\nkind = "link"\n[[step]]\nkind = "soak"\nbytes = "32 MiB"\n'
    (endpoint,) = run_plan(soak, "sim:bad-training#north").endpoints
    assert str(endpoint.verdict) == "pass"


def test_each_training_is_on_record_while_the_step_runs(run_plan: Run, tmp_path: Path) -> None:
    run_plan(train("retrain", 30), "sim:demo#north")
    with sqlite3.connect(tmp_path / "run.ledger") as ledger:
        texts = [text for (text,) in ledger.execute("SELECT text FROM event WHERE kind = 'training'")]
        (moved,) = ledger.execute("SELECT sum(bytes) FROM sample").fetchone()
        writes = [text for (text,) in ledger.execute("SELECT text FROM event WHERE kind = 'write'")]
    ledger.close()
    assert [text.split(" by ")[0] for text in texts] == [f"{number} of 30" for number in range(1, 31)]
    assert moved == 30 * (64 << 10)
    assert writes == ["for each training: Retrain Link, in Link Control of the simulated port above slot north"]


def test_a_retraining_is_timed_by_the_card_s_clock(run_plan: Run) -> None:
    measures = only(run_plan(train("retrain", 20), "sim:demo#north")).measures
    assert measures["seconds_to_active"]["most"] == pytest.approx(16e-6)
    assert measures["resolution_s"] == 0
    assert measures["equalisation"] == {"complete": 20}


def test_errors_of_a_training_itself_are_shown_and_not_judged(run_plan: Run, tmp_path: Path) -> None:
    uri = bench(tmp_path, 'kind = "bad-training"\nlane = 1\nholds = "8 GT/s"\nprobability = 0.3')
    step = only(run_plan(train("retrain", 20, "max_bad = 19"), uri))
    assert str(step.verdict) == "pass"
    bad = step.measures["bad_trainings"]
    assert 0 < bad < 20
    assert step.measures["errors_while_training"] == {"RxErr (near end)": bad, "RxErr (far end)": bad}
    assert {why for one in step.measures["bad"] for why in one["why"]} == {"8 GT/s x4, expected 16 GT/s x4"}


def test_as_many_bad_ones_as_the_plan_allows_pass_with_the_bound_that_they_leave(run_plan: Run, tmp_path: Path) -> None:
    uri = bench(tmp_path, 'kind = "bad-training"\nlane = 1\nholds = "8 GT/s"\nprobability = 0.3')
    step = only(run_plan(train("hot reset", 20, 'max_bad = 19\nconfidence = "99 %"'), uri))
    bad, bound = step.measures["bad_trainings"], step.measures["chance_of_a_bad_training"]["upper_bound"]
    assert bound == pytest.approx(beta.ppf(0.99, bad + 1, 20 - bad), rel=1e-6)


def test_errors_once_the_link_is_active_make_a_training_bad(run_plan: Run, tmp_path: Path) -> None:
    uri = bench(tmp_path, keys="bit_error_rate = { from_card = { 0 = 1e-6 } }")
    step = only(run_plan(train("hot reset", 10), uri))
    assert str(step.verdict) == "fail"
    assert "once it was active, root port of slot north (near end) counted" in said(step, "fail")
    allowed = only(run_plan(train("hot reset", 10, "max_link_errors = 100000"), uri, ledger="allowed.ledger"))
    assert str(allowed.verdict) == "inconc"  # a kernel's counts are lower bounds


def test_wrong_data_fail_whatever_number_of_bad_trainings_is_allowed(run_plan: Run, tmp_path: Path) -> None:
    uri = bench(tmp_path, 'kind = "bit-flips"\nprobability = 1e-6')
    step = only(run_plan(train("hot reset", 10, "max_bad = 9"), uri))
    assert str(step.verdict) == "fail"
    assert "bytes came back wrong, which no limit allows" in said(step, "fail")


def test_a_card_that_takes_too_long_after_a_reset_is_bad(run_plan: Run, tmp_path: Path) -> None:
    uri = bench(tmp_path, 'kind = "not-ready"\nlasts = "2 s"\nover = "link reset"')
    step = only(run_plan(train("hot reset", 2), uri))
    assert "active after 2.13 s, at most 1 s are allowed" in said(step, "fail")
    longer = only(run_plan(train("hot reset", 2, 'max_time_to_active = "3 s"'), uri, ledger="longer.ledger"))
    assert str(longer.verdict) == "pass"


def test_a_link_that_does_not_come_back_fails_by_what_the_near_port_shows(run_plan: Run, tmp_path: Path) -> None:
    uri = bench(tmp_path, 'kind = "bad-training"\nlane = 0\nprobability = 0.2')
    result = run_plan(train("retrain", 100) + '[[step]]\nkind = "link"\n', uri)
    step = result.endpoints[0].steps[0]
    assert str(step.verdict) == "fail"
    assert "data link layer not active" in said(step, "fail")
    assert 0 < step.measures["trainings"] < 100
    assert "the card is lost; not run: link" in result.endpoints[0].reasons[0].text


def test_a_hot_reset_brings_back_what_one_has_lost_and_the_step_goes_on(run_plan: Run, tmp_path: Path) -> None:
    uri = bench(tmp_path, 'kind = "bad-training"\nlane = 0\nprobability = 0.1')
    step = only(run_plan(train("hot reset", 40), uri))
    assert str(step.verdict) == "fail"
    assert step.measures["trainings"] == 40
    assert 0 < step.measures["trained_to"]["no link that is shown"] == step.measures["bad_trainings"]


def test_a_link_that_is_not_shown_is_not_judged(run_plan: Run, tmp_path: Path) -> None:
    step = only(run_plan(train("hot reset", 5), bench(tmp_path, keys="observable = false")))
    assert str(step.verdict) == "inconc"
    assert step.measures["chance_of_a_bad_training"] is None
    assert "in 5 of 5 trainings nothing can be told" in said(step, "inconc")


def test_the_next_step_is_held_to_what_the_link_was_before(run_plan: Run, tmp_path: Path) -> None:
    uri = bench(tmp_path, 'kind = "bad-training"\nlane = 1\nprobability = 0.5', query="?seed=3")
    result = run_plan(train("retrain", 10, "max_bad = 9") + '[[step]]\nkind = "link"\n', uri)
    assert [str(step.verdict) for step in result.endpoints[0].steps] == ["pass", "fail"]


def test_interrupted_it_keeps_what_was_measured(run_plan: Run) -> None:
    stop = threading.Event()

    def watch(event: Event) -> None:
        if isinstance(event, Noted) and event.kind == "training":
            stop.set()

    step = only(run_plan(train("hot reset", 100_000), "sim:demo#north", watch=watch, stop=stop))
    assert str(step.verdict) == "inconc"
    assert 0 < step.measures["trainings"] < 100_000
    assert f"0 bad in {step.measures['trainings']} trainings" in said(step, "pass")


# --- plans


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ('kind = "train"', "by: is missing"),
        ('kind = "train"\nby = "warm reset"', '"warm reset" is not one of retrain, hot reset, command'),
        ('kind = "train"\nby = "command"', 'by = "command" takes command = '),
        ('kind = "train"\nby = "retrain"\ncommand = ["/bin/true"]', 'by = "command" takes command = '),
        ('kind = "train"\nby = "retrain"\ncount = 3\nmax_bad = 3', "can never fail"),
        ('kind = "train"\nby = "retrain"\nconfidence = "100 %"', "confidence"),
    ],
)
def test_a_plan_that_makes_no_sense_is_refused(run_plan: Run, text: str, why: str) -> None:
    with pytest.raises(BadInput) as refused:
        run_plan(f"[[step]]\n{text}\n", "sim:demo#north")
    assert why in str(refused.value)
    assert "step[0]" in str(refused.value)


def test_a_check_of_the_plan_says_what_it_could_claim(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text('schema = 1\n[[endpoint]]\nuri = "sim:demo#north"\n' + train("retrain", 59))
    assert cli.main(["run", str(plan), "--check"]) == 0
    shown = " ".join(capsys.readouterr().out.split())  # 1 - 0.05 ** (1 / 59) = 0.04951
    assert "without a bad one in 59, a chance of a bad training below 5.0 % at 95 % confidence" in shown
    assert "claim none" not in shown


# --- commands


COMMAND = 'command = ["/bin/sh", "-c", "touch %s"]'


def test_a_command_is_refused_before_anything_runs_unless_it_is_allowed(run_plan: Run, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"step\[0\]\.command would run .*touch.*allow_commands=True"):
        run_plan(train("command", 1, COMMAND % (tmp_path / "ran")), "sim:demo#north")
    assert list(tmp_path.iterdir()) == []


def test_the_command_line_asks_for_leave_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan, ran = tmp_path / "plan.toml", tmp_path / "ran"
    plan.write_text(
        'schema = 1\n[[endpoint]]\nuri = "sim:demo#north"\n' + train("command", 1, f'command = ["touch", "{ran}"]')
    )
    ledger = tmp_path / "run.ledger"
    assert cli.main(["run", str(plan), "--ledger", str(ledger)]) == 2
    assert "--allow-commands" in capsys.readouterr().err
    assert cli.main(["run", str(plan), "--check"]) == 0
    assert f"touch {ran}" in capsys.readouterr().out.replace("\n", "")
    assert not ran.exists()
    assert not ledger.exists()
    assert cli.main(["run", str(plan), "--ledger", str(ledger), "--allow-commands"]) == 3
    assert ran.exists()


def test_a_command_after_which_nothing_shows_a_training_is_no_training(run_plan: Run) -> None:
    text = train("command", 2, 'command = ["/bin/true"]')
    step = only(run_plan(text, "sim:demo#north", allow_commands=True))
    assert str(step.verdict) == "inconc"
    assert "nothing shows that the command made the link train" in said(step, "inconc")


@pytest.mark.parametrize(
    ("command", "why"),
    [
        (["/bin/sh", "-c", "echo no socket of that name >&2; exit 3"], "status 3: no socket of that name"),
        (["/nowhere/switch"], "could not be started: No such file"),
        (["/bin/sh", "-c", "kill -TERM $$"], "was ended by signal 15"),
        (["/bin/sleep", "60"], "had not ended after 0.2 s and was killed"),
    ],
)
def test_a_command_that_fails_is_the_test_system_s_error(run_plan: Run, command: list[str], why: str) -> None:
    text = train("command", 2, f'command = {json.dumps(command)}\ncommand_timeout = "200 ms"')
    step = only(run_plan(text, "sim:demo#north", allow_commands=True))
    assert str(step.verdict) == "error"
    assert f"after 0 of 2 trainings: the command {command[0]}" in said(step, "error")
    assert why in said(step, "error")


def test_a_command_that_hangs_is_killed_with_all_that_it_started(tmp_path: Path) -> None:
    noted = tmp_path / "pid"
    with pytest.raises(CommandFailed, match="was killed"):
        run_command(("/bin/sh", "-c", f"sleep 60 & echo $! > {noted}; wait"), 0.3, threading.Event(), lambda: None)
    child = Path(f"/proc/{noted.read_text().strip()}/stat")
    until_s = time.monotonic() + 5
    while child.exists() and child.read_text().split()[2] != "Z" and time.monotonic() < until_s:
        time.sleep(0.01)
    assert not child.exists() or child.read_text().split()[2] == "Z"


def test_a_command_is_given_to_no_shell(tmp_path: Path) -> None:
    run_command((sys.executable, "-c", "pass", f"; touch {tmp_path}/ran"), 30, threading.Event(), lambda: None)
    assert list(tmp_path.iterdir()) == []


def test_a_card_in_a_process_of_its_own_has_its_command_run_there(run_plan: Run, echo: Callable[..., str]) -> None:
    text = train("command", 2, 'command = ["/bin/true"]')
    (endpoint,) = run_plan(text, echo(), allow_commands=True).endpoints
    assert endpoint.physical
    assert str(endpoint.steps[0].verdict) == "inconc"
    assert endpoint.steps[0].bytes_moved == 2 * (64 << 10)


def test_stopping_kills_a_command_under_way() -> None:
    stop = threading.Event()
    with pytest.raises(Interrupted):
        run_command(("/bin/sleep", "60"), 60, stop, stop.set)


def test_the_plan_is_kept_and_read_again_with_its_step() -> None:
    step = TrainStep(by="command", command=("/bin/true", "x"), max_time_to_active=Seconds(2.0))
    plan = plans.Plan(endpoint=(plans.PlannedEndpoint(uri="sim:demo#north"),), step=(step,))
    assert plans.kept(json.loads(json.dumps(plan.to_dict())), "the plan").step == (step,)
