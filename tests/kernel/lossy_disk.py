"""A disk that forgets, on a power cut, what nobody told it to keep: an NBD server that QEMU uses as a guest's disk.

Writes are seen by reads at once, but stand on the image only after a flush, as in a real disk's volatile cache. A cut
keeps some of the unflushed sectors, in no order, and drops the others. Of the Network Block Device protocol it speaks
what QEMU asks for (the protocol's document, doc/proto.md of the nbd project, from memory): fixed newstyle handshake,
NBD_OPT_GO, simple replies.
"""

from __future__ import annotations

import random
import socket
import struct
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

SECTOR = 4096
"""Bytes that a disk writes whole or not at all: a physical sector of the disks of today. With the 512 of old ones ext4
itself may not come back: its superblock has 1024 with one checksum over them."""

_OPTION, _REPLY = b"IHAVEOPT", 0x3E889045565A9
_REQUEST, _SIMPLE = 0x25609513, 0x67446698
_OPT_ABORT, _OPT_GO = 2, 7
_REP_ACK, _REP_INFO, _REP_UNSUPPORTED = 1, 3, 0x80000001
_FLAGS = 1 | 4 | 8  # flags are there, and this server takes flushes and writes that force unit access
_READ, _WRITE, _DISCONNECT, _FLUSH = range(4)
_FORCE = 1
_EINVAL = 22


class LossyDisk:
    """Serves one QEMU at a time, on the Unix socket `path`, the image in the file `image`. A context manager."""

    def __init__(self, image: Path, path: Path, seed: int, *, lies: bool = False) -> None:
        """`lies`: it answers a flush at once and keeps nothing for it."""
        self._content = bytearray(image.read_bytes())
        """What reads see."""
        self._kept = bytearray(self._content)
        """What a power cut leaves for sure."""
        self._unflushed: set[int] = set()
        self._image, self._random, self._lies = image, random.Random(seed), lies
        self._changed = threading.Condition()
        self._listener = socket.socket(socket.AF_UNIX)
        self._listener.bind(str(path))
        self._listener.listen(1)
        self._client: socket.socket | None = None
        self._cut_s: float | None = None
        self._writes_left = 0
        self.url = f"nbd+unix:///?socket={path}"
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def cut(self, writes: int = 0) -> tuple[float, int, int]:
        """The power fails, at once or right after so many more writes: amid a flush's, then, as a rule. If they do not
        come it fails in ten seconds. When that was, how many unflushed sectors reached the image, and how many did not.
        """
        with self._changed:
            self._writes_left = writes
            if writes:
                self._changed.wait_for(lambda: self._cut_s is not None, timeout=10)
            self._cut_s = self._cut_s or time.monotonic()
            waiting = sorted(self._unflushed)
            lucky = [sector for sector in waiting if self._random.random() < 0.5]
            for sector in lucky:
                at = slice(sector * SECTOR, (sector + 1) * SECTOR)
                self._kept[at] = self._content[at]
            self._image.write_bytes(self._kept)
        self.close()
        return self._cut_s, len(lucky), len(waiting) - len(lucky)

    def close(self) -> None:
        for one in (self._listener, self._client):
            if one is not None:
                with suppress(OSError):
                    one.shutdown(socket.SHUT_RDWR)
        self._thread.join()
        self._listener.close()

    def __enter__(self) -> LossyDisk:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _serve(self) -> None:
        with suppress(OSError, EOFError):
            while True:
                self._client, _ = self._listener.accept()
                with suppress(OSError, EOFError):
                    if self._agreed(self._client):
                        self._transmit(self._client)
                self._client.close()

    def _agreed(self, client: socket.socket) -> bool:
        client.sendall(b"NBDMAGIC" + _OPTION + struct.pack(">H", 1 | 2))
        _exactly(client, 4)
        while True:
            magic, option, nbytes = struct.unpack(">8sII", _exactly(client, 16))
            assert magic == _OPTION
            _exactly(client, nbytes)

            def reply(kind: int, data: bytes = b"", option: int = option) -> None:
                client.sendall(struct.pack(">QIII", _REPLY, option, kind, len(data)) + data)

            if option == _OPT_GO:
                reply(_REP_INFO, struct.pack(">HQH", 0, len(self._content), _FLAGS))
                reply(_REP_ACK)
                return True
            reply(_REP_ACK if option == _OPT_ABORT else _REP_UNSUPPORTED)
            if option == _OPT_ABORT:
                return False

    def _transmit(self, client: socket.socket) -> None:
        work: dict[int, Callable[[int, int, bytes], bytes]] = {
            _READ: lambda offset, nbytes, _: bytes(self._content[offset : offset + nbytes]),
            _WRITE: self._write,
            _FLUSH: lambda *_: self._flush(),
        }
        while True:
            magic, flags, kind, cookie, offset, nbytes = struct.unpack(">IHHQQI", _exactly(client, 28))
            assert magic == _REQUEST
            data = _exactly(client, nbytes) if kind == _WRITE else b""
            if kind == _DISCONNECT:
                return
            with self._changed:
                if self._cut_s is not None:
                    return
                answer = work[kind](offset, nbytes, data) if kind in work else b""
                if flags & _FORCE:
                    self._keep(range(offset // SECTOR, -(-(offset + nbytes) // SECTOR)))
                if kind == _WRITE:
                    self._count_down()
            error = 0 if kind in work else _EINVAL
            client.sendall(struct.pack(">IIQ", _SIMPLE, error, cookie) + answer)

    def _write(self, offset: int, nbytes: int, data: bytes) -> bytes:
        self._content[offset : offset + nbytes] = data
        self._unflushed.update(range(offset // SECTOR, -(-(offset + nbytes) // SECTOR)))
        return b""

    def _count_down(self) -> None:
        self._writes_left -= 1
        if self._writes_left == 0:
            self._cut_s = time.monotonic()
            self._changed.notify()

    def _flush(self) -> bytes:
        self._keep(tuple(self._unflushed))
        return b""

    def _keep(self, sectors: range | tuple[int, ...]) -> None:
        if self._lies:
            return
        for sector in sectors:
            at = slice(sector * SECTOR, (sector + 1) * SECTOR)
            self._kept[at] = self._content[at]
        self._unflushed.difference_update(sectors)


def _exactly(client: socket.socket, nbytes: int) -> bytes:
    data = bytearray()
    while len(data) < nbytes:
        more = client.recv(nbytes - len(data))
        if not more:
            raise EOFError
        data += more
    return bytes(data)
