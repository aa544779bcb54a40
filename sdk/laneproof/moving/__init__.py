"""How bytes move over each kind of path: all of a buffer, out and back, and through an overlapped check.

An endpoint's channel holds one `Mover`, chosen by the kind of path that the driver offers. Who may call when, error
mapping and recovery are the endpoint's business.
"""

from laneproof.contract import Channel, QueuedPath, StreamPath
from laneproof.errors import NotOffered
from laneproof.moving.blocks import CheckJob
from laneproof.moving.mover import Mover, in_driver
from laneproof.moving.queue import QueueMover
from laneproof.moving.stream import StreamMover

__all__ = ["CheckJob", "Mover", "QueueMover", "StreamMover", "in_driver", "mover_for"]


def mover_for(channel: Channel) -> Mover:
    """The mover for a channel's kind of path. Raises NotOffered for a path that cannot be moved over yet."""
    path = channel.path
    if isinstance(path, StreamPath):
        return StreamMover(path, channel.limits)
    if isinstance(path, QueuedPath):
        return QueueMover(path, channel.limits)
    raise NotOffered(
        f"channel {channel.name} has a {type(path).__name__}; data moves over a StreamPath or a QueuedPath"
    )
