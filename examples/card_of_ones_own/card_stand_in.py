"""Stands in for a card: listens on the loopback address, says hello, and echoes, faithfully or with one fault.

    python card_stand_in.py [--port N] [--corrupt-at BYTE | --stall-at BYTE]

prints on its first line what to open. Bytes are counted from the start of each connection. It ends with Ctrl-C.
"""

import argparse
import contextlib
import socketserver
import threading

HELLO = b"echo-card tide-gauge-echo invented-0007 0.9\n"


class Connection(socketserver.BaseRequestHandler):
    corrupt_at = -1
    stall_at = -1

    def handle(self) -> None:
        with contextlib.suppress(ConnectionError):
            self.request.sendall(HELLO)
            position = 0
            while data := bytearray(self.request.recv(65536)):
                corrupt, stall = self.corrupt_at - position, self.stall_at - position
                if 0 <= corrupt < len(data):
                    data[corrupt] ^= 1
                position += len(data)
                if 0 <= stall < len(data):
                    self.request.sendall(data[:stall])
                    threading.Event().wait()  # connected, and silent for ever
                self.request.sendall(data)


class Server(socketserver.ThreadingTCPServer):
    allow_reuse_address = True
    daemon_threads = True


def main() -> None:
    parser = argparse.ArgumentParser(description="a stand-in for a card that echoes over TCP")
    parser.add_argument("--port", type=int, default=7110, help="0 picks a free one")
    parser.add_argument("--corrupt-at", type=int, default=-1, metavar="BYTE", help="that byte comes back wrong")
    parser.add_argument("--stall-at", type=int, default=-1, metavar="BYTE", help="nothing comes back from there on")
    chosen = parser.parse_args()
    Connection.corrupt_at, Connection.stall_at = chosen.corrupt_at, chosen.stall_at
    with Server(("127.0.0.1", chosen.port), Connection) as server, contextlib.suppress(KeyboardInterrupt):
        print(f"tcpcard:127.0.0.1:{server.server_address[1]}", flush=True)
        server.serve_forever()


if __name__ == "__main__":
    main()
