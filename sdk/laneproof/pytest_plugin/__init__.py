"""laneproof in pytest: an endpoint per parameter, plans' limits as assertions, verdicts as outcomes.

Only the hooks, options and fixtures are here. pytest imports this wherever laneproof is installed, so that whatever
costs time is imported where a suite first asks for it. The guide's page `pytest` says how it is used.
"""

from __future__ import annotations

import secrets
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import pytest

if TYPE_CHECKING:
    from laneproof.endpoint import Endpoint
    from laneproof.pytest_plugin.asked import Asked, Marked
    from laneproof.pytest_plugin.cards import Cards
    from laneproof.pytest_plugin.judging import Record
    from laneproof.pytest_plugin.runs import Run

_ASKED: pytest.StashKey[Asked] = pytest.StashKey()
_NODEID: pytest.StashKey[str] = pytest.StashKey()
"""A test's name before pytest-xdist puts its group behind it."""
_RECORD: pytest.StashKey[Record] = pytest.StashKey()

_NONE_GIVEN = (
    "no endpoint is under test; give --laneproof-endpoint URI, for example sim:demo#north, or name some in the "
    "suite's configuration as laneproof_endpoints"
)


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("laneproof", "laneproof: PCI Express slots under test")
    group.addoption(
        "--laneproof-endpoint", action="append", default=[], metavar="URI", help="test this card; may be repeated"
    )
    group.addoption("--laneproof-seed", type=int, metavar="N", help="send the bytes of the run that had this seed")
    group.addoption(
        "--laneproof-ledgers", type=Path, metavar="DIR", help="keep the ledgers of all tests in this folder"
    )
    group.addoption(
        "--laneproof-acknowledge-cautions",
        action="store_true",
        help="put on record that you have read `laneproof guide cautions`",
    )
    parser.addini("laneproof_endpoints", "URIs to test where --laneproof-endpoint names none", type="linelist")
    parser.addini("laneproof_plan", "plan file: its endpoints, what is expected of them, its steps", type="paths")
    parser.addini(
        "laneproof_inconclusive", "what an inconclusive verdict is made into: fail, xfail or skip", default="fail"
    )


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line(
        "markers",
        "laneproof(speed, width, wiring, max_link_errors, min_share, min_rate, seed, inconclusive): what is expected "
        "of the endpoint, and what an inconclusive verdict is made into",
    )
    option = config.option
    if option.laneproof_seed is None:
        given: dict[str, Any] = getattr(config, "workerinput", {})
        option.laneproof_seed = given.get("laneproof_seed", secrets.randbits(32))
    if _given(config):
        _asked(config)


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: Any) -> None:
    """pytest-xdist's: each worker goes by the seed of the run."""
    node.workerinput["laneproof_seed"] = node.config.option.laneproof_seed


def pytest_report_header(config: pytest.Config) -> str | None:
    asked = config.stash.get(_ASKED, None)
    if asked is None or not asked.uris:
        return None
    return f"laneproof: {', '.join(asked.uris)}; again with --laneproof-seed {asked.seed}"


@pytest.hookimpl(tryfirst=True)
def pytest_collection(session: pytest.Session) -> None:
    """Cautions, once, before any card is touched: here, and not as warnings, which suites may turn into errors."""
    config = session.config
    asked = config.stash.get(_ASKED, None)
    reporter: Any = config.pluginmanager.get_plugin("terminalreporter")
    if asked is None or reporter is None or asked.cautions_acknowledged or config.option.collectonly:
        return
    if any(asked.physical(uri) for uri in asked.uris):
        from laneproof import safety

        said = "--laneproof-acknowledge-cautions puts on record that this was read"
        reporter.write_line(f"Before hands go near the computer ({said}):")
        for caution in safety.CAUTIONS:
            reporter.write_line(f"- {caution.title}: {caution.text}")
        reporter.write_line(safety.DEFERRAL)


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "laneproof_uri" not in metafunc.fixturenames or not _given(metafunc.config):
        return
    for mark in metafunc.definition.iter_markers("parametrize"):
        names: Any = mark.args[0] if mark.args else mark.kwargs.get("argnames", ())
        if "laneproof_uri" in (names.replace(",", " ").split() if isinstance(names, str) else names):
            return  # the test names its benches by itself
    uris = _asked(metafunc.config).uris
    if uris:  # for the session: pytest then puts the tests on one card behind each other
        metafunc.parametrize("laneproof_uri", uris, ids=uris, scope="session")


def pytest_itemcollected(item: pytest.Item) -> None:
    item.stash[_NODEID] = item.nodeid
    uri = _uri(item)
    if uri is not None and item.config.pluginmanager.has_plugin("xdist") and _asked(item.config).physical(uri):
        from laneproof.pytest_plugin.cards import card_of

        item.add_marker(pytest.mark.xdist_group(card_of(uri)))  # with --dist loadgroup, no worker waits for another


@pytest.fixture(scope="session")
def laneproof_uri() -> str:
    """The URI of the endpoint under test; a test that takes it, or what follows from it, runs once for each."""
    pytest.skip(_NONE_GIVEN)


@pytest.fixture
def laneproof_seed(request: pytest.FixtureRequest) -> int:
    """The seed of this test, for `laneproof.pattern(…, seed=…)`; it follows from the run's seed and the test's name."""
    from laneproof.pytest_plugin.asked import seed_of

    seed = _marked(_test_of(request)).seed
    return seed_of(_asked(request.config).seed, _test_of(request).stash[_NODEID]) if seed is None else seed


@pytest.fixture
def laneproof_endpoint(
    request: pytest.FixtureRequest, laneproof_uri: str, laneproof_seed: int, _laneproof_turn: Cards
) -> Iterator[Endpoint]:
    """The card at the endpoint under test, open and in step."""
    import attrs

    from laneproof.errors import LaneproofError
    from laneproof.pytest_plugin.judging import at_fault, said_of
    from laneproof.readings import Unavailable

    record = _begin(request, laneproof_uri)
    record.seeds.append(laneproof_seed)
    try:
        card = _laneproof_turn.lend(_asked(request.config).planned(laneproof_uri))
        identity = card.identity
    except LaneproofError as error:
        at_fault(error)
    record.identity = said_of(
        {"unavailable": identity.why} if isinstance(identity, Unavailable) else attrs.asdict(identity)
    )
    record.caveats.extend(card.caveats)
    yield card
    _laneproof_turn.give_back(failed=record.failed)


@pytest.fixture
def laneproof_run(
    request: pytest.FixtureRequest,
    laneproof_uri: str,
    laneproof_seed: int,
    _laneproof_turn: Cards,
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[Run]:
    """Runs steps or a plan on the endpoint under test and asserts the verdict."""
    from laneproof.pytest_plugin.runs import Run

    if "laneproof_endpoint" in request.fixturenames:
        pytest.fail("take laneproof_endpoint or laneproof_run, not both: a run opens the card by itself", pytrace=False)
    asked = _asked(request.config)
    record = _begin(request, laneproof_uri)
    record.runs_expected = True
    _laneproof_turn.close()
    run = Run(
        asked=asked,
        marked=_marked(_test_of(request)),
        record=record,
        nodeid=_test_of(request).stash[_NODEID],
        seed=laneproof_seed,
        beside=request.path.parent,
        folder=asked.ledgers or tmp_path_factory.mktemp("laneproof"),
        temporary=asked.ledgers is None,
    )
    yield run
    run.end()


@pytest.fixture
def _laneproof_turn(
    request: pytest.FixtureRequest,
    laneproof_uri: str,
    _laneproof_cards: Cards,
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[Cards]:
    """This test's turn on its card: no two workers of pytest-xdist have one physical card at once."""
    from laneproof.pytest_plugin.cards import alone

    asked = _asked(request.config)
    if not asked.physical(laneproof_uri):
        yield _laneproof_cards
    elif laneproof_uri not in asked.uris:
        pytest.fail(
            f"{laneproof_uri} is a physical card; name it with --laneproof-endpoint or laneproof_endpoints, not in a "
            "test, so that cautions are shown before it is touched",
            pytrace=False,
        )
    elif not asked.worker:
        yield _laneproof_cards
    else:
        with alone(laneproof_uri, tmp_path_factory.getbasetemp().parent):  # which all workers share
            yield _laneproof_cards


@pytest.fixture(scope="session")
def _laneproof_cards(request: pytest.FixtureRequest) -> Iterator[Cards]:
    from laneproof.pytest_plugin.cards import Cards

    cards = Cards(shared=bool(_asked(request.config).worker))
    yield cards
    cards.close()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Generator[None, object, object]:
    """What an error of laneproof's that a test met accuses; and a test that judged nothing does not pass."""
    record = item.stash.get(_RECORD, None)
    if record is None:
        return (yield)
    from laneproof.campaign.verdict import Verdict
    from laneproof.errors import LaneproofError
    from laneproof.pytest_plugin.judging import conclude, met_at, verdict_of

    try:
        done = yield
    except LaneproofError as error:
        verdict, text = verdict_of(error), met_at(error, str(item.path))
        if verdict is None:
            raise
    else:
        if not record.runs_expected or record.verdicts:
            return done
        verdict, text = Verdict.NONE, "the test took laneproof_run and ran nothing"
    record.verdicts.append(verdict)
    conclude(verdict, text, _marked(item).inconclusive or _asked(item.config).inconclusive)
    return None


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    record = item.stash.get(_RECORD, None)
    if record is None:
        return (yield)
    from laneproof.pytest_plugin.judging import SystemAtFault

    at_fault = call.excinfo is not None and isinstance(call.excinfo.value, SystemAtFault)
    ended = call.when == "call" or (call.when == "setup" and call.excinfo is not None)
    if ended:
        error = None if call.excinfo is None else call.excinfo.value
        record.end(error, in_setup=call.when == "setup")
        item.user_properties.extend(record.attributes().items())
    report = yield
    if ended and not report.passed:
        record.failed = True
        report.sections.append(("laneproof", record.section()))
    if at_fault:
        report.when = "setup"  # what pytest, JUnit XML and pytest-xdist know as an ERROR and no failure
    return report


def _given(config: pytest.Config) -> bool:
    """Whether endpoints are under test; if not, nothing of laneproof is imported."""
    return bool(
        config.option.laneproof_endpoint or config.getini("laneproof_endpoints") or config.getini("laneproof_plan")
    )


def _asked(config: pytest.Config) -> Asked:
    if _ASKED not in config.stash:
        from laneproof.pytest_plugin.asked import read

        config.stash[_ASKED] = read(config)
    return config.stash[_ASKED]


def _marked(item: pytest.Item) -> Marked:
    from laneproof.errors import BadInput
    from laneproof.pytest_plugin.asked import marked

    try:
        return marked(item)
    except BadInput as error:
        said = str(error)
    pytest.fail(said, pytrace=False)


def _begin(request: pytest.FixtureRequest, uri: str) -> Record:
    from laneproof.pytest_plugin.asked import replay
    from laneproof.pytest_plugin.judging import Record

    test = _test_of(request)
    record = Record(uri=uri, replay=replay(test, test.stash[_NODEID], uri, _asked(request.config).seed))
    test.stash[_RECORD] = record
    return record


def _test_of(request: pytest.FixtureRequest) -> pytest.Item:
    # Until pytest 9.2 the type of a request's node is open.
    return cast("pytest.Item", request.node)  # pyright: ignore[reportUnknownMemberType]


def _uri(item: pytest.Item) -> str | None:
    callspec: Any = getattr(item, "callspec", None)
    uri = callspec.params.get("laneproof_uri") if callspec is not None else None
    return uri if isinstance(uri, str) else None
