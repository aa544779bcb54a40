"""The way from a root port down to a function: its links, the one that carries least, payload sizes that clash."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from attrs import frozen

from laneproof.errors import BadInput
from laneproof.pcie import ConfigSpace, Payload, bottleneck, link_bytes_per_s
from laneproof.readings import known
from laneproof.units import format_bytes_per_s
from laneproof_drivers.link_files import read_end
from laneproof_drivers.sysfs import PciFunction


@frozen
class PathLink:
    """One link of a path: the port above it, and what is below on the way to the function."""

    port: PciFunction
    below: PciFunction

    def trained(self) -> tuple[float, int] | None:
        """Speed in GT/s and width, as either end shows them."""
        ends = [known(read_end(end).partner) for end in (self.below, self.port)]
        speed_gtps = next((end.speed_gtps for end in ends if end is not None and end.speed_gtps), None)
        width = next((end.width for end in ends if end is not None and end.width), None)
        return None if speed_gtps is None or width is None else (speed_gtps, width)


def path_to(function: PciFunction) -> tuple[PathLink, ...]:
    """Every link between this function and its root port, the root port's first."""
    links: list[PathLink] = []
    below = function
    while (bridge := below.bridge) is not None:
        if bridge.faces_down():
            links.insert(0, PathLink(bridge, below))
        below = bridge
    return tuple(links)


@frozen
class Slowest:
    """The link of a path that carries least, and its rate before packets and protocol cost anything."""

    link: PathLink
    speed_gtps: float
    width: int

    @property
    def bytes_per_s(self) -> float:
        return link_bytes_per_s(self.speed_gtps, self.width)

    def limits(self, link: PathLink) -> bool:
        """Whether the other link could carry more than this one."""
        trained = link.trained()
        return trained is not None and link_bytes_per_s(*trained) > self.bytes_per_s

    def __str__(self) -> str:
        rate = format_bytes_per_s(self.bytes_per_s)
        return f"{self.link.port.address} to {self.link.below.address}: {self.speed_gtps:g} GT/s x{self.width}, {rate}"


def slowest(path: Sequence[PathLink]) -> Slowest | None:
    """None where not every link's speed and width are known. Bandwidth decides, not the generation."""
    rates = [rate for link in path if (rate := link.trained()) is not None]
    if not path or len(rates) < len(path):
        return None
    try:
        index = bottleneck(rates)
    except BadInput:  # a speed that no standard has
        return None
    return Slowest(path[index], *rates[index])


def payload_remarks(path: Sequence[PathLink]) -> Iterator[str]:
    """Where packets that one function may send are larger than another on the way takes; and room not used.

    A receiver refuses what is larger than the payload set at it (malformed TLP). What a card writes is limited by the
    payload set at the card; what answers its reads, by the payload set at the root port and the card's read request.
    """
    if not path:
        return
    card = path[-1].below
    way = dict.fromkeys(function for link in path for function in (link.port, link.below))
    settings = {function.address: payload for function in way if (payload := _payload(function)) is not None}
    sizes = {address: payload.set for address, payload in settings.items() if payload.set}
    own = settings.get(card.address)
    if own is None or not own.set or len(sizes) < 2:
        return
    smallest = min(sizes, key=lambda address: sizes[address])
    root = path[0].port.address
    if own.set > sizes[smallest]:
        yield (
            f"payload sizes clash: {card.address} may write {own.set} bytes at once, and {smallest} takes "
            f"{sizes[smallest]}; larger packets are refused as malformed"
        )
    elif sizes.get(root, 0) > sizes[smallest]:
        answer = min(sizes[root], own.read_request or sizes[root])
        if answer > sizes[smallest]:
            yield (
                f"payload sizes clash: {root} may answer reads with {answer} bytes at once, and {smallest} takes "
                f"{sizes[smallest]}; larger packets are refused as malformed"
            )
        else:
            yield (
                f"payload sizes differ, {sizes[root]} bytes at {root} and {sizes[smallest]} at {smallest}, and do not "
                f"clash: {card.address} asks for {own.read_request} bytes at most"
            )
    elif len(sizes) == len(way) and all(payload.supported for payload in settings.values()):
        able = min(payload.supported or 0 for payload in settings.values())
        if able > own.set:
            yield f"payload is set to {own.set} bytes, and all on the path can take {able}: more packets than need be"


def _payload(function: PciFunction) -> Payload | None:
    space = function.config()
    return space.payload if isinstance(space, ConfigSpace) else None
