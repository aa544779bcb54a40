"""The state of a run for Prometheus: its text format, served over HTTP to this computer alone.

Written by hand: these few lines hold no more than the format's own rules, and work wherever laneproof is installed.
What reads them in the tests is the format's reference library.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from laneproof.campaign.verdict import Verdict
from laneproof.cli.live.state import SEVERITIES, SlotState
from laneproof.errors import BadInput

ADDRESS = "127.0.0.1"
PATH = "/metrics"
CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"
REQUEST_TIMEOUT_S = 5.0
POLL_S = 0.1

Sample = tuple[dict[str, str], float]


def exposition(slots: Sequence[SlotState]) -> str:
    """All metrics of a run in the Prometheus text format, version 0.0.4. What is not known has no sample."""
    return "".join(
        f"# HELP {name} {meaning}\n# TYPE {name} {kind}\n"
        + "".join(f"{name}{_labels(labels)} {value!r}\n" for labels, value in samples)
        for name, kind, meaning, samples in _metrics(slots)
    )


def _metrics(slots: Sequence[SlotState]) -> Iterator[tuple[str, str, str, list[Sample]]]:
    """Name, type, meaning and samples of each."""
    each: list[tuple[dict[str, str], SlotState]] = [({"slot": slot.name}, slot) for slot in slots]

    def known(value: Callable[[SlotState], float | None]) -> list[Sample]:
        return [(labels, found) for labels, slot in each if (found := value(slot)) is not None]

    ends = [
        (labels | {"end": name}, end)
        for labels, slot in each
        for name, end in (("near", slot.near), ("far", slot.far))
        if end.known
    ]
    yield (
        "laneproof_bits_total",
        "counter",
        "Payload bits that came back and were verified.",
        known(lambda slot: slot.exposure_bits),
    )
    yield (
        "laneproof_errors_total",
        "counter",
        "Errors that this end of the link counted since its card was opened; absent where that cannot be read.",
        [
            (labels | {"severity": severity}, count)
            for labels, end in ends
            for severity, count in zip(SEVERITIES, end.counts, strict=True)
        ],
    )
    yield (
        "laneproof_errors_exact",
        "gauge",
        "Whether the counts of this end are exact (1) or lower bounds (0).",
        [(labels, int(end.exact)) for labels, end in ends],
    )
    yield (
        "laneproof_rate_bytes_per_second",
        "gauge",
        "Payload verified over the last few seconds of the card's clock.",
        known(lambda slot: slot.bytes_per_s),
    )
    yield (
        "laneproof_step_done_ratio",
        "gauge",
        "How much of the step under way is done.",
        known(lambda slot: slot.share),
    )
    yield (
        "laneproof_step_left_seconds",
        "gauge",
        "Time left of the step under way, by the card's clock; absent where open-ended.",
        known(lambda slot: slot.left_s),
    )
    yield (
        "laneproof_step_info",
        "gauge",
        "Always 1; which step of the plan is under way, counted from 1.",
        [
            (labels | {"step": str(slot.step + 1), "kind": slot.kind}, 1)
            for labels, slot in each
            if slot.phase == "step"
        ],
    )
    yield (
        "laneproof_verdict",
        "gauge",
        "1 for the verdict so far, 0 for the others; absent while nothing has been judged.",
        [
            (labels | {"verdict": str(verdict)}, int(verdict is slot.verdict))
            for labels, slot in each
            if slot.verdict is not None
            for verdict in Verdict
        ],
    )
    yield (
        "laneproof_finished",
        "gauge",
        "Whether nothing more will come from the slot.",
        known(lambda slot: int(slot.phase == "finished")),
    )
    yield (
        "laneproof_virtual_time",
        "gauge",
        "Whether the card's clock is a simulated one.",
        known(lambda slot: int(slot.virtual_time)),
    )


def _labels(labels: dict[str, str]) -> str:
    return "{" + ",".join(f'{name}="{_escaped(value)}"' for name, value in labels.items()) + "}"


def _escaped(value: str) -> str:
    return value.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"').encode("utf-8", "replace").decode()


@contextmanager
def serving(port: int, slots: Callable[[], Sequence[SlotState]]) -> Generator[int]:
    """Serve the metrics on 127.0.0.1 inside the block; gives the port, which the system chooses for 0.

    Raises BadInput for a port that cannot be had.
    """

    class Handler(BaseHTTPRequestHandler):
        timeout = REQUEST_TIMEOUT_S

        def do_GET(self) -> None:
            if self.path.partition("?")[0] != PATH:
                self.send_error(404, f"the metrics are at {PATH}")
                return
            body = exposition(slots()).encode()
            self.send_response(200)
            self.send_header("Content-Type", CONTENT_TYPE)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - its name in the base class
            """Nobody asked."""

    class Server(ThreadingHTTPServer):
        daemon_threads = True

        def handle_error(self, request: Any, client_address: Any) -> None:
            """Whoever asked has gone away, or is no Prometheus; the run is not touched."""

    try:
        server = Server((ADDRESS, port), Handler)
    except (OSError, OverflowError) as error:
        why = error.strerror if isinstance(error, OSError) else "no such port"
        raise BadInput(f"--metrics {port}: {why}; name another port, or 0 for any that is free") from error
    thread = threading.Thread(target=server.serve_forever, args=(POLL_S,), name="laneproof-metrics", daemon=True)
    thread.start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
