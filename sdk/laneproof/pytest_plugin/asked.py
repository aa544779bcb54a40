"""What a suite asks for: options and ini keys as `Asked`, the marker's keywords as `Marked`. Nothing is opened here."""

from __future__ import annotations

import hashlib
import os
import shlex
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any, Literal

import attrs
import pytest
from attrs import field, frozen, validators

from laneproof import registry
from laneproof.campaign import plan as plans
from laneproof.campaign import runner
from laneproof.campaign.plan import Plan, PlannedEndpoint
from laneproof.campaign.steps import Expectation, Step
from laneproof.documents import Rate, Share, SpeedGtps, structure
from laneproof.errors import BadInput, CannotOpen

INCONCLUSIVE = ("fail", "xfail", "skip")
"""What an inconclusive verdict may be made into."""


@frozen(kw_only=True)
class Asked:
    """What this session asks for. `plan` holds the endpoints under test, with what is expected of each."""

    plan: Plan
    here: Path
    """The folder that pytest was started in."""
    seed: int
    ledgers: Path | None
    inconclusive: str
    cautions_acknowledged: bool
    worker: str
    """Which worker of pytest-xdist this is, if any."""

    @property
    def uris(self) -> tuple[str, ...]:
        return tuple(planned.uri for planned in self.plan.endpoint)

    def planned(self, uri: str) -> PlannedEndpoint:
        """What the suite's plan says of this endpoint, or nothing but its URI."""
        return self.plan.over([uri]).endpoint[0]

    def physical(self, uri: str) -> bool:
        """Whether there is no simulation behind it, as far as its driver says before it is opened."""
        return bool(runner.physical_endpoints(self.plan.over([uri])))


def read(config: pytest.Config) -> Asked:
    """Raises pytest.UsageError, one line, for what makes no sense."""
    try:
        return _read(config)
    except BadInput as error:
        raise pytest.UsageError(f"laneproof: {error}") from None


def _read(config: pytest.Config) -> Asked:
    inconclusive: str = config.getini("laneproof_inconclusive")
    if inconclusive not in INCONCLUSIVE:
        raise BadInput(f'laneproof_inconclusive: "{inconclusive}" is not one of {", ".join(INCONCLUSIVE)}')
    files: list[Path] = config.getini("laneproof_plan")
    if len(files) > 1:
        raise BadInput("laneproof_plan: name one file")
    plan = plans.load(files[0]) if files else plans.builtin().over(())
    uris: list[str] = config.option.laneproof_endpoint or config.getini("laneproof_endpoints")
    if uris:
        plan = plan.over(dict.fromkeys(uris))
    for planned in plan.endpoint:
        with suppress(CannotOpen):  # said by each test that opens it
            registry.driver_for(registry.parse_uri(planned.uri).scheme)
    seed: int = config.option.laneproof_seed
    if seed < 0:
        raise BadInput(f"--laneproof-seed {seed}: a seed is a whole number from 0 on")
    ledgers: Path | None = config.option.laneproof_ledgers
    if ledgers is not None:
        ledgers = config.invocation_params.dir / ledgers
        try:
            ledgers.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise BadInput(f"--laneproof-ledgers {ledgers}: {error.strerror}; name a folder for ledgers") from None
    return Asked(
        plan=plan,
        here=config.invocation_params.dir,
        seed=seed,
        ledgers=ledgers,
        inconclusive=inconclusive,
        cautions_acknowledged=config.option.laneproof_acknowledge_cautions,
        worker=getattr(config, "workerinput", {}).get("workerid", ""),
    )


@frozen(kw_only=True)
class Marked:
    """The keywords of `@pytest.mark.laneproof`: what is expected of the link, limits of steps, seed, and what an
    inconclusive verdict is made into. Quantities are written as in a plan."""

    speed: SpeedGtps | None = None
    width: int | None = None
    wiring: int | None = None
    max_link_errors: int | None = field(default=None, validator=validators.optional(validators.ge(0)))
    min_share: Share | None = None
    min_rate: Rate | None = None
    seed: int | None = field(default=None, validator=validators.optional(validators.ge(0)))
    inconclusive: Literal["fail", "xfail", "skip"] | None = None

    def expectation(self, planned: Expectation) -> Expectation:
        """What is expected of a link of which a plan says `planned`; the marker goes first."""
        return attrs.evolve(planned, **self._given("speed", "width", "wiring"))

    def limited(self, steps: Iterable[Step]) -> tuple[Step, ...]:
        """The steps, held to the marker's limits. Raises BadInput for a limit that none of them has."""
        steps = tuple(steps)
        for name, limit in self._given("max_link_errors", "min_share", "min_rate").items():
            if not any(_has(step, name) for step in steps):
                raise BadInput(f"{name} limits none of these steps, and could never fail; take it away")
            steps = tuple(attrs.evolve(step, **{name: limit}) if _has(step, name) else step for step in steps)
        return steps

    def _given(self, *names: str) -> dict[str, Any]:
        return {name: getattr(self, name) for name in names if getattr(self, name) is not None}


def _has(step: Step, name: str) -> bool:
    return name in attrs.fields_dict(type(step))


def marked(item: pytest.Item) -> Marked:
    """The keywords of all markers on a test, the nearest first. Raises BadInput that names the test."""
    where = f"@pytest.mark.laneproof of {item.name}"
    keywords: dict[str, Any] = {}
    for mark in reversed(list(item.iter_markers("laneproof"))):
        if mark.args:
            raise BadInput(f'{where}: takes keywords only, for example speed="8 GT/s", width=8')
        keywords |= mark.kwargs
    return structure(keywords, Marked, where)


def seed_of(run_seed: int, nodeid: str) -> int:
    """The seed of one test: 32 bits of BLAKE2 over the run's seed and the test's name.

    Each test sends bytes of its own, so that what one left in a card cannot pass for the echo of the next.
    """
    return int.from_bytes(hashlib.blake2b(f"{run_seed} {nodeid}".encode(), digest_size=4).digest(), "big")


def replay(item: pytest.Item, nodeid: str, uri: str, run_seed: int) -> str:
    """The command line, for a shell, that runs one test again as it ran now."""
    option = item.config.option
    path = os.path.relpath(item.path, item.config.invocation_params.dir)
    words = ["pytest", f"{path}::{nodeid.partition('::')[2]}", "--laneproof-endpoint", uri]
    words += ["--laneproof-seed", str(run_seed)]
    words += ["--laneproof-acknowledge-cautions"] if option.laneproof_acknowledge_cautions else []
    words += ["-c", option.inifilename] if option.inifilename else []
    words += [f"--rootdir={option.rootdir}"] if option.rootdir else []
    for override in option.override_ini or ():
        words += ["-o", override] if override.startswith("laneproof_") else []
    return shlex.join(words)
