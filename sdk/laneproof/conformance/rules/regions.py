"""What must hold of Regions: real memory of the size asked for, used by the path, and mapped while in flight."""

from __future__ import annotations

import time
from contextlib import suppress

import numpy as np

from laneproof.clock import Deadline
from laneproof.conformance.finding import Broken, NotApplicable, require
from laneproof.conformance.memory import Lent, require_pattern, stretch_of
from laneproof.conformance.opened import Opened
from laneproof.conformance.rule import rule
from laneproof.conformance.trial import Trial
from laneproof.conformance.words import times, told
from laneproof.contract import QueuedPath, Region, RegionSource
from laneproof.errors import EndpointBusy, LaneproofError

_SIZES = (1, 4095, 4096, 4097, 65536)
_MANY = 300


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


@rule("card", "let close give back all that allocate took: the memory, its lock, what shows it to the card")
def a_closed_region_gives_its_memory_back(trial: Trial) -> str:
    """Regions can be made and closed again and again, far more of them than a card could have at once."""
    with trial.opened() as card:
        card.part(RegionSource)
        for number in range(_MANY):
            try:
                region = _allocated(card, _SIZES[-1])
            except LaneproofError as error:
                raise Broken(f"after {times(number, 'Region')} were made and closed: {told(error)}") from None
            region.view[0] = region.view[-1] = number % 256
            trial.call("Region.close", region.close)
    return f"{times(_MANY, 'Region')} of {_SIZES[-1]} bytes, one after the other"


@rule("card", "stop the engine and unmap Regions from the card in close; leave their memory until they are closed")
def a_region_outlives_its_card(trial: Trial) -> str:
    """A Region that is open when its card is closed stays memory, which nothing writes to, and closes later."""
    with trial.opened() as card:
        card.part(RegionSource)
        probe = card.probe
        nbytes = min(probe.largest, 64 * probe.limits.granularity)
        idle, used = _allocated(card, nbytes), _allocated(card, nbytes)
        for number, region in enumerate((idle, used)):
            stretch_of(number).fill(region.view)
        if isinstance(probe.channel.path, QueuedPath):
            probe.submit(None, used.view)  # which the card would fill now, were it not closed
        trial.close(card.card)
        _require_memory(idle, used)
    with trial.opened() as card:
        out, into = Lent(nbytes), Lent(nbytes)
        out.fill(stretch_of(2))
        card.probe.echo(out.view, into.view)
        time.sleep(trial.rig.wait_s)
        _require_memory(idle, used)
    for region in (idle, used):
        for _ in range(2):
            try:
                trial.call("Region.close", region.close)
            except Exception as error:
                raise Broken(f"closing a Region after its card raised {told(error)}") from None
    return f"two Regions of {nbytes} bytes stayed as they were, and were closed after their card"


def _require_memory(*regions: Region) -> None:
    for number, region in enumerate(regions):
        try:
            content = bytes(region.view)
        except ValueError as error:
            raise Broken(f"the view of a Region cannot be read once its card is closed: {told(error)}") from None
        require_pattern(memoryview(content), stretch_of(number), "a Region, once its card was closed,")
        region.view[:] = content


def _refusal(trial: Trial, region: Region) -> str:
    try:
        trial.call("Region.close", region.close)
    except EndpointBusy:
        return "EndpointBusy"
    except Exception as error:
        return f"raises {told(error)}"
    return ""
