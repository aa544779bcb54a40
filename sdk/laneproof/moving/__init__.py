"""How bytes move over each kind of path: all of a buffer, out and back, and through an overlapped check.

An endpoint's channel holds one `Mover`, chosen by the kind of path that the driver offers. Who may call when, error
mapping and recovery are the endpoint's business.
"""

from typing import cast

from laneproof.contract import Channel, QueuedPath, StreamPath, WindowPath
from laneproof.errors import NotOffered
from laneproof.moving.blocks import CheckJob
from laneproof.moving.lanes import Allocate
from laneproof.moving.mover import Mover, in_driver
from laneproof.moving.queue import QueueMover
from laneproof.moving.stream import StreamMover
from laneproof.moving.window import WindowMover

__all__ = ["Allocate", "CheckJob", "Mover", "QueueMover", "StreamMover", "WindowMover", "in_driver", "mover_for"]


def mover_for(channel: Channel, allocate: Allocate | None = None) -> Mover:
    """The mover for a channel's kind of path; a queue's checks `allocate` their memory, where the card can.

    Raises NotOffered for what is no path, DriverFault for one that can move nothing.
    """
    path = cast("object", channel.path)  # as given by a driver, whatever its types say
    if isinstance(path, StreamPath):
        return StreamMover(path, channel.limits)
    if isinstance(path, QueuedPath):
        return QueueMover(path, channel.limits, allocate)
    if isinstance(path, WindowPath):
        return WindowMover(path, channel.limits)
    raise NotOffered(
        f"channel {channel.name} has a {type(path).__name__}; data moves over a StreamPath, QueuedPath or WindowPath"
    )
