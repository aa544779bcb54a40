"""What is wrong with a bench, drawn at random: each kind of fault, and the mechanisms that name it rightly.

The mechanisms were assigned by their names and the simulator's words of each fault's cause, by somebody who had not
read the rules of the diagnosis.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

from attrs import frozen
from diagnosis_benches import Bench, log_uniform, nbytes, power_of_two, speed

Plain = dict[str, Any]
Draw = Callable[[random.Random], Plain]

KI = 1024
LINK_SIDE = frozenset(
    {
        "link-errors-replayed",
        "replay-rollover",
        "link-narrow",
        "link-slow",
        "unstable-training",
        "errors-hidden",
        "tester-starved",
        "idle-power-management",
    }
)
"""Mechanisms that blame nothing that data pass through; all others do."""


@frozen(kw_only=True)
class Truth:
    """A kind of thing that can be wrong; `mechanisms`: any of them is right. `put` does it to a bench."""

    name: str
    mechanisms: tuple[str, ...]
    put: Callable[[random.Random, Bench], None]
    bench_wide: bool = False
    """It changes the link itself, or the card is absent: it is not paired with others."""


def _when(chance: random.Random) -> Plain:
    """None, for most; else one condition."""
    kinds: tuple[Callable[[], Plain], ...] = (
        lambda: {"probability": round(chance.uniform(0.05, 0.7), 3)},
        lambda: {"every": chance.randint(2, 7)},
        lambda: {"after": nbytes(chance.randint(1, 4 << 20))},
        lambda: {"size_from": nbytes(chance.choice((64, 512, 4096, 8192, 16384)))},
        lambda: {"size_below": nbytes(chance.choice((4096, 8192, 65536)))},
        lambda: {"size_not_multiple_of": nbytes(power_of_two(chance, 4, 64))},
        lambda: {"address_not_multiple_of": nbytes(power_of_two(chance, 8, 64))},
        lambda: {"queue_depth_from": chance.randint(2, 4)},
    )
    return {} if chance.random() < 0.55 else {"when": chance.choice(kinds)()}


def _shows(chance: random.Random) -> Plain:
    return {"shows": chance.choice(("before", "earlier"))}


def _fault(name: str, mechanism: str | tuple[str, ...], draw: Draw = lambda _: {}, *, kind: str = "") -> Truth:
    def put(chance: random.Random, bench: Bench) -> None:
        bench.faults.append({"kind": kind or name, **draw(chance), **_when(chance)})

    return Truth(name=name, mechanisms=(mechanism,) if isinstance(mechanism, str) else mechanism, put=put)


def _stuck(chance: random.Random) -> Plain:
    word = power_of_two(chance, 1, 64)
    return {"word": word, "byte": chance.randrange(word), "bit": chance.randrange(8), "level": chance.randrange(2)}


def _lane(chance: random.Random) -> Plain:
    width = power_of_two(chance, 8, 64)
    return {"width": width, "lane": chance.randrange(width), "probability": round(chance.uniform(0.02, 0.95), 3)}


def _reversed(chance: random.Random) -> Plain:
    unit = power_of_two(chance, 2, 16)
    return {"unit": unit, "word": power_of_two(chance, 1, unit // 2)}


def _dropped(chance: random.Random) -> Plain:
    beat = power_of_two(chance, 4, 64)
    return {"beat": nbytes(beat), "length": nbytes(beat * chance.randint(1, 64))}


def _skipped(chance: random.Random) -> Plain:
    return {"chunk": nbytes(power_of_two(chance, 64, 8192)), "count": chance.randint(1, 4)}


def _repeated(chance: random.Random) -> Plain:
    beat = power_of_two(chance, 4, 32)
    return {"beat": nbytes(beat), "every": nbytes(max(2 * beat, power_of_two(chance, 64, 8192)))}


def _cell(counted: str) -> Draw:
    return lambda chance: {
        "at": nbytes(chance.randrange(1, 16 * KI)),
        "bit": chance.randrange(8),
        "counted": counted,
    }


def _pages(chance: random.Random) -> Plain:
    return {"count": chance.randint(1, 5), "page": nbytes(4096 * chance.choice((1, 1, 2, 4)))}


def _unanswered(chance: random.Random) -> Plain:
    drawn: Plain = {"then": chance.choice(("failed", "hole")), "timeout": f"{chance.choice((0.1, 1, 10, 50))} ms"}
    if chance.random() < 0.4:
        drawn |= {"lost": chance.randint(1, 3), "retries": chance.randint(1, 3)}
    return drawn


def _switch(name: str, *, ecrc: bool) -> Truth:
    def put(chance: random.Random, bench: Bench) -> None:
        bench.behind_switch(chance)
        bench.slot["ecrc"] = ecrc
        direction = chance.choice(("to_card", "from_card", "both"))
        rate = log_uniform(chance, 2e-7, 1e-4)
        bench.switch_faults.append({"kind": "switch-flips", "probability": rate, "direction": direction})

    return Truth(name=name, mechanisms=("switch-memory-noise",), put=put)


def _halting(name: str, mechanism: str, until: tuple[str, ...]) -> Truth:
    def put(chance: random.Random, bench: Bench) -> None:
        after = int(log_uniform(chance, 1 * KI, 16 << 20))
        bench.faults.append({"kind": name, "after": nbytes(after), "until": chance.choice(until)})

    return Truth(name=name, mechanisms=(mechanism,), put=put)


def _over_reset(name: str, mechanism: str, draw: Draw) -> Truth:
    def put(chance: random.Random, bench: Bench) -> None:
        over = chance.choice(("function reset", "link reset"))
        bench.faults.append({"kind": name, "over": over, **draw(chance)})

    return Truth(name=name, mechanisms=(mechanism,), put=put)


def _lane_of(chance: random.Random, bench: Bench) -> int:
    return chance.randrange(bench.width)


def _failing_lane(chance: random.Random, bench: Bench) -> None:
    _wide(chance, bench)
    when = {"after": nbytes(int(log_uniform(chance, 1 * KI, 8 << 20)))}
    bench.faults.append({"kind": "failing-lane", "lane": chance.randrange(1, bench.width), "when": when})


def _failing_first_lane(chance: random.Random, bench: Bench) -> None:
    when = {"after": nbytes(int(log_uniform(chance, 1 * KI, 8 << 20)))}
    bench.faults.append({"kind": "failing-lane", "lane": 0, "when": when})


def _failing_speed(chance: random.Random, bench: Bench) -> None:
    _fast(chance, bench)
    when = {"after": nbytes(int(log_uniform(chance, 1 * KI, 8 << 20)))}
    holds = chance.choice([one for one in (2.5, 5.0, 8.0, 16.0) if one < bench.speed_gtps])
    lane = _lane_of(chance, bench)
    bench.faults.append({"kind": "failing-speed", "lane": lane, "holds": speed(holds), "when": when})


def _bad_training(chance: random.Random, bench: Bench) -> None:
    _fast(chance, bench)
    fault: Plain = {"kind": "bad-training", "lane": _lane_of(chance, bench), "probability": 0.05}
    if chance.random() < 0.5:
        fault["holds"] = speed(2.5)
    bench.faults.append(fault)


def _wide(chance: random.Random, bench: Bench) -> None:
    """A link of several lanes."""
    bench.slot["wiring"] = bench.near["max_width"] = bench.card["max_width"] = chance.choice((2, 4, 8, 16))


def _fast(chance: random.Random, bench: Bench) -> None:
    """A link that could be slower."""
    bench.near["max_speed"], bench.card["max_speed"] = (speed(chance.choice((8.0, 16.0, 32.0))) for _ in range(2))


def _dead_lane(chance: random.Random, bench: Bench) -> None:
    _wide(chance, bench)
    bench.slot[chance.choice(("dead_lanes", "no_receiver"))] = [chance.randrange(1, bench.width)]


def _marginal_lane(chance: random.Random, bench: Bench) -> None:
    _fast(chance, bench)
    holds = chance.choice([one for one in (2.5, 5.0, 8.0, 16.0) if one < bench.speed_gtps])
    bench.slot["marginal_lanes"] = {str(_lane_of(chance, bench)): speed(holds)}


def _absent(chance: random.Random, bench: Bench) -> None:
    bench.faults.append({"kind": "absent"})


def _channels(name: str, mechanism: str) -> Truth:
    def put(chance: random.Random, bench: Bench) -> None:
        bench.card["channels"] = chance.randint(2, 4)
        bench.faults.append({"kind": name, **_when(chance)})

    return Truth(name=name, mechanisms=(mechanism,), put=put)


def _flips(chance: random.Random) -> Plain:
    return {"probability": log_uniform(chance, 2e-7, 3e-4)}


def _small(least: int, most: int, key: str = "length") -> Draw:
    return lambda chance: {key: nbytes(chance.randint(least, most))}


def _binary(least: int, most: int, key: str) -> Draw:
    return lambda chance: {key: nbytes(power_of_two(chance, least, most))}


def _wide_truth(name: str, mechanisms: tuple[str, ...], put: Callable[[random.Random, Bench], None]) -> Truth:
    return Truth(name=name, mechanisms=mechanisms, put=put, bench_wide=True)


FAULTS: tuple[Truth, ...] = (
    _fault("bit-flips", "card-memory-noise", _flips),
    _fault("regular-flips", "card-memory-cell", lambda c: {"every": nbytes(int(log_uniform(c, 2 * KI, 2 << 20)))}),
    _fault("stuck-bit", "stuck-line", _stuck),
    _fault("byte-lane", "byte-lane", _lane),
    _fault("host-bit-flips", "host-memory-cell", _cell("nowhere")),
    _fault("host-bit-flips-counted", "host-memory-cell", _cell("uncorrected"), kind="host-bit-flips"),
    _fault("never-written", "card-never-wrote"),
    _fault("iommu-refuses", "iommu-refused", lambda _: {"refused_by_iommu": True}, kind="never-written"),
    _fault("all-ones", "memory-not-decoded"),
    _fault("stale-message", "stale-ring-slot", lambda c: {"back": c.choice((1, 1, 2, 3, 8))}),
    _fault(
        "early-completion",
        ("read-overtakes-write", "relaxed-ordering"),
        lambda c: {"behind": nbytes(int(log_uniform(c, 256, 256 * KI))), **_shows(c)},
    ),
    _fault("lost-pages", "lost-page-or-descriptor", lambda c: {**_pages(c), **_shows(c)}),
    _fault("swapped-pages", "scatter-gather-order", _pages),
    _fault(
        "stale-lines",
        "stale-cache-lines",
        lambda c: {"probability": round(log_uniform(c, 3e-4, 0.4), 5), **_shows(c)},
    ),
    _fault(
        "boundary-damage",
        "crosses-4k-boundary",
        lambda c: {"length": nbytes(power_of_two(c, 4, 512)), **_shows(c)},
    ),
    _fault(
        "split-damage",
        "split-or-tag-handling",
        lambda c: {"unit": c.choice(("payload", "completion")), "count": c.randint(1, 6), **_shows(c)},
    ),
    _fault("dropped-beats", "overflow-drops-data", _dropped),
    _fault("shifted", "shifted-by-alignment", _small(1, 64, "by")),
    _fault("unflushed-fifo", "fifo-not-flushed", _binary(8, 1024, "length")),
    _fault("short-tail", "last-beat-lost", lambda c: {**_small(1, 64)(c), "reported": c.random() < 0.5}),
    _fault("extra-beat", "extra-beat-at-end", _small(1, 64, "beat")),
    Truth(
        name="second-short",
        mechanisms=("state-left-by-first",),
        put=lambda c, bench: bench.faults.append({"kind": "second-short", "length": nbytes(c.randint(1, 512))}),
    ),
    _fault("repeated-beat", "memory-read-latency", _repeated),
    _fault("pointer-wrap", "fifo-pointer-wrap", _binary(8, 1024, "length")),
    _fault("stripped-header", "header-stripped", lambda c: {"length": nbytes(c.choice((8, 12, 16, 16, 32)))}),
    _fault("address-mask", "address-mask", _binary(64, 2048, "block")),
    _fault("skipped-chunks", "free-running-ring", _skipped),
    _fault("spliced", "completion-tag-reuse", _binary(64, 4096, "length")),
    _channels("foreign-channel", "channel-routing"),
    _channels("rotated-channels", "channel-order"),
    _fault("half-width", "width-mismatch", lambda c: {"word": power_of_two(c, 1, 16)}),
    _fault("reversed-words", "byte-order", _reversed),
    _fault("completion-timeout", "completion-timeout", _unanswered),
    _fault("unexpected-completion", "unexpected-completion", _unanswered),
    _fault("completer-abort", "completer-abort"),
    _fault("unsupported-read", "unsupported-request", lambda _: {"request": "read"}, kind="unsupported-request"),
    _fault("unsupported-write", "unsupported-request", lambda _: {"request": "write"}, kind="unsupported-request"),
    _fault("poisoned-write", "data-declared-bad", lambda _: {"direction": "from_card"}, kind="poisoned"),
    _fault(
        "poisoned-completion",
        "data-declared-bad",
        lambda c: {"direction": "to_card", "then": c.choice(("used", "failed"))},
        kind="poisoned",
    ),
    _fault("malformed", "malformed-packets"),
    _fault("receiver-overflow", "flow-control-overrun"),
    _switch("switch-flips-ecrc", ecrc=True),
    _switch("switch-flips", ecrc=False),
    _halting("drop-off", "card-dropped-off", ("never", "link reset")),
    _halting("stall", "engine-stalls", ("never", "data reset", "function reset", "link reset")),
    _wide_truth("failing-lane", ("link-narrow",), _failing_lane),
    _wide_truth("failing-first-lane", ("card-dropped-off",), _failing_first_lane),
    _wide_truth("failing-speed", ("link-slow",), _failing_speed),
    _wide_truth("bad-training", ("unstable-training", "link-narrow", "link-slow"), _bad_training),
    _wide_truth("dead-lane", ("link-narrow",), _dead_lane),
    _wide_truth("marginal-lane", ("link-slow",), _marginal_lane),
    _wide_truth("absent", ("card-absent",), _absent),
    _over_reset("config-lost", "configuration-lost", lambda _: {}),
    _over_reset("not-ready", "card-not-ready-yet", lambda c: {"lasts": f"{c.choice((1, 100, 900))} ms"}),
)


def _heavy(chance: random.Random, bench: Bench) -> None:
    bench.link_errors(chance, 1e-6, 1e-4)


HEALTHY = Truth(name="healthy", mechanisms=(), put=lambda chance, bench: None)
LINK_ERRORS = Truth(
    name="link-errors",
    mechanisms=("link-errors-replayed", "replay-rollover"),
    put=lambda chance, bench: bench.link_errors(chance, 1e-9, 3e-5),
)


def _idle(chance: random.Random, bench: Bench) -> None:
    _fast(chance, bench)
    bench.slot |= {"idle_speed": speed(2.5), "idle_after": f"{chance.choice((1, 3, 10))} ms"}


def _narrow(chance: random.Random, bench: Bench) -> None:
    bench.slot["wiring"] = bench.near["max_width"] = 16
    bench.card["max_width"] = chance.choice((1, 2, 4, 8))


def _wired_narrow(chance: random.Random, bench: Bench) -> None:
    bench.near["max_width"] = bench.card["max_width"] = 16
    bench.slot["wiring"] = chance.choice((1, 2, 4, 8))


def _slow_card(chance: random.Random, bench: Bench) -> None:
    bench.near["max_speed"], bench.card["max_speed"] = speed(32.0), speed(chance.choice((2.5, 5.0, 8.0)))


def _hidden(chance: random.Random, bench: Bench) -> None:
    bench.slot |= {"errors_owned_by": "firmware"} if chance.random() < 0.5 else {"observable": False}
    if chance.random() < 0.7:
        bench.link_errors(chance, 1e-8, 1e-5)


def _corrected(chance: random.Random, bench: Bench) -> None:
    bench.faults.append({"kind": "host-bit-flips", **_cell("corrected")(chance)})


FALSE_ALARMS: tuple[Truth, ...] = (
    Truth(name="sleeps while idle", mechanisms=("idle-power-management",), put=_idle),
    Truth(name="x4 card in x16 slot", mechanisms=(), put=_narrow),
    Truth(name="wired narrower", mechanisms=(), put=_wired_narrow),
    Truth(name="card of an older speed", mechanisms=(), put=_slow_card),
    Truth(
        name="a few receiver errors",
        mechanisms=("link-errors-replayed",),
        put=lambda chance, bench: bench.link_errors(chance, 1e-9, 1e-7),
    ),
    Truth(name="counters not readable", mechanisms=("errors-hidden", "link-errors-replayed"), put=_hidden),
    Truth(name="ECC corrects the host", mechanisms=("host-memory-cell",), put=_corrected),
    Truth(name="many link errors", mechanisms=LINK_ERRORS.mechanisms, put=_heavy),
)
"""What must raise no alarm, as far as the simulator has it; an answer may name the harmless cause, and no other."""
