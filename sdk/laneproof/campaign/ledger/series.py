"""A step's time series, rolled up: the longer the step, the longer the spans that its rows sum up."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import attrs
from attrs import frozen

from laneproof.campaign.events import Sampled

FIRST_SPAN_S = 1.0
"""Seconds of the card's clock that a row sums up at first."""
ROWS_A_LENGTH = 4096
"""Rows after which they become twice as long: about 38,000 rows a month."""


@frozen(kw_only=True)
class Span:
    """What moved from `from_s` to `to_s` of the card's clock: in `count` samples that took `seconds` together.

    `slowest` and `fastest` are the extremes of the samples' bytes per second, None where none took any time.
    """

    from_s: float
    to_s: float
    count: int
    bytes: int
    verified_bytes: int
    mismatched_bits: int
    seconds: float
    slowest: float | None = None
    fastest: float | None = None

    @classmethod
    def of(cls, sample: Sampled) -> Span:
        rate = sample.nbytes / sample.seconds if sample.seconds > 0 else None
        return cls(
            from_s=sample.clock_s - sample.seconds,
            to_s=sample.clock_s,
            count=1,
            bytes=sample.nbytes,
            verified_bytes=sample.verified_bytes,
            mismatched_bits=sample.mismatched_bits,
            seconds=sample.seconds,
            slowest=rate,
            fastest=rate,
        )

    @classmethod
    def of_plain(cls, plain: Mapping[str, Any]) -> Span:
        """What `to_dict` made. Raises TypeError for anything else."""
        span = cls(**plain)
        numbers = [value for value in attrs.astuple(span) if value is not None]
        if not all(isinstance(value, int | float) for value in numbers):
            raise TypeError("a span holds numbers")
        return span

    def with_later(self, later: Span) -> Span:
        """Both as one."""
        slowest = [rate for rate in (self.slowest, later.slowest) if rate is not None]
        fastest = [rate for rate in (self.fastest, later.fastest) if rate is not None]
        return Span(
            from_s=self.from_s,
            to_s=later.to_s,
            count=self.count + later.count,
            bytes=self.bytes + later.bytes,
            verified_bytes=self.verified_bytes + later.verified_bytes,
            mismatched_bits=self.mismatched_bits + later.mismatched_bits,
            seconds=self.seconds + later.seconds,
            slowest=min(slowest, default=None),
            fastest=max(fastest, default=None),
        )

    def to_dict(self) -> dict[str, Any]:
        return attrs.asdict(self)


class Series:
    """Rolls the samples of one step up. `rows`: how many it has already from before."""

    def __init__(self, rows: int = 0) -> None:
        self._rows = rows
        self.rest: Span | None = None
        """What has come since the last full row."""

    def add(self, sample: Sampled) -> Span | None:
        """Take one sample in; the row that it completes, if it does."""
        span = Span.of(sample)
        self.rest = span if self.rest is None else self.rest.with_later(span)
        if self.rest.to_s - self.rest.from_s < FIRST_SPAN_S * 2.0 ** (self._rows // ROWS_A_LENGTH):
            return None
        return self.close()

    def close(self) -> Span | None:
        """The last row, however short."""
        done, self.rest = self.rest, None
        self._rows += done is not None
        return done
