"""The page on plans agrees with the program: what wrong plans are told, and the same plan in Python.

Run as a program, this prints the section on wrong plans as the page is to have it.
"""

from __future__ import annotations

import json
import re
import textwrap
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import laneproof
from laneproof.campaign import plan as plans
from laneproof.campaign import power
from laneproof.errors import BadInput

PAGE = (Path(laneproof.__file__).parent / "guide" / "plans.md").read_text("utf-8")
WRONG = [
    '[[step]]\nkind = "integrity"\nbytes = 4096',
    '[[step]]\nkind = "integrity"\nsize = "1 MiB"',
    '[[step]]\nkind = "stress"',
    '[[step]]\nkind = "soak"\npattern = "noise"',
    '[[step]]\nkind = "throughput"\nmin_share = "140 %"',
    '[[step]]\nkind = "train"\nby = "retrain"\ncount = 10\nmax_bad = 10',
    '[[step]]\nkind = "train"',
    '[[endpoint]]\nuri = "sim:demo#north"\nexpect.speed = "9 GT/s"',
    '[[endpoint]]\nuri = "/dev/echo0"',
    'order = "random"',
    'stop_after = "soon"',
    '[[equipment]]\nname = "thermometer"\ncalibration_due = "March"',
    '[[endpoint]]\nuri = "sim:demo#north"\npower = "120 W"\nslot_power = "75 W"',
    'supply_power = "300 W"\n[[endpoint]]\nuri = "sim:demo#north"\npower = "310 W"',
]


def wrong_plans() -> str:
    """Each wrong plan, `schema = 1` left out, and what is said of it."""
    said: list[str] = []
    for text in WRONG:
        with pytest.raises(BadInput) as caught:
            plans.parse({"schema": 1, **tomllib.loads(text)}, "plan plan.toml")
        message = textwrap.fill(str(caught.value), 76, break_on_hyphens=False, break_long_words=False)
        said.append(f"```toml\n{text}\n```\n\n{textwrap.indent(message, '    ')}\n")
    return "\n".join(said)


def test_the_page_says_of_each_wrong_plan_what_the_program_says() -> None:
    assert PAGE.split("## What a wrong plan is told\n\n")[1] == wrong_plans()


def test_the_plan_that_the_page_writes_in_python_is_the_one_that_it_writes_in_toml() -> None:
    (block,) = re.findall(r"^```python\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)
    names: dict[str, Any] = {}
    exec(block, names)
    first = PAGE.split("```toml\n")[1].split("```")[0]
    assert names["plan"] == plans.parse(tomllib.loads(first), "the page")


def test_what_the_page_declares_is_read() -> None:
    shown = PAGE.split("## What is declared")[1].split("```toml\n")[1].split("```")[0]
    plan = plans.parse({"schema": 1, **tomllib.loads(shown)}, "the page")
    assert plan.equipment[0].identity == "T-4"


def test_the_sums_that_the_page_shows_are_those_of_the_plan_that_it_shows() -> None:
    section = PAGE.split("## Power")[1].split("## What is declared")[0]
    plan = plans.parse({"schema": 1, **tomllib.loads(section.split("```toml\n")[1].split("```")[0])}, "the page")
    shown = " ".join(re.findall(r"^    (\S.*|  +\S.*)$", section, re.MULTILINE))
    assert " ".join(shown.split()) == " ".join(f"power {line}" for line in power.table(plan))


WHOLE = """schema = 1
name = "all of it"
seed = 4
repeat = 2
order = "shuffled"
stop_slot_on = "fail"
stop_after = "8 h"
notes = { order = "A-17" }
[operator]
name = "J. Doe"
[[equipment]]
name = "thermometer"
calibration_due = 2027-03-31
[[endpoint]]
uri = "sim:demo#north"
group = "switch"
power = "60 W"
slot_power = "75 W"
stop_above_temperature = "85 °C"
expect = { speed = "8 GT/s", width = 8 }
[[step]]
kind = "integrity"
patterns = ["prbs31"]
bytes = "1 MiB"
timeout = "5 s"
[[step]]
kind = "soak"
duration = "1 h"
stop_on_failure = false
max_link_errors = 3
[[step]]
kind = "throughput"
min_share = "80 %"
[[step]]
kind = "train"
by = "hot reset"
count = 3
confidence = "95 %"
"""
LINES = WHOLE.splitlines()
KEYED = [number for number, line in enumerate(LINES) if " = " in line]
VALUES = st.one_of(
    st.integers().map(str),
    st.integers(min_value=1 << 63, max_value=1 << 80).map(str),
    st.sampled_from(
        ["nan", "inf", "-1.5", "true", "2027-03-31", "2027-03-31T10:00:00Z", "10:00:00", "{}", "[]", "[[]]"]
    ),
    st.sampled_from(
        ['"0 %"', '"0 s"', '"1e999 s"', '"9e99 TiB"', '"-3 B"', '"fail"', '"soak"', '{ speed = "9 GT/s" }']
    ),
    st.text(max_size=30).map(lambda text: json.dumps(text, ensure_ascii=False)),
    st.text(max_size=10),
    st.lists(st.integers(), max_size=3).map(str),
)


@settings(max_examples=200, deadline=None)
@given(st.sampled_from(KEYED), VALUES)
def test_one_wrong_value_gives_a_plan_or_a_line_with_file_and_key(
    tmp_path_factory: pytest.TempPathFactory, number: int, value: str
) -> None:
    key = LINES[number].split(" = ")[0]
    path = tmp_path_factory.getbasetemp() / "fuzzed.toml"
    path.write_text("\n".join([*LINES[:number], f"{key} = {value}", *LINES[number + 1 :]]), "utf-8", newline="")
    said = ""
    try:
        plans.load(path)
    except BadInput as error:
        said = str(error)
    assert said.isprintable()
    table_and_key = rf"^plan {re.escape(str(path))}: (not valid TOML: .+|.*({key}|step\[\d\]|unknown key).*)$"
    assert not said or re.search(table_and_key, said)


if __name__ == "__main__":
    print(wrong_plans(), end="")
