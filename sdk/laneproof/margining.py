"""`Margining`: lane margining at the receivers of an open card's link, as `Endpoint.margining` gives it to a user.

What a driver implements for it is `LaneMargining`, in `on_request`; what a plan makes of it is the step `margin`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import final

from laneproof.calls import Call
from laneproof.errors import BadInput
from laneproof.moving import in_driver
from laneproof.on_request import LaneMargining, MarginingOffer, MarginingReceiver, MarginPoint
from laneproof.pcie.margining import MOST_ERRORS, Direction
from laneproof.readings import Unavailable

CONTROL_TIMEOUT_S = 10.0


@final
class Margining:
    """The receivers of one link. Every call writes registers at both ends, and leaves them as they were.

    Nothing may move data meanwhile: EndpointBusy else.
    """

    def __init__(self, part: LaneMargining, alone: Callable[[str], Call]) -> None:
        self._part = part
        self._alone = alone

    def offered(self, timeout: float = CONTROL_TIMEOUT_S) -> MarginingOffer | Unavailable:
        """Which receivers can be margined now, or why none can."""
        with self._alone("margining") as call, in_driver():
            return self._part.offered(call.begin(timeout))

    def measure(
        self,
        receiver: MarginingReceiver,
        lane: int,
        direction: Direction,
        step: int,
        *,
        dwell: float = 0.1,
        error_limit: int = 4,
        timeout: float = CONTROL_TIMEOUT_S,
    ) -> MarginPoint:
        """Errors with the sampling point of one lane `step` steps off for `dwell` seconds, which is then put back.

        It ends once more than `error_limit` errors are counted. `receiver` is one of those `offered`. Raises
        DriverFault where the link does not stay as it is or the receiver does not answer, BadInput.
        """
        steps = receiver.timing_steps if direction in ("right", "left") else receiver.voltage_steps
        with self._alone("margin") as call:
            if lane not in receiver.lanes or not 1 <= step <= steps:
                has = f"{receiver.name} has lanes {receiver.lanes} and {steps} steps to the {direction}"
                raise BadInput(f"step {step} of lane {lane} is not there: {has}")
            if not 0 <= error_limit <= MOST_ERRORS or dwell < 0:
                raise BadInput(
                    f"error_limit={error_limit}, dwell={dwell}: use 0 to {MOST_ERRORS}, and no time below zero"
                )
            with in_driver():
                return self._part.margin(
                    receiver,
                    lane,
                    direction,
                    step,
                    dwell_s=dwell,
                    error_limit=error_limit,
                    deadline=call.begin(timeout + dwell),
                )
