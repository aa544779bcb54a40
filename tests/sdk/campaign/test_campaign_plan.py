"""Plans: the built-in one, what each wrong one is told, and that nothing but BadInput comes of any."""

from __future__ import annotations

import os
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.errors import BadInput

STEP = 'schema = 1\n[[step]]\nkind = "{}"\n{}'
ENDPOINT = "schema = 1\n[[endpoint]]\n{}"


def test_the_built_in_plan_runs_every_step_on_the_demonstration_bench() -> None:
    plan = plans.builtin()
    assert plan.names() == ("north", "middle", "south")
    assert [plans.kind_of(step) for step in plan.step] == ["link", "integrity", "throughput", "soak"]
    runner.validate(plan)


WRONG = {
    "unknown key": (
        STEP.format("integrity", 'sizes = "1 MiB"'),
        r"step\[0\]: unknown key \"sizes\"; known here: .*bytes",
    ),
    "unknown key at the top": ("schema = 1\nsteps = []", r"unknown key \"steps\"; known here: .*step"),
    "wrong unit": (STEP.format("integrity", 'bytes = "1 GT/s"'), r"step\[0\]\.bytes: .*MiB.*write for example"),
    "missing unit": (
        STEP.format("integrity", "bytes = 4096"),
        r"step\[0\]\.bytes: 4096 has no unit; write for example",
    ),
    "broken byte": (STEP.format("integrity", 'bytes = "0.3 B"'), r"step\[0\]\.bytes: .*whole number of bytes"),
    "too large": (STEP.format("integrity", 'bytes = "1e300 TiB"'), r"step\[0\]\.bytes: .*too large"),
    "wrong kind": (STEP.format("stress", ""), r'step\[0\]: kind is "stress"; use one of link, integrity'),
    "no kind": ("schema = 1\n[[step]]", r"step\[0\]: kind is missing; use one of link, integrity"),
    "kind of the wrong type": ("schema = 1\n[[step]]\nkind = [1]", r"step\[0\]: kind is .*use one of"),
    "unknown pattern": (STEP.format("integrity", 'patterns = ["prbs8"]'), r'step\[0\]: .*"prbs8"; known are prbs7'),
    "unknown pattern of a soak": (STEP.format("soak", 'pattern = "noise"'), r'step\[0\]: .*"noise"; known are prbs7'),
    "unknown check": (
        STEP.format("integrity", 'check = "crc"'),
        r'step\[0\]\.check: "crc" is not one of exact, digest',
    ),
    "a soak by digest": (STEP.format("soak", 'check = "digest"'), r'step\[0\]: unknown key "check"; known here: '),
    "no patterns": (STEP.format("integrity", "patterns = []"), r"step\[0\]: .*'patterns' must be >= 1"),
    "patterns no list": (STEP.format("integrity", 'patterns = "prbs31"'), r"step\[0\]\.patterns: .*is not a list"),
    "negative repeats": (STEP.format("throughput", "repeats = -1"), r"step\[0\]: 'repeats' must be >= 1: -1"),
    "share over one": (STEP.format("throughput", 'min_share = "140 %"'), r"step\[0\]\.min_share: .*0 % and 100 %"),
    "negative rate": (STEP.format("throughput", 'min_rate = "-5 MB/s"'), r"step\[0\]\.min_rate: .*MB/s"),
    "more than memory": (STEP.format("throughput", 'bytes = "1 TiB"'), r"step\[0\]: 'bytes' must be <= 1073741824"),
    "more blocks than memory": (STEP.format("integrity", "depth = 1000000"), r"step\[0\]: 'depth' must be <= 1024"),
    "negative limit": (STEP.format("link", "max_link_errors = -1"), r"step\[0\]: 'max_link_errors' must be >= 0"),
    "half an error": (STEP.format("link", "max_link_errors = 0.5"), r"step\[0\]\.max_link_errors: .*whole number"),
    "true errors": (STEP.format("link", "max_link_errors = true"), r"step\[0\]\.max_link_errors: .*whole number"),
    "no time": (STEP.format("integrity", 'timeout = "0 s"'), r"step\[0\]: 'timeout' must be > 0"),
    "no block": (STEP.format("integrity", 'block = "0 B"'), r"step\[0\]: 'block' must be >= 1"),
    "no portion": (STEP.format("soak", 'portion = "0 B"'), r"step\[0\]: 'portion' must be >= 1"),
    "endless": (STEP.format("soak", 'duration = "inf s"'), r"step\[0\]\.duration: .*write for example"),
    "width 3": (
        ENDPOINT.format('uri = "sim:demo#north"\nexpect.width = 3'),
        r"endpoint\[0\]\.expect: 3 is no link width; use one of 1, 2",
    ),
    "speed 9": (
        ENDPOINT.format('uri = "sim:demo#north"\nexpect.speed = "9 GT/s"'),
        r"endpoint\[0\]\.expect: 9 is no link speed",
    ),
    "endpoint without uri": (ENDPOINT.format('name = "x"'), r"endpoint\[0\]\.uri: is missing; add it"),
    "no uri": (ENDPOINT.format('uri = "north"'), r'endpoint\[0\]\.uri: "north" is not an endpoint; write SCHEME:'),
    "one name for two": (
        ENDPOINT.format('uri = "sim:demo#north"\nname = "a"\n[[endpoint]]\nuri = "sim:demo#south"\nname = "a"'),
        r'endpoint\[1\]\.name: "a" is taken; give each a name',
    ),
    "endpoint a table": ("schema = 1\n[endpoint]\nuri = 'sim:demo#north'", r"endpoint: .*is not a list"),
    "steps no tables": ("schema = 1\nstep = [1]", r"step\[0\]: 1 is not a table"),
    "negative seed": ("schema = 1\nseed = -1", r"'seed' must be >= 0"),
    "seed in words": ('schema = 1\nseed = "x"', r"seed: .*whole number"),
    "schema missing": ('[[step]]\nkind = "link"', r"schema: write schema = 1"),
    "schema of the future": ("schema = 2", r"schema: write schema = 1"),
    "schema in words": ('schema = "1"', r"schema: write schema = 1"),
    "empty": ("", r"schema: write schema = 1"),
    "not TOML": ("schema = 1\n\nname = = 3", r"not valid TOML: .*line 3, column 8"),
    "deeply nested": ("schema = 1\na = " + "[" * 100_000, r"not valid TOML: "),
    "endless number": ("schema = 1\nseed = " + "9" * 5000, r"not valid TOML: "),
    "huge": ("# " * (1 << 20), r"larger than 1 MiB; this is no plan"),
}


@pytest.mark.parametrize(("text", "says"), WRONG.values(), ids=WRONG)
def test_a_wrong_plan_is_told_in_one_line_where_what_and_the_remedy(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "wrong.toml"
    path.write_text(text)
    with pytest.raises(BadInput) as caught:
        plans.load(path)
    line = str(caught.value)
    assert line.startswith(f"plan {path}: ")
    assert re.search(says, line)
    assert line.isprintable()


def test_what_is_no_readable_file_is_told_too(tmp_path: Path) -> None:
    binary = tmp_path / "binary.toml"
    binary.write_bytes(b"\x7fELF\xff\xfe\x00")
    large = tmp_path / "large.toml"
    large.write_bytes(b"#" * (2 << 20))
    for path, says in {
        tmp_path: "is a folder; give the path of a TOML file",
        tmp_path / "none.toml": "No such file or directory; give the path of a TOML file",
        binary: "not text in UTF-8; give a TOML file",
        Path("/dev/zero"): "is no ordinary file; give the path of a TOML file",
        large: "larger than 1 MiB; this is no plan",
    }.items():
        with pytest.raises(BadInput) as caught:
            plans.load(path)
        assert str(caught.value) == f"plan {path}: {says}"
    with pytest.raises(BadInput, match="File name too long"):
        plans.load(tmp_path / ("n" * 300))


def test_terminal_escapes_in_a_plan_do_not_reach_the_message(tmp_path: Path) -> None:
    path = tmp_path / "p.toml"
    path.write_text('schema = 1\n"\\u001b]0;title\\u0007" = 1')
    with pytest.raises(BadInput) as caught:
        plans.load(path)
    assert str(caught.value).isprintable()


WORDS = st.sampled_from(
    ["schema", "name", "seed", "endpoint", "step", "kind", "uri", "expect", "width", "speed", "bytes", "patterns"]
)
SCALARS = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=8),
    st.sampled_from(
        ["link", "soak", "integrity", "1 MiB", "8 GT/s", "prbs31", "sim:demo#north", "1e999 s", "9e30 TiB"]
    ),
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.one_of(WORDS, st.text(max_size=4)), inner)),
    max_leaves=12,
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.dictionaries(WORDS, VALUES))
def test_any_structure_gives_a_plan_or_bad_input(data: dict[str, Any]) -> None:
    said = ""
    try:
        plan = plans.parse({"schema": 1} | data, "plan")
    except BadInput as error:
        said = str(error)
    assert said.startswith("plan: ") or len(set(plan.names())) == len(plan.endpoint)
    assert said.isprintable()


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=60).map(lambda noise: b"schema = 1\n" + noise))
def test_any_file_gives_a_plan_or_bad_input(tmp_path_factory: pytest.TempPathFactory, noise: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "noise.toml"
    path.write_bytes(noise)
    said = ""
    try:
        plans.load(path)
    except BadInput as error:
        said = str(error)
    assert said.isprintable()


def test_a_plan_file_without_permission_is_told(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text("schema = 1")
    path.chmod(0)
    if os.geteuid() == 0:  # root may read anything: ask as an ordinary user
        pid = os.fork()
        if pid == 0:
            try:
                os.setuid(65534)
                plans.load(path)
            except BadInput:
                os._exit(7)
            finally:
                os._exit(1)
        assert os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == 7
    else:
        with pytest.raises(BadInput, match="Permission denied"):
            plans.load(path)


def test_endpoints_of_one_slot_name_are_told_apart() -> None:
    plan = plans.builtin().over(["sim:demo#a (2)", "sim:demo#a", "sim:other#a", "sim:third#a"])
    assert plan.names() == ("a (2)", "a", "a (3)", "a (4)")


def test_an_endpoint_on_the_command_line_keeps_what_the_plan_says_of_it() -> None:
    plan = plans.parse(
        tomllib.loads('schema = 1\n[[endpoint]]\nuri = "sim:demo#north"\nname = "first"\nexpect.width = 4'), "plan"
    ).over(["sim:demo#south", "sim:demo#north"])
    assert plan.names() == ("south", "first")
    assert plan.endpoint[1].expect.width == 4


def test_a_plan_on_record_has_plain_numbers() -> None:
    plan = plans.parse(tomllib.loads(STEP.format("integrity", 'bytes = "1 MiB"\ntimeout = "2 min"')), "plan").to_dict()
    assert plan["step"][0] | {"bytes": 1 << 20, "timeout": 120.0, "kind": "integrity"} == plan["step"][0]


WRONG_ENDPOINTS = {
    "sim:demo#nowhere": r'has no slot "nowhere"; use one of',
    "sim:nobench#north": r"is not known; shipped: demo",
    "sim:demo?colour=red#north": r'unknown key "colour"; known here',
    "nobody:x": r'no package brings the endpoint scheme "nobody"; installed: .*chardev.*sim',
    "chardev:/dev/x?chunk=0": r"'chunk' must be >= 1",
    "chardev:/tmp/\udcff": r"printable characters only",
}


@pytest.mark.parametrize("uri", WRONG_ENDPOINTS)
def test_a_wrong_endpoint_is_found_before_anything_runs(tmp_path: Path, uri: str) -> None:
    ledger = tmp_path / "run.ledger"
    with pytest.raises(BadInput, match=WRONG_ENDPOINTS[uri]) as caught:
        runner.run(plans.builtin().over(["sim:demo#south", uri]), ledger)
    assert f"endpoint[1] {uri}: " in str(caught.value)
    assert not ledger.exists()


def test_a_plan_without_a_seed_repeats_on_the_bench_and_differs_on_a_real_card() -> None:
    plan = plans.parse({"schema": 1}, "plan")
    assert plan.seeded(physical=False).seed == 0
    assert plan.seeded(physical=True).seed != plan.seeded(physical=True).seed
    assert plans.parse({"schema": 1, "seed": 5}, "plan").seeded(physical=True).seed == 5
