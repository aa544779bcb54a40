"""This computer's PCI Express links as Linux shows them, without privilege: each port and what is plugged into it.

Goes through the functions and gathers what holds for the whole computer. One link is put together in `host_links`; how
Linux's files are read is said in the modules that read them. A recording is surveyed in the same way.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from pathlib import Path

from laneproof.clock import Deadline
from laneproof.contract import RecordingHost
from laneproof.errors import NotOffered
from laneproof.readings import Check, HostLink, HostSurvey, PartnerLink, Unavailable, Use
from laneproof_drivers import kernel_settings
from laneproof_drivers.card_readiness import Computer
from laneproof_drivers.host_links import half_hidden_link, link_below
from laneproof_drivers.host_readiness import readiness
from laneproof_drivers.host_tree import HostTree, this_computer
from laneproof_drivers.link_files import read_end
from laneproof_drivers.recorded_tree import NotedTree, packed, tree_at
from laneproof_drivers.recording import as_recorded
from laneproof_drivers.slot_files import read_slots
from laneproof_drivers.sysfs import PUBLIC_BYTES, Functions, PciFunction, functions

_PRIVILEGED = (
    "link activity, payload sizes, power limits, error flags and lanes of {}: root (CAP_SYS_ADMIN), for Linux lets "
    "others read 64 bytes of configuration space"
)
_WIRING = "lanes that the slots have wired: root (CAP_DAC_READ_SEARCH), for the firmware's slot records are root's"
_EMULATED = (
    "a hypervisor runs this computer: ports and links that are shown here may be of its making, and need not tell of "
    "the wires"
)


class LinuxHost(RecordingHost):
    """Reads this computer, or the recording at `root`: a folder with sys and proc in it, or a tar file of one."""

    def __init__(self, root: Path | None = None) -> None:
        self._tree: HostTree = this_computer() if root is None else tree_at(root)

    def within(self, recording: os.PathLike[str]) -> LinuxHost:
        return LinuxHost(Path(recording))

    def survey(self, deadline: Deadline) -> HostSurvey:
        """Every link, by the near port's address. Never fails over what Linux does or does not show."""
        return _survey(NotedTree(self._tree), deadline)

    def readiness(self, uses: Sequence[Use], deadline: Deadline) -> tuple[Check, ...]:
        """Raises NotOffered for a recording: whether a computer is ready shows on itself alone."""
        if self._tree.name:
            raise NotOffered("a recording does not tell whether a computer is ready; run it there")
        return readiness(Computer(self._tree), uses, deadline)

    def record(self, deadline: Deadline, *, with_serials: bool = False) -> bytes:
        noted = NotedTree(self._tree)
        _survey(noted, deadline)
        return packed(as_recorded(noted.noted(), with_serials=with_serials))


def _survey(tree: HostTree, deadline: Deadline) -> HostSurvey:
    given = kernel_settings.arguments(tree)
    policy = kernel_settings.aspm_policy(tree)
    remarks = [
        f"{argument} on the kernel's command line: {kernel_settings.EFFECTS[argument]}"
        for argument in given
        if argument in kernel_settings.EFFECTS
    ]
    if policy is not None and policy.startswith("powersave"):
        remarks.append(f"the policy for link power states is {policy}: idle links sleep, so judge them under load")
    if kernel_settings.under_hypervisor(tree):
        remarks.append(_EMULATED)
    found = functions(tree)
    links: list[HostLink] = []
    missing: list[str] = []
    if isinstance(found, Unavailable):
        remarks.append(found.why)
    else:
        remarks += found.remarks
        links, missing = _links(tree, found, remarks, deadline)
    return HostSurvey(
        host=_name(tree),
        links=tuple(links),
        remarks=tuple(remarks),
        missing=tuple(missing),
        kernel=kernel_settings.release(tree),
        kernel_arguments=given,
        aspm_policy=policy,
    )


def _links(
    tree: HostTree, listed: Functions, remarks: list[str], deadline: Deadline
) -> tuple[list[HostLink], list[str]]:
    """The links, and what this user may not read; what was left out is added to `remarks`."""
    slots = read_slots(tree)
    links: list[HostLink] = []
    linkless: list[str] = []
    hidden: list[str] = []
    for function in listed.found:  # before their configuration is read, which wakes them
        function.text("power/runtime_status")
    for position, function in enumerate(listed.found):
        deadline.check()
        if deadline.expired:
            left = len(listed.found) - position
            remarks.append(f"stopped at the deadline: {left} of {len(listed.found)} functions not read")
            break
        if function.faces_down():
            links.append(link_below(function, slots))
        elif function.port is None and isinstance(read_end(function).partner, PartnerLink):
            links.append(half_hidden_link(function))
        elif function.port is None:
            linkless.append(function.address)
        if function.shows_link() and _is_cut(function):
            hidden.append(function.address)
    if linkless:
        remarks.append(
            f"no link to show for {_listed(linkless)}: part of the processor or chipset, or, in a virtual machine, "
            "the link above these functions is the hypervisor's and not shown"
        )
    missing = [_PRIVILEGED.format(_listed(hidden))] if hidden else []
    return links, [*missing, _WIRING] if slots.refused else missing


def _is_cut(function: PciFunction) -> bool:
    image = function.image()
    return not isinstance(image, Unavailable) and len(image) == PUBLIC_BYTES


def _name(tree: HostTree) -> str:
    if tree.name:
        return tree.name
    system = os.uname()
    return f"{system.nodename}, Linux {system.release}"


def _listed(addresses: Iterable[str]) -> str:
    first = list(addresses)
    shown = ", ".join(first[:4])
    return shown if len(first) <= 4 else f"{shown} and {len(first) - 4} more"


host = LinuxHost()
