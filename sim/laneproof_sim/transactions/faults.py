"""Faults of the transaction layer: requests that nobody answers or takes, answers that nobody asked for, poison.

Which end sees which error, and what is advice only: base specification, chapter 6.2, from memory, as the project's
check values have it. What a card makes of it is its own affair; here are the ways that DMA engines are known to have.
"""

from __future__ import annotations

from typing import ClassVar, Literal

import attrs
import numpy as np
from attrs import frozen

from laneproof.documents import Seconds
from laneproof.errors import BadInput
from laneproof_sim.quantities import Retries, Several
from laneproof_sim.transactions.packet import Outcome, Packet, Report, TransactionFault, Unit

SHORTEST_TIMEOUT = Seconds(50e-6)
LONGEST_TIMEOUT = Seconds(64.0)
"""Completion timeouts that the base specification knows, from memory; 50 us to 50 ms where none is set."""
DEFAULT_TIMEOUT = Seconds(50e-3)
ONCE = Several(1)
NEVER = Retries(0)
_WRONG_ADDRESS_BIT = 1 << 46
_TAG_BIT = 1 << 3


@frozen(kw_only=True)
class Unanswered(TransactionFault):
    """A read request `lost` times in a row without its completions: the card waits for `timeout`, then asks again.

    After so many `retries` it gives up. Then its transfer fails, or, `hole`, it goes on with what its memory held.
    """

    timeout: Seconds = DEFAULT_TIMEOUT
    lost: Several = ONCE
    retries: Retries = NEVER
    then: Literal["failed", "hole"] = "failed"

    def __attrs_post_init__(self) -> None:
        if not SHORTEST_TIMEOUT <= self.timeout <= LONGEST_TIMEOUT:
            raise BadInput(
                f'timeout: {self.timeout:g} s is none that the standard has; use "{SHORTEST_TIMEOUT * 1e6:g} us" to '
                f'"{LONGEST_TIMEOUT:g} s"'
            )

    @property
    def unit(self) -> Unit:
        return "request"

    def strike(self, packet: Packet, chance: np.random.Generator) -> Outcome:
        round_trip_s = packet.due_s - packet.sent_s
        reports: list[Report] = []
        asked_s = packet.sent_s
        for attempt in range(min(self.lost, self.retries + 1)):
            reports += self._came_instead(packet, asked_s, asked_s + round_trip_s)
            asked_s += self.timeout
            # One that is to be asked again is advice: the card handles it by itself.
            advisory, header = attempt < self.retries, packet.request.read()
            reports.append(Report(at_s=asked_s, end="far", name="CmpltTO", header=header, advisory=advisory))
        if self.lost <= self.retries:
            return Outcome(reports=tuple(reports), until_s=asked_s + round_trip_s)
        return Outcome(
            reports=tuple(reports),
            until_s=asked_s,
            unwritten=self.then == "hole",
            failure=f"a read request had no completion within {self.timeout:g} s" if self.then == "failed" else "",
        )

    def _came_instead(self, packet: Packet, asked_s: float, due_s: float) -> list[Report]:
        """What the card sees where it expects the answer to what it asked at `asked_s`."""
        return []


@frozen(kw_only=True)
class CompletionTimeout(Unanswered):
    """As above; `late` is when the completions come after all, counted from the request, for nobody any more."""

    kind: ClassVar[str] = "completion-timeout"
    cause: ClassVar[str] = "A host, or a switch on the way, that loses a read request or answers it too late."
    seen: ClassVar[str] = "CmpltTO at the card, a flag for advice if it asks again; time lost, failed transfers, holes."

    late: Seconds | None = None

    def __attrs_post_init__(self) -> None:
        super().__attrs_post_init__()
        if self.late is not None and self.late <= self.timeout:
            raise BadInput(f"late: {self.late:g} s is within the timeout of {self.timeout:g} s; make it longer")

    def _came_instead(self, packet: Packet, asked_s: float, due_s: float) -> list[Report]:
        if self.late is None:
            return []
        return [_unexpected(packet, asked_s + self.late, packet.request.tag)]


@frozen(kw_only=True)
class UnexpectedCompletion(Unanswered):
    """A completion comes with a tag that no request has; the one that it was for waits in vain, as above."""

    kind: ClassVar[str] = "unexpected-completion"
    cause: ClassVar[str] = "A host or switch that mixes up tags or routes a completion wrongly."
    seen: ClassVar[str] = "A flag for advice at the card, UnxCmplt if that is unmasked; then CmpltTO."

    def _came_instead(self, packet: Packet, asked_s: float, due_s: float) -> list[Report]:
        return [_unexpected(packet, due_s, packet.request.tag ^ _TAG_BIT)]


def _unexpected(packet: Packet, at_s: float, tag: int) -> Report:
    """The card drops a completion that it did not wait for."""
    header = attrs.evolve(packet.request, tag=tag).completion(nbytes=len(packet.data))
    return Report(at_s=at_s, end="far", name="UnxCmplt", header=header, advisory=True)


@frozen(kw_only=True)
class CompleterAbort(TransactionFault):
    """The host answers one read request with status CA; the card's transfer fails."""

    kind: ClassVar[str] = "completer-abort"
    cause: ClassVar[str] = "A host that may not or cannot answer: memory protection, or an error inside it."
    seen: ClassVar[str] = "The transfer fails; a flag for advice at the near end, CmpltAbrt if that is unmasked."

    @property
    def unit(self) -> Unit:
        return "request"

    def strike(self, packet: Packet, chance: np.random.Generator) -> Outcome:
        aborted = Report(at_s=packet.due_s, end="near", name="CmpltAbrt", header=packet.request.read(), advisory=True)
        return Outcome(reports=(aborted,), until_s=packet.due_s, failure="a read request was answered with status CA")


@frozen(kw_only=True)
class UnsupportedRequest(TransactionFault):
    """The card sends one request to an address where nobody is. A read fails its transfer, a write is lost unseen."""

    kind: ClassVar[str] = "unsupported-request"
    cause: ClassVar[str] = "A wrong address from the card: a bit of its descriptor, or a mapping that is gone."
    seen: ClassVar[str] = "A write: UnsupReq at the near end, a hole. A read: the transfer fails, a flag for advice."

    request: Literal["read", "write"] = "read"

    @property
    def unit(self) -> Unit:
        return "write" if self.request == "write" else "request"

    def strike(self, packet: Packet, chance: np.random.Generator) -> Outcome:
        wrong = attrs.evolve(packet.request, address=packet.request.address ^ _WRONG_ADDRESS_BIT)
        header = wrong.write() if self.request == "write" else wrong.read()
        # One that is answered is for the requester to handle; of a posted one nobody else would ever hear.
        read = self.request == "read"
        refused = Report(at_s=packet.due_s, end="near", name="UnsupReq", header=header, advisory=read)
        return Outcome(
            reports=(refused,),
            until_s=packet.due_s,
            unwritten=not read,
            failure="a read request was answered with status UR" if read else "",
        )


@frozen(kw_only=True)
class Poisoned(TransactionFault):
    """One packet says of its data that they are bad: a completion `to_card`, or a write `from_card`, which is dropped.

    Of a poisoned completion the card makes use all the same, with two wrong bits, or, `failed`, its transfer fails.
    """

    kind: ClassVar[str] = "poisoned"
    cause: ClassVar[str] = "Memory whose errors are detected and not corrected: the host's, or the card's own."
    seen: ClassVar[str] = "PoisonedTLP at the receiver, its header naming the sender, and a hole; if used, wrong bits."

    direction: Literal["to_card", "from_card"]
    then: Literal["used", "failed"] = "used"

    def __attrs_post_init__(self) -> None:
        if self.direction == "from_card" and self.then == "failed":
            raise BadInput(
                'then: no transfer hears of a poisoned write, which the host drops; leave out then = "failed"'
            )

    @property
    def unit(self) -> Unit:
        return "completion" if self.direction == "to_card" else "write"

    def strike(self, packet: Packet, chance: np.random.Generator) -> Outcome:
        if self.direction == "from_card":
            header = packet.request.write(poisoned=True)
            dropped = Report(at_s=packet.due_s, end="near", name="PoisonedTLP", header=header)
            return Outcome(reports=(dropped,), until_s=packet.due_s, unwritten=True)
        header = packet.request.completion(place=packet.place, nbytes=len(packet.data), poisoned=True)
        used = self.then == "used"
        for bit in chance.choice(8 * len(packet.data), min(2, 8 * len(packet.data)), replace=False).tolist():
            packet.data[bit // 8] ^= 1 << bit % 8
        taken = Report(at_s=packet.due_s, end="far", name="PoisonedTLP", header=header, advisory=used)
        failure = "" if used else "a read request was answered with poisoned data"
        return Outcome(reports=(taken,), until_s=packet.due_s, failure=failure)


@frozen(kw_only=True)
class _DroppedWrite(TransactionFault):
    """A write of the card that the near end drops as a fatal error."""

    error: ClassVar[str]

    @property
    def unit(self) -> Unit:
        return "write"

    def strike(self, packet: Packet, chance: np.random.Generator) -> Outcome:
        report = Report(at_s=packet.due_s, end="near", name=self.error, header=self._logged(packet))
        return Outcome(reports=(report,), until_s=packet.due_s, unwritten=True)

    def _logged(self, packet: Packet) -> tuple[int, int, int, int] | None:
        return packet.request.write()


@frozen(kw_only=True)
class Malformed(_DroppedWrite):
    """One write of the card breaks the rules of its format, and the near end drops it."""

    kind: ClassVar[str] = "malformed"
    cause: ClassVar[str] = "A card whose packets are built wrongly: length and data disagree, 4 KiB crossed."
    seen: ClassVar[str] = "MalfTLP at the near end, fatal, with the header; a hole of one payload."
    error: ClassVar[str] = "MalfTLP"


@frozen(kw_only=True)
class ReceiverOverflow(_DroppedWrite):
    """One write of the card is sent without a credit for it, and finds no room at the near end."""

    kind: ClassVar[str] = "receiver-overflow"
    cause: ClassVar[str] = "A card that miscounts the flow-control credits that it was granted."
    seen: ClassVar[str] = "RxOF at the near end, fatal, without a header; a hole of one payload."
    error: ClassVar[str] = "RxOF"

    def _logged(self, packet: Packet) -> tuple[int, int, int, int] | None:
        return None
