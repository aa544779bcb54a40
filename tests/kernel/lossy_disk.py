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
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

SECTOR = 512
"""Bytes that a disk writes whole or not at all."""

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

    def __init__(self, image: Path, path: Path, seed: int) -> None:
        self._content = bytearray(image.read_bytes())
        """What reads see."""
        self._kept = bytearray(self._content)
        """What a power cut leaves for sure."""
        self._unflushed: set[int] = set()
        self._image, self._random = image, random.Random(seed)
        self._lock = threading.Lock()
        self._listener = socket.socket(socket.AF_UNIX)
        self._listener.bind(str(path))
        self._listener.listen(1)
        self._client: socket.socket | None = None
        self._cut = False
        self.flushes = 0
        self.url = f"nbd+unix:///?socket={path}"
        threading.Thread(target=self._serve, daemon=True).start()

    def cut(self) -> tuple[int, int]:
        """The power fails: how many unflushed sectors reached the image, and how many did not."""
        with self._lock:
            self._cut = True
            waiting = sorted(self._unflushed)
            lucky = [sector for sector in waiting if self._random.random() < 0.5]
            for sector in lucky:
                at = slice(sector * SECTOR, (sector + 1) * SECTOR)
                self._kept[at] = self._content[at]
            self._image.write_bytes(self._kept)
        self.close()
        return len(lucky), len(waiting) - len(lucky)

    def close(self) -> None:
        for one in (self._listener, self._client):
            if one is not None:
                with suppress(OSError):
                    one.shutdown(socket.SHUT_RDWR)
                one.close()

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
            with self._lock:
                if self._cut:
                    return
                answer = work[kind](offset, nbytes, data) if kind in work else b""
                if flags & _FORCE:
                    self._keep(range(offset // SECTOR, -(-(offset + nbytes) // SECTOR)))
            error = 0 if kind in work else _EINVAL
            client.sendall(struct.pack(">IIQ", _SIMPLE, error, cookie) + answer)

    def _write(self, offset: int, nbytes: int, data: bytes) -> bytes:
        self._content[offset : offset + nbytes] = data
        self._unflushed.update(range(offset // SECTOR, -(-(offset + nbytes) // SECTOR)))
        return b""

    def _flush(self) -> bytes:
        self.flushes += 1
        self._keep(tuple(self._unflushed))
        return b""

    def _keep(self, sectors: range | tuple[int, ...]) -> None:
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
