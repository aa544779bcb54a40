"""`laneproof confidence`: what an exposure or a number of trials shows, and how much of either a claim needs."""

from __future__ import annotations

import argparse
import json
import re
import textwrap
from decimal import ROUND_DOWN, ROUND_UP, Context, Decimal
from typing import Any

from laneproof.campaign import statistics
from laneproof.campaign.statistics import CONFIDENCE, format_bound
from laneproof.campaign.statistics.checks import MOST_MEASURED, checked_positive
from laneproof.cli.words import WIDTH
from laneproof.errors import BadInput
from laneproof.units import (
    format_bytes,
    format_bytes_per_s,
    format_seconds,
    parse_bytes,
    parse_bytes_per_s,
    parse_seconds,
)

_OF_BITS = ("errors", "bits", "bytes", "rate", "time", "bound")
_OF_TRIALS = ("trials", "bad", "chance")
_SUPPOSED_OF_BITS = (
    "every one of these bits is verified, and errors come independently of each other at a steady rate. "
    "Where they come in bursts, count bursts."
)
_SUPPOSED_OF_TRIALS = "trials are independent of each other, and each is as likely to be bad as any other."


def add_to(verbs: Any) -> None:
    parser: argparse.ArgumentParser = verbs.add_parser(
        "confidence", help="say what an exposure shows, or how long to run to show it"
    )
    bits = parser.add_argument_group("errors in bits")
    bits.add_argument("--errors", metavar="N", help="wrong bits that were seen, or that may be; default 0")
    bits.add_argument("--bits", metavar="N", help="bits that came back and were verified, such as 1e13")
    bits.add_argument("--bytes", metavar="SIZE", help='the same as bytes, of 8 bits each, such as "1 TiB"')
    bits.add_argument("--rate", metavar="RATE", help='at which bytes come back, such as "7 GB/s"')
    bits.add_argument("--time", metavar="TIME", help='how long they do, such as "8 h"')
    bits.add_argument("--bound", metavar="SHARE", help="error rate per bit to stay below, such as 1e-12")
    trials = parser.add_argument_group("bad ones among trials, such as trainings of a link")
    trials.add_argument("--trials", metavar="N", help="how many there were")
    trials.add_argument("--bad", metavar="N", help="how many were bad, or may be; default 0")
    trials.add_argument("--chance", metavar="SHARE", help='chance of a bad one to stay below, such as "1 %%"')
    parser.add_argument(
        "--unseen", metavar="SHARE", help="a true error rate or chance: how likely such a run sees nothing of it"
    )
    parser.add_argument("--level", metavar="SHARE", default=f"{CONFIDENCE:.0%}", help="confidence; default %(default)s")
    parser.add_argument("--json", action="store_true", help="print it as JSON")
    parser.set_defaults(call=call)


def call(chosen: argparse.Namespace) -> int:
    of_bits, of_trials = (
        [name for name in names if getattr(chosen, name) is not None] for names in (_OF_BITS, _OF_TRIALS)
    )
    if of_bits and of_trials:
        raise BadInput(f"--{of_bits[0]} is of bits and --{of_trials[0]} of trials; ask for one at a time")
    level = _share("--level", chosen.level)
    if of_trials:
        found, sentences, supposed = *_of_trials(chosen, level), _SUPPOSED_OF_TRIALS
    else:
        found, sentences, supposed = *_of_bits(chosen, level), _SUPPOSED_OF_BITS
    if chosen.json:
        print(json.dumps({"level": level, **found, "supposed": supposed}, indent=2))
    else:
        print("\n".join(textwrap.fill(sentence, WIDTH) for sentence in (*sentences, f"Supposed: {supposed}")))
    return 0


def _of_bits(chosen: argparse.Namespace, level: float) -> tuple[dict[str, Any], list[str]]:
    errors = 0 if chosen.errors is None else _whole("--errors", chosen.errors)
    rate = None if chosen.rate is None else parse_bytes_per_s(chosen.rate)
    bits, said = _exposure(chosen, rate)
    bound = None if chosen.bound is None else _share("--bound", chosen.bound)
    if bits is None and bound is None:
        raise BadInput("nothing to compute: give --bits, --bytes, or --rate with --time; or --bound; or --trials")
    found: dict[str, Any] = {"errors": errors, "bits": bits}
    sentences: list[str] = []
    if bits is not None:
        upper = statistics.error_rate_bound(errors, bits, level)
        interval = statistics.error_rate_interval(errors, bits, level)
        found["shown"] = {"upper_bound_per_bit": upper, "interval_per_bit": [interval.lower, interval.upper]}
        between = (
            f" (two-sided: {_plain(_cut(interval.lower, ROUND_DOWN))} to {_plain(_cut(interval.upper, ROUND_UP))})"
            if errors
            else ""
        )
        sentences.append(
            f"{_many(errors, 'error')} in {said}: at {_percent(level)} confidence the error rate is "
            + ("not bounded" if upper == 1 else f"below {format_bound(upper)} per bit")
            + f"{between}."
        )
    if bound is not None:
        needed = statistics.exposure_needed(bound, errors, level)
        seconds = None if rate is None else statistics.seconds_needed(bound, rate, errors, level)
        found["needed"] = {"bound_per_bit": bound, "bits": needed, "seconds": seconds}
        at_rate = "" if seconds is None or rate is None else f", {_long_enough(seconds)} at {format_bytes_per_s(rate)}"
        allowed = f"no more than {errors}" if errors else "not one"
        sentences.append(
            f"To show less than {_plain(bound)} per bit at {_percent(level)} confidence takes "
            f"{_power(needed, up=True)} bits ({_large_enough(-(-needed // 8))}{at_rate}), {allowed} of them wrong."
        )
    if chosen.unseen is not None:
        if bits is None:
            raise BadInput("--unseen asks what an exposure misses: give --bits, --bytes, or --rate with --time")
        true_rate = _share("--unseen", chosen.unseen)
        missed = statistics.chance_unseen(true_rate, bits, errors)
        found["unseen"] = {"rate_per_bit": true_rate, "chance": missed}
        sentences.append(_missed(f"A true error rate of {_plain(true_rate)} per bit", "error", errors, missed))
    return found, sentences


def _of_trials(chosen: argparse.Namespace, level: float) -> tuple[dict[str, Any], list[str]]:
    bad = 0 if chosen.bad is None else _whole("--bad", chosen.bad)
    trials = None if chosen.trials is None else _whole("--trials", chosen.trials)
    chance = None if chosen.chance is None else _share("--chance", chosen.chance)
    if trials is None and chance is None:
        raise BadInput("--bad says how many of how many: give --trials, or --chance to stay below")
    found: dict[str, Any] = {"bad": bad, "trials": trials}
    sentences: list[str] = []
    if trials is not None:
        upper = statistics.chance_bound(bad, trials, level)
        interval = statistics.chance_interval(bad, trials, level)
        found["shown"] = {"upper_bound": upper, "interval": [interval.lower, interval.upper]}
        between = (
            f" (two-sided: {_percent(_cut(interval.lower, ROUND_DOWN))} to {_percent(_cut(interval.upper, ROUND_UP))})"
            if bad
            else ""
        )
        sentences.append(
            f"{bad} bad of {_many(trials, 'trial')}: at {_percent(level)} confidence the chance of a bad one is "
            + ("not bounded" if upper == 1 else f"below {_percent(_cut(upper, ROUND_UP))}")
            + f"{between}."
        )
    if chance is not None:
        needed = statistics.trials_needed(chance, bad, level)
        found["needed"] = {"chance": chance, "trials": needed}
        sentences.append(
            f"To show less than {_percent(chance)} at {_percent(level)} confidence takes {_many(needed, 'trial')}, "
            f"{f'no more than {bad}' if bad else 'not one'} of them bad."
        )
    if chosen.unseen is not None:
        if trials is None:
            raise BadInput("--unseen asks what a run misses: give --trials")
        true_chance = _share("--unseen", chosen.unseen)
        missed = statistics.chance_unseen_in_trials(true_chance, trials, bad)
        found["unseen"] = {"true_chance": true_chance, "chance": missed}
        sentences.append(_missed(f"A true chance of {_percent(true_chance)}", "bad one", bad, missed))
    return found, sentences


def _exposure(chosen: argparse.Namespace, rate: float | None) -> tuple[int | None, str]:
    """Bits, where given in one way or another, and how to say them."""
    ways = [
        way
        for way, value in (("--bits", chosen.bits), ("--bytes", chosen.bytes), ("--time", chosen.time))
        if value is not None
    ]
    if len(ways) > 1:
        raise BadInput(f"{' and '.join(ways)} each say how much; give one of them")
    if chosen.bits is not None:
        bits, said = _whole("--bits", chosen.bits), ""
    elif chosen.bytes is not None:
        nbytes = parse_bytes(chosen.bytes)
        bits, said = 8 * nbytes, f"{format_bytes(nbytes)}, which is "
    elif chosen.time is None:
        return None, ""
    elif rate is None:
        raise BadInput("--time alone is no exposure: give --rate as well")
    else:
        seconds = parse_seconds(chosen.time)
        bits = int(min(8 * rate * seconds, 2 * MOST_MEASURED))
        said = f"{format_seconds(seconds)} at {format_bytes_per_s(rate)}, which is "
    checked_positive("bits", bits)
    return bits, f"{said}{_power(bits)} bits"


def _missed(what: str, each: str, allowed: int, chance: float) -> str:
    shows = f"no more than {_many(allowed, each)}" if allowed else f"no {each}"
    return f"{what} shows {shows} in such a run with a chance of {_percent(_cut(chance, ROUND_UP))}."


def _many(count: int, each: str) -> str:
    return f"{_power(count) if count >= 10**6 else count} {each}{'' if count == 1 else 's'}"


def _power(count: int, *, up: bool = False) -> str:
    """A large count in four digits, "2.996e12"; rounded up where less would not do."""
    rounded = float(Context(prec=4, rounding=ROUND_UP).create_decimal(count)) if up else count
    return _plain(rounded)


def _plain(number: float) -> str:
    """Four digits of a number as people write it: 1e13, 7.03e-14."""
    return re.sub(r"e\+?(-?)0*", r"e\1", f"{number:.4g}")


def _percent(share: float) -> str:
    """A share that was given, in all its digits."""
    return f"{100 * share:.10g}%"


def _cut(share: float, rounding: str) -> float:
    """Three digits of a share or time, rounded to the side that claims less."""
    return float(Context(prec=3, rounding=rounding).create_decimal(Decimal(share)))


def _large_enough(nbytes: int) -> str:
    """A size for a reader, and for a plan, that is not smaller than it must be."""
    sizes = ((unit, parse_bytes(f"1 {unit}")) for unit in ("TiB", "GiB", "MiB", "KiB", "B"))
    unit, size = next((unit, size) for unit, size in sizes if nbytes >= size)
    return f"{Context(prec=4, rounding=ROUND_UP).divide(Decimal(nbytes), Decimal(size)):f} {unit}"


def _long_enough(seconds: float) -> str:
    """A time for a reader that is not shorter than it must be."""
    step = 60 if seconds >= 3600 else 1
    if seconds >= 60:
        return format_seconds(-(-seconds // step) * step)
    return format_seconds(_cut(seconds, ROUND_UP))


def _whole(option: str, text: str) -> int:
    """A whole number such as 300 or 1e13."""
    number = Decimal(text) if re.fullmatch(r"[0-9]{1,40}(\.[0-9]{0,40})?([eE]\+?[0-9]{1,2})?", text) else None
    if number is None or number != number.to_integral_value():
        raise BadInput(f'{option}: "{text}" is no whole number from 0 up; write for example 300 or 1e13')
    return int(number)


def _share(option: str, text: str) -> float:
    """A share such as 1e-12, 0.01 or "1 %", between 0 and 1 with both left out."""
    match = re.fullmatch(r"([0-9]{1,40}(?:\.[0-9]{0,40})?(?:[eE][+-]?[0-9]{1,3})?)(\s*%)?", text.strip())
    share = 0.0 if match is None else float(Decimal(match[1]) / (100 if match[2] else 1))
    if not 0 < share < 1:
        raise BadInput(f'{option}: "{text}" is no share between 0 and 1; write for example 1e-12 or "1 %"')
    return share
