"""The few calls of the CUDA driver library that a card needs, with their error codes turned into laneproof's errors.

Names and numbers are those of the library's public header, cuda.h. Nothing here knows of transfers.
"""

from __future__ import annotations

import ctypes
from ctypes import byref, c_char_p, c_int, c_size_t, c_uint, c_uint64, c_void_p
from typing import Any

from laneproof.errors import CannotOpen, DeviceLost, DriverFault

NOT_READY = 600
_GONE = {46: "device unavailable", 100: "no device", 214: "uncorrectable memory error", 719: "launch failure"}
"""Codes after which the device answers no more in this process, from memory of cuda.h."""
_PORTABLE = 0x01
_NO_TIMING = 0x02
_NON_BLOCKING = 0x01


class Library:
    """libcuda, loaded once. Raises CannotOpen where it is missing or finds no driver."""

    def __init__(self) -> None:
        try:
            self._dll = ctypes.CDLL("libcuda.so.1")
        except OSError as error:
            raise CannotOpen(f"the GPU's driver library cannot be loaded ({error}); install the GPU's driver") from None
        code = self._dll.cuInit(c_uint(0))
        if code:
            raise CannotOpen(f"the GPU's driver did not start: {self.text(code)}; see that its kernel module is loaded")

    def call(self, name: str, *arguments: Any) -> int:
        """Call `name`; return 0, or NOT_READY. Raises DeviceLost or DriverFault for any other code."""
        code = getattr(self._dll, name)(*arguments)
        if code in (0, NOT_READY):
            return code
        if code in _GONE:
            raise DeviceLost(f"{name}: {self.text(code)}; the GPU answers no more, see the kernel log")
        raise DriverFault(f"{name}: {self.text(code)}")

    def text(self, code: int) -> str:
        """The library's own words for a code."""
        words = c_char_p()
        if self._dll.cuGetErrorString(code, byref(words)) or words.value is None:
            return f"error {code}"
        return words.value.decode("ascii", "replace")

    # --- devices

    def devices(self) -> list[tuple[int, str, str]]:
        """Handle, PCI address as Linux writes it, and name of each device."""
        count = c_int()
        self.call("cuDeviceGetCount", byref(count))
        return [self._device(number) for number in range(count.value)]

    def _device(self, number: int) -> tuple[int, str, str]:
        handle, address, name = c_int(), ctypes.create_string_buffer(64), ctypes.create_string_buffer(128)
        self.call("cuDeviceGet", byref(handle), number)
        self.call("cuDeviceGetPCIBusId", address, 64, handle)
        self.call("cuDeviceGetName", name, 128, handle)
        return handle.value, address.value.decode().lower(), name.value.decode("utf-8", "replace")

    def version(self) -> str:
        version = c_int()
        self.call("cuDriverGetVersion", byref(version))
        return f"{version.value // 1000}.{version.value % 1000 // 10}"

    def context(self, device: int) -> c_void_p:
        context = c_void_p()
        self.call("cuDevicePrimaryCtxRetain", byref(context), device)
        return context

    def leave(self, device: int) -> None:
        self.call("cuDevicePrimaryCtxRelease_v2", device)

    def enter(self, context: c_void_p) -> None:
        """Make `context` the calling thread's: any thread may call a path."""
        self.call("cuCtxSetCurrent", context)

    # --- memory

    def lock_pages(self, pointer: int, nbytes: int) -> None:
        """Page-lock host memory, so that the device reaches it by itself."""
        self.call("cuMemHostRegister_v2", c_void_p(pointer), c_size_t(nbytes), c_uint(_PORTABLE))

    def unlock_pages(self, pointer: int) -> None:
        self.call("cuMemHostUnregister", c_void_p(pointer))

    def card_memory(self, nbytes: int) -> int:
        pointer = c_uint64()
        self.call("cuMemAlloc_v2", byref(pointer), c_size_t(nbytes))
        return pointer.value

    def free_card(self, pointer: int) -> None:
        self.call("cuMemFree_v2", c_uint64(pointer))

    # --- copies, in order within a stream

    def stream(self) -> c_void_p:
        stream = c_void_p()
        self.call("cuStreamCreate", byref(stream), c_uint(_NON_BLOCKING))
        return stream

    def end_stream(self, stream: c_void_p) -> None:
        """Wait for what is queued on it first: afterwards no buffer is touched."""
        self.call("cuStreamSynchronize", stream)
        self.call("cuStreamDestroy_v2", stream)

    def event(self) -> c_void_p:
        event = c_void_p()
        self.call("cuEventCreate", byref(event), c_uint(_NO_TIMING))
        return event

    def end_event(self, event: c_void_p) -> None:
        self.call("cuEventDestroy_v2", event)

    def to_card(self, card: int, host: int, nbytes: int, stream: c_void_p) -> None:
        self.call("cuMemcpyHtoDAsync_v2", c_uint64(card), c_void_p(host), c_size_t(nbytes), stream)

    def from_card(self, host: int, card: int, nbytes: int, stream: c_void_p) -> None:
        self.call("cuMemcpyDtoHAsync_v2", c_void_p(host), c_uint64(card), c_size_t(nbytes), stream)

    def record(self, event: c_void_p, stream: c_void_p) -> None:
        self.call("cuEventRecord", event, stream)

    def follow(self, stream: c_void_p, event: c_void_p) -> None:
        """What is queued on `stream` from here on waits for `event`."""
        self.call("cuStreamWaitEvent", stream, event, c_uint(0))

    def passed(self, event: c_void_p) -> bool:
        return self.call("cuEventQuery", event) == 0
