"""The house itself: what stands where, which way imports go, style, types, and what an import costs."""

from __future__ import annotations

import contextlib
import io
import re
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
import time_budget

ROOT = Path(__file__).parent.parent
SOURCES = ("sdk", "sim", "drivers_shim")


def _run(*command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False)


def test_the_top_level_holds_the_eight_names_and_nothing_else() -> None:
    tracked = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    names = {line.split("/")[0] for line in tracked.splitlines()}
    shown = {name for name in names if not name.startswith(".")}
    assert shown == {"README.md", "DEVELOPERS.md", "pyproject.toml", *SOURCES, "examples", "tests"}


def test_imports_go_one_way() -> None:
    done = subprocess.run(
        [Path(sys.executable).with_name("lint-imports")], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout


def test_style() -> None:
    for command in (("ruff", "check", "."), ("ruff", "format", "--check", ".")):
        done = _run(*command)
        assert done.returncode == 0, done.stdout


def test_types() -> None:
    done = _run("pyright", "--pythonpath", sys.executable)
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize("heavy", ["scipy", "rich", "jinja2", "matplotlib", "cattrs", "numba", "laneproof_sim"])
def test_importing_laneproof_leaves_out(heavy: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", f"import laneproof, sys; sys.exit({heavy!r} in sys.modules)"], check=False
    )
    assert done.returncode == 0


def test_a_command_imports_its_own_verb_alone() -> None:
    code = "import sys; from laneproof.cli import main; main(['guide', 'plans']); sys.exit('numpy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], stdout=subprocess.DEVNULL, check=False)
    assert done.returncode == 0


def test_each_part_with_a_time_budget_is_there() -> None:
    budgets = time_budget.budgets_s()
    assert len(budgets) > 10
    assert [part for part in budgets if not (ROOT / "tests" / part).exists()] == []


def test_no_file_hides_a_second_purpose() -> None:
    files = [path for folder in (*SOURCES, "examples") for path in (ROOT / folder).rglob("*.py")]
    lengths = {str(path.relative_to(ROOT)): len(path.read_text("utf-8").splitlines()) for path in files}
    assert {path: length for path, length in lengths.items() if length > 450} == {}


def test_each_dependency_has_its_reason_beside_it() -> None:
    text = (ROOT / "pyproject.toml").read_text("utf-8")
    lists = re.findall(r"^(?:dependencies|fast|dev) = \[\n(.*?)^\]", text, re.MULTILINE | re.DOTALL)
    lines = [line for block in lists for line in block.splitlines()]
    assert len(lines) > 10
    assert [line for line in lines if not re.fullmatch(r'\s+"[^"]+",\s+# \S.*', line)] == []


def test_every_page_that_the_readme_links_to_is_there() -> None:
    text = (ROOT / "README.md").read_text("utf-8")
    links = [link for link in re.findall(r"\]\(([^)#]+)", text) if "://" not in link]
    assert links
    assert [link for link in links if not (ROOT / link).exists()] == []


def test_readme_and_guide_carry_every_caution() -> None:
    from laneproof import safety

    page = (ROOT / "sdk/laneproof/guide/cautions.md").read_text("utf-8")
    readme = (ROOT / "README.md").read_text("utf-8")
    folded = " ".join(page.split())
    for caution in safety.CAUTIONS:
        assert caution.text in folded, f"{caution.title} is not in the guide as it is shown"
        assert caution.source in folded
        assert caution.title in readme
    assert safety.DEFERRAL in folded
    assert safety.DEFERRAL in " ".join(readme.split())


def test_the_guide_says_what_the_bench_does_not_model() -> None:
    from laneproof_sim.limits_of_model import NOT_MODELLED

    page = " ".join((ROOT / "sdk/laneproof/guide/bench.md").read_text("utf-8").split())
    assert [sentence for sentence in NOT_MODELLED if sentence not in page] == []


def test_the_readme_shows_what_a_run_prints() -> None:
    from laneproof.cli import main

    text = (ROOT / "README.md").read_text("utf-8")
    shown = text.split("    north  sim:demo#north")[1].split("    …")[0]
    with tempfile.TemporaryDirectory() as folder, contextlib.redirect_stdout(io.StringIO()) as out:
        assert main(["run", "--endpoint", "sim:demo#north", "--ledger", f"{folder}/run.ledger"]) == 0
    printed = [line.strip() for line in out.getvalue().splitlines()]
    lines = [line.strip() for line in shown.splitlines()[1:] if line.strip()]
    assert len(lines) > 8
    assert [line for line in lines if line not in printed] == []
