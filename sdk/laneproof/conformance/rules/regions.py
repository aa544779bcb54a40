"""What must hold of Regions: real memory of the size asked for, used by the path, and mapped while in flight."""

from __future__ import annotations

from contextlib import suppress

import numpy as np

from laneproof.clock import Deadline
from laneproof.conformance.finding import Broken, NotApplicable, require
from laneproof.conformance.memory import require_pattern, stretch_of
from laneproof.conformance.opened import Opened
from laneproof.conformance.rule import rule
from laneproof.conformance.trial import Trial
from laneproof.conformance.words import times, told
from laneproof.contract import QueuedPath, Region, RegionSource
from laneproof.errors import EndpointBusy

_SIZES = (1, 4095, 4096, 4097, 65536)


def _allocated(card: Opened, nbytes: int) -> Region:
    return card.control(card.part(RegionSource).allocate, nbytes)


@rule("card", "give a writable memoryview of bytes, exactly as long as asked for, at the alignment that Limits states")
def regions_are_memory(trial: Trial) -> str:
    """A Region is writable memory of the size asked for, aligned, its own, and closes twice."""
    with trial.opened() as card:
        alignment = card.probe.limits.alignment
        regions = [_allocated(card, nbytes) for nbytes in _SIZES]
        for number, (region, nbytes) in enumerate(zip(regions, _SIZES, strict=True)):
            view = region.view
            require(view.nbytes == nbytes, f"a Region of {nbytes} bytes has a view of {view.nbytes}")
            require(
                not view.readonly and view.c_contiguous, f"the view of a Region of {nbytes} bytes cannot be written to"
            )
            address = np.frombuffer(view, np.uint8).ctypes.data
            require(address % alignment == 0, f"a Region of {nbytes} bytes is not aligned to {alignment}")
            stretch_of(number).fill(view)
        for number, region in enumerate(regions):
            require_pattern(region.view, stretch_of(number), "a Region, after others were written,")
        for region in regions:
            trial.call("Region.close", region.close)
            try:
                trial.call("Region.close", region.close)
            except Exception as error:
                raise Broken(f"closing a Region for a second time raised {told(error)}") from None
    return f"{times(len(_SIZES), 'size')} from {_SIZES[0]} to {_SIZES[-1]} bytes"


@rule("card", "let the path find the Region behind a view, a slice of it included, and else copy")
def regions_carry_data(trial: Trial) -> str:
    """The path sends from a Region and receives into one, whole and in part."""
    with trial.opened() as card:
        probe, grain = card.probe, card.probe.limits.granularity
        nbytes = min(probe.largest, 64 * grain)
        if nbytes < 2 * grain:
            raise NotApplicable("a largest transfer of one granule has no part")
        out, into = _allocated(card, nbytes), _allocated(card, nbytes)
        step = -(-probe.limits.alignment // grain) * grain
        for number, start in enumerate({0, step if step < nbytes else 0}):
            stretch = stretch_of(number)
            stretch.fill(out.view)
            stretch.fill_unlike(into.view)
            came = probe.echo(out.view[start:], into.view[start:])
            require(came == nbytes - start, f"{came} of {nbytes - start} bytes came from one Region to another")
            require_pattern(into.view[start:], stretch, "what came from one Region to another", start)
        trial.call("Region.close", out.close)
        trial.call("Region.close", into.close)
    return f"{nbytes} bytes from one Region to another, whole and in part"


@rule("card", "count the transfers that use a Region, and raise EndpointBusy from close while there is one")
def a_region_in_flight_stays(trial: Trial) -> str:
    """Closing a Region that a transfer still uses is refused, and possible once the transfer has ended."""
    with trial.opened() as card:
        card.part(RegionSource)
        probe = card.probe
        probe.require_a_flow()
        region = _allocated(card, probe.limits.granularity)
        if isinstance(probe.channel.path, QueuedPath):
            probe.submit(None, region.view)
            refusal = _refusal(trial, region)
            probe.quiesce()
        else:
            with Deadline(10.0, card.clock) as deadline:
                waiting = trial.beside(lambda: probe.receive_some(region.view, deadline))
                waiting.join(trial.rig.wait_s)
                refusal = _refusal(trial, region)
                deadline.cancel()
                with suppress(Exception):
                    waiting.result()
        require(
            refusal == "EndpointBusy", f"closing a Region in flight {refusal or 'is permitted'}; it raises EndpointBusy"
        )
        trial.call("Region.close", region.close)
    return "refused while a transfer was under way, and closed afterwards"


def _refusal(trial: Trial, region: Region) -> str:
    try:
        trial.call("Region.close", region.close)
    except EndpointBusy:
        return "EndpointBusy"
    except Exception as error:
        return f"raises {told(error)}"
    return ""
