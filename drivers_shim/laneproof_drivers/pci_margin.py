"""Margins the receivers of a link through the margining registers of the ports at its ends; writes, on request alone.

The near port's registers reach its own receiver and those of retimers, the card's registers its own; which number is
whose, and what commands mean, is in `laneproof.pcie.margining`. The way of a command, from the base specification 4.0
to 6.0, sections 4.2.13 and 8.4.4, from memory: No Command is written and waited for, then the command, whose echo in
the lane's status comes within 10 ms; a step may take 200 ms to begin. Before it, ASPM is off, and the link may change
neither width nor speed by itself: ASPM that is on is refused here, for the kernel manages it; the other two are held
for the time of a call, and put back.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import PurePosixPath

from attrs import evolve, frozen

from laneproof.clock import Clock, Deadline, MonotonicClock
from laneproof.contract import LaneMargining
from laneproof.errors import DriverFault
from laneproof.on_request import MarginingOffer, MarginingReceiver, MarginPoint
from laneproof.pcie import ConfigSpace, margining, rates
from laneproof.pcie import registers as regs
from laneproof.pcie.margining import Command, Direction
from laneproof.readings import Unavailable
from laneproof_drivers.host_tree import HostTree
from laneproof_drivers.pci_trainer import Write, write_config
from laneproof_drivers.sysfs import PUBLIC_BYTES, PciFunction, Route

ANSWER_S = 0.01
"""Seconds in which a command is echoed."""
BEGIN_S = 0.2
"""Seconds in which a step begins."""
LOOK_EVERY_S = 0.001
SLOWEST_GTPS, FASTEST_GTPS = 16.0, 32.0
"""At 64 GT/s a lane has three eyes, and the parameters another meaning that no public text settles."""
_HELD = ((regs.PCI_EXP_LNKCTL, regs.PCI_EXP_LNKCTL_HAWD), (regs.PCI_EXP_LNKCTL2, regs.PCI_EXP_LNKCTL2_HASD))
"""Hardware Autonomous Width and Speed Disable."""

Read = Callable[[PurePosixPath, int, int], bytes]
"""Reads bytes of a file of /sys: path, offset, how many. Raises OSError."""


def read_config(path: PurePosixPath, at: int, nbytes: int) -> bytes:
    """Read a register alone: each word of configuration space that is read is an access to the port."""
    fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        return os.pread(fd, nbytes, at)
    finally:
        os.close(fd)


@frozen
class _End:
    """One end of the link: its function's address and file, and where two of its capabilities begin."""

    name: str
    config: PurePosixPath
    express: int
    margining: int


@frozen
class _Link:
    near: _End
    far: _End
    speed_gtps: float
    lanes: tuple[int, ...]
    retimers: int

    @property
    def receivers(self) -> tuple[int, ...]:
        between = margining.RETIMER_RECEIVERS[: 2 * self.retimers]
        return (margining.NEAR_RECEIVER, *between, margining.FAR_RECEIVER)

    def end(self, receiver: int) -> _End:
        """Whose registers reach a receiver."""
        return self.far if receiver == margining.FAR_RECEIVER else self.near

    def name(self, receiver: int) -> str:
        if receiver in margining.RETIMER_RECEIVERS:
            return f"receiver {receiver} (a retimer) below {self.near.name}"
        return f"receiver {receiver} ({self.end(receiver).name})"


class PciMargining(LaneMargining):
    """Margins the link between the functions at the ends of two routes."""

    def __init__(
        self,
        tree: HostTree,
        near: Route,
        far: Route,
        *,
        read: Read = read_config,
        write: Write = write_config,
        clock: Clock | None = None,
    ) -> None:
        self._tree = tree
        self._routes = near, far
        self._read = read
        self._write = write
        self._clock = MonotonicClock() if clock is None else clock

    def offered(self, deadline: Deadline) -> MarginingOffer | Unavailable:
        link = self._link()
        if isinstance(link, Unavailable):
            return link
        found: list[MarginingReceiver] = []
        with self._held(link):
            for number in link.receivers:
                deadline.check()
                try:
                    found.append(self._ask(link, number))
                except DriverFault:
                    if number not in margining.RETIMER_RECEIVERS:  # a retimer need not have it
                        raise
        return MarginingOffer(
            receivers=tuple(found),
            speed_gtps=link.speed_gtps,
            wrote="Margining Lane Control, and while that is used Hardware Autonomous Width Disable and Hardware "
            f"Autonomous Speed Disable, of {link.near.name} and {link.far.name}",
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
        link, number = self._link(), receiver.number
        if isinstance(link, Unavailable):
            raise DriverFault(link.why)
        end = link.end(number)
        with self._held(link), self._put_back(link, number, lane):
            self._send(end, lane, margining.error_limit(number, error_limit))
            self._send(end, lane, margining.clear_errors(number))
            deadline.check()
            point = self._step(end, lane, margining.step_to(number, direction, step), dwell_s, deadline)
            now = self._speed(link.near)
            if now != link.speed_gtps:
                raise DriverFault(f"the link left {link.speed_gtps:g} GT/s while lane {lane} was margined")
            if receiver.counts_bits and point.seconds:
                counted = self._send(end, lane, margining.report(number, margining.SAMPLE_COUNT))
                return evolve(point, bits=margining.bits_counted(counted))
        share = receiver.timing_sampling if direction in ("right", "left") else receiver.voltage_sampling
        return evolve(point, bits=share * link.speed_gtps * 1e9 * point.seconds)

    # --- a receiver

    def _ask(self, link: _Link, number: int) -> MarginingReceiver:
        """What it offers, asked on the first lane; all its lanes are alike."""
        end, lane = link.end(number), link.lanes[0]

        def asked(what: int) -> int:
            return self._send(end, lane, margining.report(number, what))

        with self._put_back(link, number, lane):
            can = margining.offered(asked(margining.CAPABILITIES))
            return MarginingReceiver(
                number=number,
                name=link.name(number),
                lanes=link.lanes,
                timing_steps=asked(margining.TIMING_STEPS) & 0x3F,
                timing_offset_ui=(asked(margining.MOST_TIMING) & 0x7F) / 100 or None,
                voltage_steps=asked(margining.VOLTAGE_STEPS) & 0x7F if can.voltage else 0,
                voltage_offset_v=(asked(margining.MOST_VOLTAGE) & 0x7F) / 100 or None if can.voltage else None,
                independent_timing=can.independent_timing,
                independent_voltage=can.voltage and can.independent_voltage,
                independent_sampler=can.independent_sampler,
                counts_bits=can.counts_samples,
                timing_sampling=margining.sampling_rate(asked(margining.TIMING_RATE)),
                voltage_sampling=margining.sampling_rate(asked(margining.VOLTAGE_RATE)) if can.voltage else 1.0,
            )

    def _step(self, end: _End, lane: int, command: Command, dwell_s: float, deadline: Deadline) -> MarginPoint:
        clock, payload = self._clock, self._send(end, lane, command)
        begun_s = clock.now_s()
        while (seen := margining.execution(payload))[0] == "setting up":
            if clock.now_s() - begun_s >= BEGIN_S or deadline.expired:
                return MarginPoint(outcome="not begun", errors=0, seconds=0.0)
            deadline.pause(LOOK_EVERY_S)
            payload = self._status(end, lane) >> 8
        begun_s = clock.now_s()
        while seen[0] == "in progress" and (left_s := dwell_s - (clock.now_s() - begun_s)) > 0 and not deadline.expired:
            deadline.pause(left_s)
            status = self._status(end, lane)
            if not command.answers(status):
                raise DriverFault(f"{end.name}: lane {lane} lost its step: its status became {status:#06x}")
            seen = margining.execution(status >> 8)
        seconds = clock.now_s() - begun_s
        match seen[0]:
            case "refused":
                return MarginPoint(outcome="refused", errors=0, seconds=0.0)
            case "too many errors":
                return MarginPoint(outcome="beyond", errors=seen[1], seconds=seconds)
            case _:
                return MarginPoint(outcome="within", errors=seen[1], seconds=seconds)

    # --- commands

    @contextmanager
    def _put_back(self, link: _Link, number: int, lane: int) -> Iterator[None]:
        """Whatever happens, the lane ends at its normal settings, with no command; it waits 10 ms for each at most."""
        end = link.end(number)
        try:
            yield
        finally:
            try:
                try:
                    self._send(end, lane, margining.normal_settings(number))
                    self._send(end, lane, margining.clear_errors(number))
                finally:
                    self._put(end, _control(end, lane), margining.NO_COMMAND.value)
            except DriverFault as fault:
                raise DriverFault(
                    f"{link.name(number)}: lane {lane} may not be back at its normal settings, which a reset of the "
                    f"link brings: {fault.args[0]}"
                ) from fault

    def _send(self, end: _End, lane: int, command: Command) -> int:
        """Give a command after No Command; return the payload of its answer. Raises DriverFault."""
        status = 0
        for one in (margining.NO_COMMAND, command):
            self._put(end, _control(end, lane), one.value)
            asked_s = self._clock.now_s()
            while True:
                late = self._clock.now_s() - asked_s >= ANSWER_S
                status = self._status(end, lane)
                if one.answers(status):
                    break
                if late:
                    raise DriverFault(
                        f"{end.name}: lane {lane} did not answer the margining command {one.value:#06x} within "
                        f"{ANSWER_S * 1e3:g} ms; its status is {status:#06x}"
                    )
                self._clock.sleep(LOOK_EVERY_S)
        return status >> 8

    @contextmanager
    def _held(self, link: _Link) -> Iterator[None]:
        """The link keeps its width and speed meanwhile; what was written for it is put back, whatever happens."""
        changed: list[tuple[_End, int, int]] = []
        try:
            for end in (link.near, link.far):
                for offset, bit in _HELD:
                    at = end.express + offset
                    value = self._get(end, at)
                    if not value & bit:
                        changed.append((end, at, bit))
                        self._put(end, at, value | bit)
            yield
        finally:
            faults: list[DriverFault] = []
            for end, at, bit in changed:
                try:
                    self._put(end, at, self._get(end, at) & ~bit)
                except DriverFault as fault:  # the other end's registers are put back all the same
                    faults.append(fault)
            if faults:
                raise DriverFault(f"autonomous changes of the link may still be disabled: {faults[0].args[0]}")

    # --- the link

    def _link(self) -> _Link | Unavailable:
        """The link as it is now, or why it cannot be margined."""
        near, far = (route.follow(self._tree) for route in self._routes)
        if near is None or far is None:
            return Unavailable("Linux no longer shows both ends of the link; see the kernel log")
        # Of a card with several functions one has the capability, function 0 as a rule.
        owners = [far.link_owner, *far.siblings()]
        ends: list[tuple[_End, ConfigSpace]] = []
        for candidates in ([near], owners):
            seen = [_end(one) for one in candidates]
            end = next((one for one in seen if not isinstance(one, Unavailable)), seen[0])
            if isinstance(end, Unavailable):
                return end
            ends.append(end)
        (near_end, port), (far_end, _) = ends
        link = port.link
        assert link is not None  # `_end` has looked
        if link.training or link.dl_active is False or not link.width or link.speed_gtps is None:
            return Unavailable(f"{near_end.name} shows its link down, or in training")
        if not SLOWEST_GTPS <= link.speed_gtps <= FASTEST_GTPS:
            only = f"from {SLOWEST_GTPS:g} GT/s on, and is read here up to {FASTEST_GTPS:g} GT/s"
            return Unavailable(f"the link runs at {link.speed_gtps:g} GT/s; margining exists {only}")
        for end, space in ends:
            if why := _not_ready(end.name, space):
                return Unavailable(why)
        return _Link(near_end, far_end, link.speed_gtps, tuple(range(link.width)), link.retimers or 0)

    def _speed(self, end: _End) -> float | None:
        """In GT/s, None while the link trains."""
        status = self._get(end, end.express + regs.PCI_EXP_LNKSTA)
        return None if status & regs.PCI_EXP_LNKSTA_LT else rates.speed_from_code(status & regs.PCI_EXP_LNKSTA_CLS)

    # --- registers

    def _status(self, end: _End, lane: int) -> int:
        return self._get(end, _control(end, lane) + margining.STATUS)

    def _get(self, end: _End, at: int) -> int:
        try:
            data = self._read(end.config, at, 2)
        except OSError as error:
            raise DriverFault(f"{end.name}/config cannot be read: {error.strerror or error}") from error
        if len(data) < 2 or data == b"\xff\xff":
            raise DriverFault(f"{end.name} does not answer at {at:#x} of its configuration space")
        return int.from_bytes(data, "little")

    def _put(self, end: _End, at: int, value: int) -> None:
        try:
            self._write(end.config, at, value.to_bytes(2, "little"))
        except OSError as error:
            raise DriverFault(
                f"{end.name}/config cannot be written: {error.strerror or error}; root may, unless the kernel is "
                "locked down"
            ) from error


def _control(end: _End, lane: int) -> int:
    return end.margining + margining.LANES + margining.LANE_NBYTES * lane


def _end(function: PciFunction) -> tuple[_End, ConfigSpace] | Unavailable:
    """One end of a link that has margining registers, or why not."""
    space = function.config()
    if isinstance(space, Unavailable):
        return space
    if space.size <= PUBLIC_BYTES:
        return Unavailable(f"{function.address}: its margining registers need root")
    express = [one.offset for one in space.capabilities if one.id == regs.PCI_CAP_ID_EXP and not one.extended]
    link = space.link
    if not express or link is None or space.margining is None or link.autonomous_speed_disabled is None:
        return Unavailable(f"{function.address} has no Lane Margining at the Receiver, as ports of 16 GT/s have it")
    return _End(function.address, function.folder / "config", express[0], space.margining.offset), space


def _not_ready(name: str, space: ConfigSpace) -> str:
    """Why an end cannot be margined now, empty where it can."""
    assert space.link is not None
    assert space.margining is not None
    if not space.margining.ready:
        return f"{name} is not ready for margining (Margining Ready is clear)"
    if space.margining.software_ready is False:
        return f"{name} waits for driver software of its own (Margining Software Ready is clear)"
    if space.link.aspm_enabled:
        states = ", ".join(space.link.aspm_enabled)
        return f"{name} has ASPM enabled ({states}), under which a link does not stay in L0; boot with pcie_aspm=off"
    return ""
