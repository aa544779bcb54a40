"""A record for each mechanism, made by hand after the table of signatures: what is seen where it is at work.

Source: common practice in bringing up DMA engines and links, as the project's table of signatures has it; link events
after the project's check values (which end counts what).
"""

from __future__ import annotations

from collections.abc import Callable

from diagnosis_records import (
    LARGE,
    SMALL,
    conditions,
    damage,
    damaged,
    endpoint,
    errors,
    link,
    origin,
    step,
    unreadable,
)

from laneproof.campaign.results import EndpointResult, Reason
from laneproof.campaign.verdict import Verdict

PAGE = 4096
DROPPED = "the card was lost after 1 MiB had come back: no card answers. The link went down: root port (near end)"


def _each(make: Callable[[int, int], list[dict[str, object]]], count: int = 6) -> EndpointResult:
    """`count` blocks of two sizes; `make` is given a block's number and its bytes."""
    return damaged([make(n, LARGE) for n in range(count)], [make(n, SMALL) for n in range(count)])


def _bits(places: Callable[[int, int], list[int]], *, bits: tuple[int, ...] = (3, 9, 17, 30), up: float = 0.5):
    large, small = (
        [[origin(at, at + 1, "noise") for at in places(n, nbytes)] for n in range(6)] for nbytes in (LARGE, SMALL)
    )
    return damaged(large, small, bits=bits, up=up)


def _scattered(number: int, nbytes: int) -> list[int]:
    """Places without a rule, the same in every run."""
    return sorted({(7919 * (number + 3) * (turn + 1) ** 2 + 31 * turn) % nbytes for turn in range(5)})


def _hole(unit: int, **counted: dict[str, int]) -> EndpointResult:
    """One packet of each block is still pre-fill, and an end says why."""
    blocks = [[origin(unit * (5 * n + 3), unit * (5 * n + 4), "pre-fill", 0)] for n in range(5)]
    return endpoint(step(found=damage(blocks), counted=errors(**counted)))


ROWS: dict[str, Callable[[], EndpointResult]] = {
    "iommu-refused": lambda: endpoint(
        step(
            found=damage([[origin(0, LARGE, "pre-fill", 0)]] * 4),
            around=conditions(("iommu", "the IOMMU refused at least 4 accesses")),
        )
    ),
    "card-never-wrote": lambda: _each(lambda n, nbytes: [origin(0, nbytes, "pre-fill", 0)]),
    "memory-not-decoded": lambda: _each(lambda n, nbytes: [origin(0, nbytes, "ones")]),
    "card-dropped-off": lambda: endpoint(
        step("integrity", DROPPED, counted=errors(near={"SDES": 1})),
        reasons=(Reason(Verdict.NONE, "the card is lost; not run: soak"),),
    ),
    "card-absent": lambda: endpoint(
        opened={}, reasons=(Reason(Verdict.ERROR, "north: no receiver is detected on any lane; check the card"),)
    ),
    "configuration-lost": lambda: endpoint(
        step("integrity", "configuration space answers, with BARs and Command zero", stalled=True)
    ),
    "card-not-ready-yet": lambda: endpoint(
        step("integrity", "the card does not answer yet: its vendor id is 0001", bytes_moved=0)
    ),
    "stale-ring-slot": lambda: _each(lambda n, nbytes: [origin(0, nbytes, "stale", 0, -1)]),
    "read-overtakes-write": lambda: _each(lambda n, nbytes: [origin(nbytes - 999 * (n + 1), nbytes, "stale", 0, -1)]),
    "lost-page-or-descriptor": lambda: _each(
        lambda n, nbytes: [origin(PAGE * (3 * n + 2), PAGE * (3 * n + 4), "pre-fill", 0)]
    ),
    "scatter-gather-order": lambda: _each(
        lambda n, nbytes: [
            origin(PAGE * n, PAGE * (n + 1), "swapped", 8 * PAGE),
            origin(PAGE * (n + 8), PAGE * (n + 9), "swapped", -8 * PAGE),
        ]
    ),
    "overflow-drops-data": lambda: _each(
        lambda n, nbytes: [
            origin(5000 * (n + 1), nbytes - 64, "shifted", 64),
            origin(nbytes - 64, nbytes, "pre-fill", 0),
        ]
    ),
    "shifted-by-alignment": lambda: _each(
        lambda n, nbytes: [origin(0, 8, "pre-fill", 0), origin(8, nbytes, "shifted", -8)]
    ),
    "fifo-not-flushed": lambda: _each(lambda n, nbytes: [origin(0, 64, "stale", nbytes - 64, -1)]),
    "last-beat-lost": lambda: _each(lambda n, nbytes: [origin(nbytes - 16, nbytes, "pre-fill", 0)]),
    "extra-beat-at-end": lambda: endpoint(
        step("integrity", "prbs31: at least 8 bytes came back that were never sent", surplus_bytes=8)
    ),
    "crosses-4k-boundary": lambda: _each(
        lambda n, nbytes: [origin(PAGE * at, PAGE * at + 64, "stale", 0, -1) for at in range(1, nbytes // PAGE)]
    ),
    "state-left-by-first": lambda: endpoint(
        step("link", "prbs31: 64 bytes never came back (4194240 of 4194304)"),
        step("integrity", "prbs31: 64 bytes never came back (67108800 of 67108864)"),
    ),
    "memory-read-latency": lambda: _each(
        lambda n, nbytes: [origin(PAGE * at - 8, PAGE * at, "repeated", -8) for at in range(1, nbytes // PAGE)]
    ),
    "fifo-pointer-wrap": lambda: _each(lambda n, nbytes: [origin(0, 64, "repeated", nbytes - 64)]),
    "header-stripped": lambda: _each(lambda n, nbytes: [origin(0, 16, "zeros")]),
    "address-mask": lambda: _each(lambda n, nbytes: [origin(0, 256, "repeated", 256)]),
    "width-mismatch": lambda: _each(lambda n, nbytes: [origin(4, nbytes, "zeros", wrong=nbytes // 2)]),
    "byte-order": lambda: _each(lambda n, nbytes: [origin(0, nbytes, "reversed-bytes", 0)]),
    "channel-routing": lambda: _each(lambda n, nbytes: [origin(0, nbytes, "foreign", 0)]),
    "channel-order": lambda: _each(
        lambda n, nbytes: [origin(PAGE * at, PAGE * (at + 1), "foreign", 0) for at in range(1, nbytes // PAGE, 2)]
    ),
    "completion-tag-reuse": lambda: _each(lambda n, nbytes: [origin(256 * n, 256 * (n + 1), "early", 0, 1)]),
    "free-running-ring": lambda: _each(lambda n, nbytes: [origin(512 * (n + 1), 512 * (n + 2), "repeated", -512)]),
    "stuck-line": lambda: _bits(lambda n, nbytes: list(range(1, nbytes, 64)), bits=(11,), up=1.0),
    "card-memory-cell": lambda: _bits(lambda n, nbytes: list(range(777, nbytes, 1 << 15))),
    "host-memory-cell": lambda: _bits(lambda n, nbytes: [12345], bits=(11,), up=0.5),
    "card-memory-noise": lambda: _bits(_scattered),
    "stale-cache-lines": lambda: _each(
        lambda n, nbytes: [origin(at, at + 64, "stale", 0, -1) for at in (64 * (7 * n + 3), 64 * (90 * n + 101))]
    ),
    "split-or-tag-handling": lambda: _each(
        lambda n, nbytes: [origin(256 * (5 * n + 3), 256 * (5 * n + 4), "pre-fill", 0)]
    ),
    "byte-lane": lambda: _bits(lambda n, nbytes: [16 * at + 5 for at in _scattered(n, nbytes // 16)]),
    "switch-memory-noise": lambda: endpoint(
        step(
            found=damage([[origin(256 * n, 256 * (n + 1), "pre-fill", 0)] for n in range(3)]),
            counted=errors(near={"ECRC": 3}),
        ),
        opened={"link": link(above=[{"name": "port above the hub", "max_payload": 256}])},
    ),
    "common-cause": lambda: endpoint(
        step(
            found=damage([[origin(at, at + 1, "noise") for at in _scattered(n, LARGE)] for n in range(6)]),
            counted=errors(near={"BadTLP": 40}, far={"RxErr": 12}),
        )
    ),
    "data-declared-bad": lambda: _hole(256, near={"PoisonedTLP": 5}),
    "engine-stalls": lambda: endpoint(
        step("integrity", "prbs31: the transfer stalled; 65536 of 1048576 bytes had come back", stalled=True)
    ),
    "completion-timeout": lambda: _hole(512, far={"CmpltTO": 5}),
    "unexpected-completion": lambda: _hole(512, far={"CmpltTO": 5, "NonFatalErr": 1}),
    "completer-abort": lambda: endpoint(
        step(
            "integrity",
            "check: a transfer failed: a read was answered with CA",
            counted=errors(near={"NonFatalErr": 1}),
        )
    ),
    "unsupported-request": lambda: _hole(256, near={"UnsupReq": 5}),
    "malformed-packets": lambda: _hole(256, near={"MalfTLP": 5}),
    "flow-control-overrun": lambda: _hole(256, near={"RxOF": 5}),
    "link-errors-replayed": lambda: endpoint(step("link", counted=errors(near={"BadTLP": 3}, far={"RxErr": 9}))),
    "replay-rollover": lambda: endpoint(
        step("link", counted=errors(near={"Rollover": 3, "Timeout": 9}, far={"RxErr": 9}))
    ),
    "link-narrow": lambda: endpoint(step("link", link=link(width=4))),
    "link-slow": lambda: endpoint(step("link", link=link(speed_gtps=2.5))),
    "unstable-training": lambda: endpoint(step("train", "1 of 200 trainings ended at 8 GT/s x8")),
    "errors-hidden": lambda: endpoint(step("link", counted=unreadable("the platform's firmware owns them"))),
    "tester-starved": lambda: endpoint(
        step(
            "throughput",
            "20 MB/s each way: 1 % of the ceiling; at least 75 % is asked for",
            "the tester itself could not run for 4.0 s of 9.0 s (a busy computer): it accuses nobody",
            verdict=Verdict.INCONC,
            bytes_per_second=2e7,
            share_of_ceiling=0.01,
        )
    ),
    "idle-power-management": lambda: endpoint(
        step("link", "expected 8 GT/s x8, found 2.5 GT/s x8", bytes_moved=0, link=link(speed_gtps=2.5)),
        step("link", verdict=Verdict.PASS, link=link()),
        opened={"link": link(speed_gtps=2.5)},
    ),
}
"""By mechanism, except relaxed ordering, which shows as the read that overtakes the write does."""
