"""What passes over one lane bit by bit, for the slow model of a link: where each byte lies in time, what a bit hits.

Times are unit intervals (UI), one bit of one lane, counted from link up, so the bit with number n of any lane is on the
wire at time n. Bytes of a direction have positions: one symbol time is `width` of them, lane 0 first. The line codes
are the base specification's, from memory: 10 bits a symbol to 5 GT/s; from 8 GT/s blocks of 2 bits sync header and 16
symbols of 8 bits on each lane.
"""

from __future__ import annotations

from attrs import define, frozen

from laneproof.pcie.packets import DLLP_NBYTES, LINK_OVERHEAD_NBYTES

BLOCK_SYMBOLS = 16
BLOCK_BITS = 130
SKP_SYMBOLS_8B10B = 4

# Header and what stands around it: 4 DW for the card's requests, 3 DW for completions (from memory of the standard).
OVERHEAD_NBYTES = {
    "MWr": 16 + LINK_OVERHEAD_NBYTES,
    "MRd": 16 + LINK_OVERHEAD_NBYTES,
    "CplD": 12 + LINK_OVERHEAD_NBYTES,
}
STP_TOKEN_NBYTES = 4
"""128b/130b: start token with length and sequence number; 8b/10b starts a packet with one symbol."""
SDP_TOKEN_NBYTES = 2
EDS_TOKEN_NBYTES = 4


@frozen
class Tlp:
    """A transaction layer packet: which bytes of which work item it carries or asks for."""

    kind: str
    item: int
    offset: int
    nbytes: int

    @property
    def wire_nbytes(self) -> int:
        return OVERHEAD_NBYTES[self.kind] + (0 if self.kind == "MRd" else self.nbytes)


@define(eq=False)
class Sent:
    """One thing put on the wire once: bytes at positions `start` to `end`, and what became of it there.

    `damage`: None; "lcrc" for a packet whose CRC fails; "phy" for one that the receiver's physical layer refused after
    it had begun; "whole" for one that it never saw begin.
    """

    kind: str
    start: int
    end: int
    sequence: int | None = None
    tlp: Tlp | None = None
    damage: str | None = None

    def spoil(self, damage: str) -> None:
        """The worst of several damages counts."""
        self.damage = max(self.damage, damage, key=(None, "lcrc", "phy", "whole").index)


@frozen
class Damage:
    """What one wrong bit does: the receiver reports RxErr, the packet it fell in is spoiled, the link retrains."""

    rx_error: bool
    packet: str | None = None
    retrain: bool = False


@frozen
class Grid:
    """Positions of bytes against unit intervals, for one speed and width."""

    speed_gtps: float
    width: int

    @property
    def blocks(self) -> bool:
        return self.speed_gtps > 5.0

    @property
    def symbol_ui(self) -> float:
        return BLOCK_BITS / BLOCK_SYMBOLS if self.blocks else 10

    def starts(self, position: int) -> int:
        """The first unit interval of the byte at `position`."""
        symbol = position // self.width
        if not self.blocks:
            return 10 * symbol
        return symbol // BLOCK_SYMBOLS * BLOCK_BITS + 2 + 8 * (symbol % BLOCK_SYMBOLS)

    def gone(self, position: int) -> int:
        """The unit interval after the last of all bytes before `position`, in the symbol time that ends them."""
        return self.starts(position - 1) + (8 if self.blocks else 10)

    def symbol_from(self, ui: int) -> int:
        """The position of the first symbol time that starts at `ui` or later."""
        if not self.blocks:
            return -(-ui // 10) * self.width
        block, bit = divmod(ui, BLOCK_BITS)
        return (block * BLOCK_SYMBOLS + max(0, -(-(bit - 2) // 8))) * self.width

    def block_from(self, position: int) -> int:
        """The first position of the block that starts at `position` or later; with 8b/10b, of the symbol time."""
        unit = self.width * (BLOCK_SYMBOLS if self.blocks else 1)
        return -(-position // unit) * unit

    def hit(self, lane: int, ui: int) -> tuple[int, bool]:
        """The position of the byte that bit `ui` of `lane` lies in, and whether in the sync header before it."""
        if not self.blocks:
            return ui // 10 * self.width + lane, False
        block, bit = divmod(ui, BLOCK_BITS)
        symbol = block * BLOCK_SYMBOLS + max(0, bit - 2) // 8
        return symbol * self.width + lane, bit < 2

    def bit_of(self, position: int, bit: int = 0) -> tuple[int, int]:
        """The lane of the byte at `position`, and the number on that lane of the byte's bit `bit`."""
        return position % self.width, self.starts(position) + bit


def damage_of(blocks: bool, sent: Sent | None, position: int, in_sync_header: bool) -> Damage:
    """What a wrong bit at `position` does to `sent`, None for an idle line: the rules of where a wire bit lands.

    8b/10b: any wrong bit is a code or disparity violation, so RxErr wherever it falls; a packet that has begun is
    refused, one whose start symbol is hit is never seen. 128b/130b: inside a packet its CRC fails; a framing token
    (idle is one), a sync header or an ordered set is RxErr and recovery. Reviewed against public quotations of the base
    specification.
    """
    offset = position - sent.start if sent is not None else 0
    packet = sent is not None and sent.kind not in ("SKP", "EDS")
    if not blocks:
        return Damage(rx_error=True, packet=("phy" if offset else "whole") if packet else None)
    if not packet:
        return Damage(rx_error=True, retrain=True)
    if in_sync_header:
        return Damage(rx_error=True, packet="phy" if offset else "whole", retrain=True)
    token = STP_TOKEN_NBYTES if sent is not None and sent.tlp is not None else SDP_TOKEN_NBYTES
    if offset < token:
        return Damage(rx_error=True, packet="whole", retrain=True)
    return Damage(rx_error=False, packet="lcrc")


def dllp(kind: str, start: int, sequence: int | None = None) -> Sent:
    return Sent(kind, start, start + DLLP_NBYTES, sequence)
