"""Lane margining of a simulated link: the eye that a scenario gives a slot, as its receivers' samplers find it.

Errors at an offset are those of a Gaussian edge: the chance that noise carries the edge of the eye beyond the sampling
point, for the half of the bits that have an edge there. What a receiver offers, how noisy it is and how long it takes
are assumptions. Commands do not go through the registers, which show the capability at rest.
"""

from __future__ import annotations

import math
from collections import Counter

from laneproof.clock import Deadline
from laneproof.contract import LaneMargining
from laneproof.errors import DriverFault
from laneproof.on_request import MarginingOffer, MarginingReceiver, MarginPoint
from laneproof.pcie import rates
from laneproof.pcie import registers as regs
from laneproof.pcie.margining import FAR_RECEIVER, MOST_ERRORS, NEAR_RECEIVER, Direction
from laneproof.readings import Unavailable, known
from laneproof_sim.chance import generator
from laneproof_sim.config_space import EXPRESS
from laneproof_sim.observing import NOT_OBSERVABLE
from laneproof_sim.scenario import SLOWEST_MARGINED_GTPS, Eye
from laneproof_sim.slot import OpenSlot

TIMING_STEPS, TIMING_OFFSET_UI = 16, 0.4
VOLTAGE_STEPS, VOLTAGE_OFFSET_V = 32, 0.16
JITTER_PS, NOISE_MV = 0.7, 2.0
"""Standard deviations."""
SETTING_UP_S = 0.01
"""For the commands before and after a step."""


class EyeMargining(LaneMargining):
    """Both receivers of an open slot whose scenario gives it an eye."""

    def __init__(self, opened: OpenSlot) -> None:
        self._opened = opened
        self._visits: Counter[tuple[int, int, str, int]] = Counter()
        """How often each place was measured: noise is another each time."""

    def offered(self, deadline: Deadline) -> MarginingOffer | Unavailable:
        opened = self._opened
        with opened.changed:
            opened.require_card()
            seen = opened.read_link()
            near, far = known(seen.near), known(seen.far)
            if near is None or far is None:
                return Unavailable(NOT_OBSERVABLE)
            if opened.slot.eye is None:
                return Unavailable(f"the scenario of slot {opened.slot.name} gives its link no eye to margin")
            speed, width = near.speed_gtps, near.width
            if speed is None or not width or speed < SLOWEST_MARGINED_GTPS:
                least = f"{SLOWEST_MARGINED_GTPS:g} GT/s"
                return Unavailable(f"the link runs at {speed:g} GT/s; margining exists from {least} on")
            opened.clock.advance_to(opened.clock.now_s() + SETTING_UP_S)
            return MarginingOffer(
                receivers=tuple(
                    _receiver(number, name, width)
                    for number, name in ((NEAR_RECEIVER, near.name), (FAR_RECEIVER, far.name))
                ),
                speed_gtps=speed,
                wrote=f"Margining Lane Control of the simulated {near.name} and {far.name}",
            )

    def margin(
        self,
        receiver: MarginingReceiver,
        lane: int,
        direction: Direction,
        step: int,
        *,
        dwell_s: float,
        error_limit: int,
        deadline: Deadline,
    ) -> MarginPoint:
        opened, eye = self._opened, self._opened.slot.eye
        with opened.changed:
            opened.require_card()
            status = opened.near.hardware(EXPRESS + regs.PCI_EXP_LNKSTA, 2)  # a whole reading takes far longer
            speed = rates.speed_from_code(status & regs.PCI_EXP_LNKSTA_CLS)
            lanes = opened.link.trained.lanes
            if eye is None or speed is None or speed < SLOWEST_MARGINED_GTPS or lane >= len(lanes):
                raise DriverFault(f"slot {opened.slot.name}: its link is no more as it was when margining was offered")
            place = (receiver.number, lane, direction, step)
            self._visits[place] += 1
            opened.clock.advance_to(opened.clock.now_s() + SETTING_UP_S)
            dwell_s = min(dwell_s, deadline.left_s())
            bits = dwell_s * speed * 1e9
            share = (eye.to_card if receiver.number == FAR_RECEIVER else eye.from_card)[lanes[lane]]
            expected = bits * _error_rate(eye, share, direction, step, speed)
            dice = generator("margin", opened.seed, opened.slot.name, *place, self._visits[place])
            counted = int(dice.poisson(min(expected, 1e9)))
            beyond = counted > error_limit
            seconds = dwell_s * (error_limit + 1) / counted if beyond else dwell_s
            opened.clock.advance_to(opened.clock.now_s() + seconds)
            return MarginPoint(
                outcome="beyond" if beyond else "within",
                errors=min(MOST_ERRORS, error_limit + 1 if beyond else counted),
                seconds=seconds,
                bits=seconds * speed * 1e9,
            )


def _receiver(number: int, name: str, width: int) -> MarginingReceiver:
    return MarginingReceiver(
        number=number,
        name=name,
        lanes=tuple(range(width)),
        timing_steps=TIMING_STEPS,
        timing_offset_ui=TIMING_OFFSET_UI,
        voltage_steps=VOLTAGE_STEPS,
        voltage_offset_v=VOLTAGE_OFFSET_V,
        independent_timing=True,
        independent_voltage=True,
        independent_sampler=True,
    )


def _error_rate(eye: Eye, share: float, direction: Direction, step: int, speed_gtps: float) -> float:
    """Wrong bits per bit with the sampling point at that step, the eye's middle being where it is by itself."""
    if direction in ("right", "left"):
        offset = step / TIMING_STEPS * TIMING_OFFSET_UI * 1e3 / speed_gtps
        left, sigma = share * eye.width / 2 - offset, JITTER_PS
    else:
        offset = step / VOLTAGE_STEPS * VOLTAGE_OFFSET_V * 1e3
        left, sigma = share * eye.height / 2 - offset, NOISE_MV
    return 0.25 * math.erfc(left / sigma / math.sqrt(2))
