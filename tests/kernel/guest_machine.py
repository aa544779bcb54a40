"""One QEMU guest: started, asked to call functions of `in_guest`, changed from outside, and ended.

Without hardware virtualisation on purpose, so that it is the same guest everywhere; it boots in seconds all the same.
"""

from __future__ import annotations

import contextlib
import json
import pickle
import re
import shutil
import socket
import struct
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from guest_agent import PORT, packed
from guest_image import Image, Missing

BOOT_S = 120.0
CALL_S = 120.0
KERNEL_OPTIONS = (
    "console=ttyS0 panic=-1 quiet mitigations=off nokaslr random.trust_cpu=on cryptomgr.notests "
    "rcupdate.rcu_expedited=1 "  # so far for a fast start
    "pcie_ports=native"  # error reporting and hotplug are the kernel's, whatever the emulated firmware claims
)
_P = ParamSpec("_P")
_R = TypeVar("_R")


class GuestFailed(Exception):
    """QEMU or the guest ended, did not answer, or raised; the text is what they said."""


class Machine:
    """A running guest."""

    def __init__(self, image: Image, devices: tuple[str, ...], kernel_options: str, options: tuple[str, ...]) -> None:
        qemu = shutil.which("qemu-system-x86_64")
        if qemu is None:
            raise Missing("QEMU is not installed (package qemu-system-x86)")
        with contextlib.ExitStack() as undo:
            self._folder = Path(undo.enter_context(tempfile.TemporaryDirectory(prefix="laneproof-guest-")))
            command = ["setpriv", "--pdeathsig", "KILL"]  # no guest outlives the tests, however they end
            command += [qemu, "-machine", "q35,i8042=off,hpet=off,vmport=off", "-accel", "tcg", "-cpu", "max"]
            command += ["-smp", "1", "-m", "768M", "-nodefaults", "-no-user-config", "-display", "none", "-no-reboot"]
            command += ["-kernel", str(image.kernel), "-initrd", str(image.initramfs)]
            command += ["-append", f"{KERNEL_OPTIONS} {kernel_options}", "-serial", f"file:{self._folder}/console"]
            command += ["-qmp", f"unix:{self._folder}/qmp,server=on,wait=off"]
            command += ["-chardev", f"socket,id=port,path={self._folder}/port,server=on,wait=off"]
            command += ["-device", "virtio-serial-pci,addr=1e.0", "-device", f"virtserialport,chardev=port,name={PORT}"]
            command += ["-global", "ICH9-LPC.acpi-pci-hotplug-with-bridge-support=off"]  # hotplug is the ports' own
            for device in devices:
                command += ["-device", device]
            command += options
            with (self._folder / "qemu").open("wb") as said:
                self._qemu = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=said, stderr=said)
            undo.callback(self._end)
            self._monitor = undo.enter_context(self._connected("qmp"))
            self._port = undo.enter_context(self._connected("port"))
            self._monitor_lines = undo.enter_context(self._monitor.makefile("r"))
            self._monitor_lines.readline()
            self.monitor("qmp_capabilities")
            self._received(BOOT_S)
            self._undo = undo.pop_all()

    def call(self, function: Callable[_P, _R], *arguments: _P.args, **_: _P.kwargs) -> _R:
        """What `function`, found by its name in its module, returns in the guest. Raises GuestFailed."""
        self._port.sendall(packed((function.__module__, function.__name__, arguments)))
        return self._received(CALL_S)

    def monitor(self, command: str, **arguments: Any) -> Any:
        """A command of QEMU's machine protocol. Raises GuestFailed."""
        self._monitor.sendall(json.dumps({"execute": command, "arguments": arguments}).encode() + b"\n")
        while True:
            reply = json.loads(self._monitor_lines.readline() or "null")
            if reply is None:
                raise GuestFailed(self._said("QEMU ended"))
            if "error" in reply:
                raise GuestFailed(f"{command}: {reply['error']['desc']}")
            if "return" in reply:
                return reply["return"]

    def traced(self, event: str, during: Callable[[], object]) -> list[str]:
        """The lines that QEMU traces of an event of its own while `during` is called."""
        self.monitor("trace-event-set-state", name=event, enable=True)
        before = (self._folder / "qemu").stat().st_size
        during()
        self.monitor("trace-event-set-state", name=event, enable=False)
        text = (self._folder / "qemu").read_bytes()[before:].decode("utf-8", "replace")
        return [line for line in text.splitlines() if event in line]

    def set_register(self, header: bytes, offset: int, value: bytes) -> None:
        """Overwrites configuration bytes of the emulated function that has this `header`, its first 64 bytes.

        For registers that are read-only to the guest and that no option of QEMU sets, such as the speed and width of an
        endpoint's link. It is done in QEMU's own memory.
        """
        maps = Path(f"/proc/{self._qemu.pid}/maps").read_text()
        places: list[int] = []
        with open(f"/proc/{self._qemu.pid}/mem", "r+b", buffering=0) as memory:
            for low, high in re.findall(r"^([0-9a-f]+)-([0-9a-f]+) rw-p .*\[heap\]$", maps, re.MULTILINE):
                start = int(low, 16)
                memory.seek(start)
                heap = memory.read(int(high, 16) - start)
                places += [start + match.start() for match in re.finditer(re.escape(header), heap)]
            if len(places) != 1:
                raise GuestFailed(f"QEMU's memory holds this header {len(places)} times")
            memory.seek(places[0] + offset)
            memory.write(value)

    def stop(self) -> None:
        """Ends QEMU, and nothing of it is left."""
        self._undo.close()

    def _connected(self, name: str) -> socket.socket:
        until_s = time.monotonic() + 20
        while True:
            connection = socket.socket(socket.AF_UNIX)
            try:
                connection.connect(str(self._folder / name))
                return connection
            except OSError:
                connection.close()
                if self._qemu.poll() is not None or time.monotonic() > until_s:
                    raise GuestFailed(self._said("QEMU did not start")) from None
                time.sleep(0.01)

    def _received(self, timeout_s: float) -> Any:
        self._port.settimeout(timeout_s)
        (length,) = struct.unpack("<I", self._bytes(4))
        returned, result = pickle.loads(self._bytes(length))
        if not returned:
            raise GuestFailed(f"in the guest:\n{result}")
        return result

    def _bytes(self, nbytes: int) -> bytes:
        data = bytearray()
        while len(data) < nbytes:
            try:
                part = self._port.recv(nbytes - len(data))
            except TimeoutError:
                raise GuestFailed(self._said("the guest does not answer")) from None
            if not part:
                raise GuestFailed(self._said("QEMU ended"))
            data += part
        return bytes(data)

    def _said(self, what: str) -> str:
        texts = [(self._folder / name).read_text(errors="replace")[-2000:] for name in ("qemu", "console")]
        return "\n".join([what, *texts])

    def _end(self) -> None:
        self._qemu.kill()
        self._qemu.wait()


@contextlib.contextmanager
def machine(
    image: Image, devices: tuple[str, ...], kernel_options: str = "", options: tuple[str, ...] = ()
) -> Iterator[Machine]:
    """A guest for the time of a `with` block. `options` are further ones of QEMU."""
    running = Machine(image, devices, kernel_options, options)
    try:
        yield running
    finally:
        running.stop()
