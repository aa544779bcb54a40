"""Runs cases on an executor, in any order, and gives their outcomes back in theirs."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Generator, Sequence
from concurrent.futures import CancelledError, Executor, Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from importlib import import_module
from multiprocessing.connection import wait
from typing import Any

from attrs import define, field

from laneproof.errors import BadInput, CannotOpen
from laneproof.insight.coverage.cases import Case, Outcome, run_case

DASK_TIMEOUT_S = 10.0
"""Real seconds in which a scheduler has to answer."""


@define
class Runs:
    """An executor, and how far the work on it has come. `interrupted` is set by Ctrl-C, after which nothing is run."""

    executor: Executor
    watch: Callable[[int, int], None] = lambda _, __: None
    """Called in this thread with the number of cases that are done and that are known of."""
    interrupted: bool = False
    done: int = 0
    known: int = field(default=0, init=False)

    def outcomes(self, cases: Sequence[Case]) -> list[Outcome | None]:
        """Those of the cases, in order; None for one that was not run any more. Raises CannotOpen."""
        futures: list[Future[Outcome]] = []
        self.known += len(cases)
        try:
            if not self.interrupted:
                futures = [self.executor.submit(run_case, case) for case in cases]
                for _ in as_completed(futures):
                    self.done += 1
                    self.watch(self.done, self.known)
        except KeyboardInterrupt:
            self.interrupted = True
            for future in futures:
                future.cancel()
        found: list[Outcome | None] = [None] * len(cases)
        for number, future in enumerate(futures):
            if not self.interrupted or future.done():
                with suppress(CancelledError):
                    found[number] = _result(future)
        return found


def _result(future: Future[Outcome]) -> Outcome:
    try:
        return future.result()
    except BrokenProcessPool:
        raise CannotOpen(
            "a process that ran cases has died; look for too little memory, and give fewer --workers"
        ) from None


@contextmanager
def processes(workers: int | None = None) -> Generator[Executor]:
    """A pool of processes: as many as there are cores that this process may use, unless told otherwise."""
    count = workers or len(os.sched_getaffinity(0))
    # Not forked: a fork would take along whatever threads of the caller's hold.
    pool = ProcessPoolExecutor(count, mp_context=multiprocessing.get_context("spawn"), initializer=_leave_to_parent)
    try:
        yield pool
    finally:
        pool.shutdown(cancel_futures=True)


@contextmanager
def dask(address: str) -> Generator[Executor]:
    """The executor of a client of the Dask scheduler at `address`. Raises BadInput without Dask, CannotOpen."""
    try:
        distributed: Any = import_module("distributed")
    except ImportError:
        raise BadInput("--dask needs the package distributed; install laneproof[dask]") from None
    try:
        client = distributed.Client(address, set_as_default=False, timeout=DASK_TIMEOUT_S)
    except (OSError, ValueError) as error:
        raise CannotOpen(f"no Dask scheduler answers at {address}: {error}") from None
    with client:
        yield client.get_executor()


def _leave_to_parent() -> None:
    """Ctrl-C goes to the whole foreground group; the parent alone decides what it means. Nor outlive it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    assert parent is not None

    def watch() -> None:
        wait([parent.sentinel])
        os._exit(1)

    threading.Thread(target=watch, name="laneproof-parent", daemon=True).start()
