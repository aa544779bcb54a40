"""A process that echoes bytes, faithfully or with one fault, as a card behind a character device would.

    python tests/drivers_shim/echo_process.py --mode corrupt --at 1000000

prints on its first line what to open (`chardev:` before it makes an endpoint), then echoes until it is killed:
a pseudo-terminal by default, a pair of FIFOs with --fifos OUT IN, a UNIX-domain stream socket with --socket PATH.
Positions count the bytes received since the start. Needs the standard library only.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import pty
import socket
import sys
import time
import tty

MODES = {
    "plain": "every byte comes back",
    "short": "at most 7 bytes at a time",
    "slow": "4 KiB at a time, with a pause before each",
    "corrupt": "the byte at --at comes back with its lowest bit flipped",
    "drop": "--count bytes from --at on do not come back",
    "add": "--count bytes of A5 hexadecimal come back before the one at --at",
    "stall": "takes everything, brings nothing back from --at on",
    "deaf": "takes and brings nothing from --at on, so that the writer fills what lies between and blocks",
    "die": "ends, as a card that leaves, once --at bytes have come back",
}
PAUSE_S = 0.005


def echo(read_fd: int, write_fd: int, mode: str, at: int, count: int) -> None:
    """Echo from one descriptor to the other until the input ends, or the mode's fault ends it."""
    largest = {"short": 7, "slow": 4096}.get(mode, 65536)
    received = 0
    while True:
        if mode == "deaf":
            while received >= at:
                time.sleep(3600)
            largest = min(largest, at - received)
        data = os.read(read_fd, largest)
        if not data:
            return
        if mode == "slow":
            time.sleep(PAUSE_S)
        back = damaged(data, received, mode, at, count)
        received += len(data)
        while back:
            back = back[os.write(write_fd, back) :]
        if mode == "die" and received >= at:
            return


def damaged(data: bytes, start: int, mode: str, at: int, count: int) -> bytes:
    """What comes back for `data`, the bytes received from position `start` on."""
    inside = at - start
    if mode in ("stall", "die"):
        return data[: max(0, inside)]
    if mode == "drop":
        return data[: max(0, inside)] + data[max(0, inside + count) :]
    if not 0 <= inside < len(data):
        return data
    if mode == "corrupt":
        return data[:inside] + bytes([data[inside] ^ 1]) + data[inside + 1 :]
    if mode == "add":
        return data[:inside] + b"\xa5" * count + data[inside:]
    return data


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--mode", choices=MODES, default="plain", help="; ".join(f"{k}: {v}" for k, v in MODES.items()))
    parser.add_argument("--at", type=int, default=0, help="position of the fault, in bytes")
    parser.add_argument("--count", type=int, default=1, help="bytes dropped or added")
    parser.add_argument(
        "--fifos", nargs=2, metavar=("OUT", "IN"), help="made if missing; named as the card's user sees them"
    )
    parser.add_argument("--socket", metavar="PATH")
    parser.add_argument(
        "--cooked", action="store_true", help="leave the terminal in the line mode that a kernel starts with"
    )
    given = parser.parse_args()
    fault = (given.mode, given.at, given.count)

    if given.fifos:
        for path in given.fifos:
            with contextlib.suppress(FileExistsError):
                os.mkfifo(path)
        print(",".join(given.fifos), flush=True)
        read_fd = os.open(given.fifos[0], os.O_RDONLY)
        echo(read_fd, os.open(given.fifos[1], os.O_WRONLY), *fault)
    elif given.socket:
        listener = socket.socket(socket.AF_UNIX)
        listener.bind(given.socket)
        listener.listen(1)
        print(given.socket, flush=True)
        while True:
            connection, _ = listener.accept()
            with connection, contextlib.suppress(ConnectionError):
                echo(connection.fileno(), connection.fileno(), *fault)
            if given.mode == "die":
                return
    else:
        # The other end stays open here, so that a user may come and go without ending the echo.
        ours, theirs = pty.openpty()
        if not given.cooked:
            tty.setraw(theirs)
        print(os.ttyname(theirs), flush=True)
        echo(ours, ours, *fault)


if __name__ == "__main__":
    with contextlib.suppress(KeyboardInterrupt, BrokenPipeError):
        main()
    sys.exit(0)
