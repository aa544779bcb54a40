"""What must hold when the device is gone: every call says so, none hangs, and a card that came back opens again."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager, suppress

from laneproof.clock import Deadline
from laneproof.conformance.finding import Broken, NotApplicable, require
from laneproof.conformance.memory import Lent, stretch_of
from laneproof.conformance.opened import Opened, Probe
from laneproof.conformance.rule import rule
from laneproof.conformance.trial import Trial
from laneproof.conformance.words import told
from laneproof.contract import ErrorObserver, LinkObserver, QueuedPath, StreamPath
from laneproof.errors import DeviceLost, Interrupted, LaneproofError
from laneproof.readings import ErrorReading, LinkReading, Unavailable, known

_NOTICE_S = 1.0
"""How long a driver may take to see that its device is gone, by the card's clock."""


def _lost(trial: Trial) -> AbstractContextManager[None]:
    return trial.between_hooks("lose", "restore")


def _calls(probe: Probe, out: Lent, into: Lent) -> dict[str, Callable[[Deadline], object]]:
    path, card = probe.channel.path, probe.opened
    if isinstance(path, StreamPath):
        return {
            "receive_into": lambda deadline: probe.receive_all(into.view, deadline),
            "send": lambda deadline: [probe.send_some(out.view, deadline) for _ in range(1000)],
        }
    if isinstance(path, QueuedPath):

        def transfer(deadline: Deadline) -> object:
            probe.submit(out.view, into.view)
            return probe.reap(deadline)

        return {"submit and reap": transfer}
    return {
        "read_into": lambda deadline: card.call(path.read_into, 0, into.view[:], deadline, deadline=deadline),
        "write": lambda deadline: card.call(path.write, 0, out.view[:], deadline, deadline=deadline),
    }


@rule("card", "map what the system says of a device that is gone (ENODEV, ENXIO, EPIPE, EIO, all ones) to DeviceLost")
def a_lost_device_is_said_to_be_lost(trial: Trial) -> str:
    """Once the device is gone, calls that need it raise DeviceLost, within a second, and close raises nothing."""
    with trial.opened() as card:
        nbytes = card.probe.few
        out, into = Lent(nbytes), Lent(nbytes)
        out.fill(stretch_of(0))
        with _lost(trial):
            calls = _calls(card.probe, out, into)
            for what, call in calls.items():
                _require_lost(card, what, call)
            try:
                trial.close(card.card)
            except Exception as error:
                raise Broken(f"closing a card that is gone raised {told(error)}") from None
    return f"{', '.join(calls)} raised DeviceLost"


def _require_lost(card: Opened, what: str, call: Callable[[Deadline], object]) -> None:
    with Deadline(_NOTICE_S, card.clock) as deadline:
        try:
            result = call(deadline)
        except DeviceLost:
            return
        except Broken:
            raise
        except Exception as error:
            raise Broken(f"{what} on a device that is gone raised {told(error)}, not DeviceLost") from None
        held = "at its deadline" if deadline.expired else f"{deadline.left_s():.2g} s before its deadline"
    raise Broken(f"{what} on a device that is gone returned {result!r} {held}")


@rule("card", "map every lower exception in the driver; what an endpoint's user sees is an error of laneproof's")
def a_loss_reaches_the_user_as_one_error(trial: Trial) -> str:
    """Through the endpoint a lost device is DeviceLost, with the URI and the call, and close raises nothing."""
    with trial.endpoint() as endpoint:
        limits = endpoint.limits
        nbytes = min(64 * limits.granularity, limits.max_transfer // limits.granularity * limits.granularity)
        out, into = Lent(nbytes), Lent(nbytes)
        with _lost(trial):
            try:
                with trial.watch.over("Endpoint.loopback", _NOTICE_S):
                    endpoint.loopback(out.view, into.view, timeout=_NOTICE_S)
            except DeviceLost as lost:
                require(lost.uri == trial.rig.uri and lost.operation == "loopback", f"{told(lost)}: not named")
            except (LaneproofError, OSError) as error:
                raise Broken(f"a loopback on a device that is gone raised {told(error)}, not DeviceLost") from None
            else:
                raise Broken("a loopback on a device that is gone brought its data back")
            endpoint.close()
    return "loopback raised DeviceLost"


@rule("card", "end a wait when the device goes: watch for hang-up and errors, or read a register in each slice")
def a_loss_ends_a_wait(trial: Trial) -> str:
    """A call that waits when the device goes ends with DeviceLost, long before its deadline."""
    with trial.opened() as card:
        probe = card.probe
        probe.require_a_flow()
        into = Lent(probe.limits.granularity)
        queued = isinstance(probe.channel.path, QueuedPath)
        what = "reap" if queued else "receive_into"
        if queued:
            probe.submit(None, into.view)
        with Deadline(30.0, card.clock) as deadline:
            waiting = trial.beside(lambda: probe.reap(deadline) if queued else probe.receive_some(into.view, deadline))
            waiting.join(trial.rig.wait_s)
            with _lost(trial):
                waiting.join(_NOTICE_S + trial.rig.slack_s)
                ended = not waiting.running
                deadline.cancel()
                try:
                    came = waiting.result()
                except DeviceLost:
                    require(ended, f"{what} said so only when it was cancelled")
                    return f"{what} raised DeviceLost while it waited"
                except Interrupted:
                    raise Broken(f"{what} still waited {_NOTICE_S:g} s after the device had gone") from None
                except Exception as error:
                    raise Broken(f"{what} raised {told(error)}, not DeviceLost") from None
    raise Broken(f"{what} returned {came!r} when the device went")


@rule("card", "read the card in each reading and keep none; where it does not answer, the far partner is Unavailable")
def a_loss_shows_in_the_readings(trial: Trial) -> str:
    """Once the device is gone, a reading of link or errors raises an error, or shows that the far partner is gone."""
    with trial.opened() as card:
        link, errors = card.card.part(LinkObserver), card.card.part(ErrorObserver)
        calls: dict[str, Callable[[Deadline], LinkReading | ErrorReading]] = {}
        if link is not None:
            calls["read_link"] = link.read_link
        if errors is not None:
            calls["read_errors"] = errors.read_errors
        if not calls:
            raise NotApplicable("the card has no LinkObserver and no ErrorObserver")
        before = {what: card.control(call, what=what) for what, call in calls.items()}
        with _lost(trial):
            for what, call in calls.items():
                if isinstance(before[what].far, Unavailable):
                    continue  # it never showed that partner
                with suppress(LaneproofError, OSError):
                    reading = card.within(_NOTICE_S, call, what=what)
                    require(_far_is_gone(reading), f"{what} shows a device that is gone as if it were there")
    return f"seen by {', '.join(calls)}"


def _far_is_gone(reading: LinkReading | ErrorReading) -> bool:
    if isinstance(reading.far, Unavailable):
        return True
    ends = (known(reading.near), known(reading.far)) if isinstance(reading, LinkReading) else ()
    return any(end is not None and end.active is False for end in ends)


@rule("card", "keep nothing of a lost device but what close gives back")
def a_card_that_came_back_opens(trial: Trial) -> str:
    """A card that was lost and has come back opens anew and carries data."""
    with trial.opened() as card, _lost(trial), suppress(Exception):  # whether close is right, another rule says
        trial.close(card.card)
    try:
        trial.close(trial.connect())
    except Exception as error:
        raise Broken(f"it does not open any more: {told(error)}") from None
    with trial.opened() as card:
        nbytes = card.probe.few
        out, into = Lent(nbytes), Lent(nbytes)
        out.fill(stretch_of(0))
        into.fill_unlike(stretch_of(0))
        came = card.probe.echo(out.view, into.view)
        require(came == nbytes, f"{came} of {nbytes} bytes came back")
        into.require(stretch_of(0), "after the card had come back")
    return f"{nbytes} bytes came back"
