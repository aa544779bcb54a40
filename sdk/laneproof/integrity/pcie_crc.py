"""The CRCs that PCI Express puts on its packets: LCRC, ECRC and that of DLLPs. Outside FLIT mode, which has others.

All three take each byte's least significant bit first, start from all ones and are complemented at the end. They go
out least significant byte of the number returned here first (base specification, bit mapping of the three fields,
from memory; warp-pipe's `src/crc.c`, an open implementation of PCI Express over TCP, has LCRC and DLLP so too).
"""

from __future__ import annotations

from laneproof.errors import BadInput
from laneproof.integrity.buffers import Bytes, byte_view
from laneproof.integrity.crc import crc32, one_zero_byte

_REFLECTED_DLLP_POLYNOMIAL = 0xD008  # 100B, least significant bit first
_DLLP_BYTES = 4
_SEQUENCE_NUMBER_BYTES = 2
_SHORTEST_TLP_BYTES = 12
_LONGEST_TLP_BYTES = 4 * 4 + 4096  # a header of four double words and the largest payload


def lcrc(packet: object) -> int:
    """LCRC, 32 bits: of a sequence number and the TLP behind it.

    `packet` is a buffer of two bytes (four zero bits, then the 12 bits of the sequence number, most significant byte
    first) and the TLP as it goes out, prefixes and ECRC included. Framing is no part of it.
    Raises BadInput where the length is none of such a packet.
    """
    data = byte_view(packet)
    if data.size < _SEQUENCE_NUMBER_BYTES + _SHORTEST_TLP_BYTES or data.size % 4 != _SEQUENCE_NUMBER_BYTES:
        raise BadInput(
            f"lcrc: {data.size} bytes are no sequence number and TLP; give 2 bytes and a TLP of 12 bytes or more in "
            "double words, without framing and LCRC"
        )
    return crc32(data)


def ecrc(tlp: object) -> int:
    """ECRC, 32 bits, the TLP digest: of header and payload, which bridges and switches pass on unchanged.

    What they may change counts as 1: Type[0], which is bit 0 of the first byte, and EP, bit 6 of the third (base
    specification, from memory). `tlp` is a buffer of header and payload, as they go out, without prefixes and digest;
    TD, bit 7 of the third byte, is 1, for it says that there is a digest.
    Raises BadInput where the length is none of such a packet, for a prefix in front, and where TD is 0.
    """
    data = byte_view(tlp)
    if not _SHORTEST_TLP_BYTES <= data.size <= _LONGEST_TLP_BYTES or data.size % 4:
        raise BadInput(
            f"ecrc: {data.size} bytes are no TLP; give header and payload, 12 to {_LONGEST_TLP_BYTES} bytes in "
            "double words, without the digest"
        )
    if data[0] >> 5 == 0b100:
        raise BadInput(f"ecrc: the packet starts with a prefix, {data[0]:#04x}; give it without its prefixes")
    if not data[2] & 0x80:
        raise BadInput("ecrc: TD is 0, so this TLP has no ECRC; set bit 7 of its third byte")
    return crc32(_invariant(data))


def dllp_crc16(dllp: object) -> int:
    """The CRC, 16 bits, of a DLLP's four bytes. Raises BadInput for any other number of bytes."""
    data = byte_view(dllp)
    if data.size != _DLLP_BYTES:
        raise BadInput(f"dllp_crc16: a DLLP has 4 bytes before its CRC, these are {data.size}; give those 4 alone")
    step = one_zero_byte(_REFLECTED_DLLP_POLYNOMIAL, 16)
    register = 0xFFFF
    for byte in data.tolist():
        register = step(register ^ byte)
    return register ^ 0xFFFF


def _invariant(tlp: Bytes) -> Bytes:
    tlp = tlp.copy()
    tlp[0] |= 0x01
    tlp[2] |= 0x40
    return tlp
