"""What is read and judged once a step has ended: errors added, a lost card, a fault, and what was seen beside the step.

Which steps are run, and what follows from their verdicts, is `slot_run`'s.
"""

from __future__ import annotations

import attrs
from attrs import define, frozen

from laneproof.campaign import own_steps
from laneproof.campaign.conditions import judge_host
from laneproof.campaign.link_evidence import link_events, uncorrectable, unread
from laneproof.campaign.link_state import Trained, judge_at_rest, judge_kept, judge_unseen, trained
from laneproof.campaign.results import Findings
from laneproof.campaign.steps import Slot, Step
from laneproof.campaign.steps.observation import Observation
from laneproof.campaign.verdict import Verdict
from laneproof.endpoint import Endpoint
from laneproof.errors import DeviceLost, DriverFault, LaneproofError
from laneproof.integrity import Comparison
from laneproof.readings import Conditions, ErrorReading, Identity, LinkReading, Unavailable
from laneproof.units import format_bytes

ERROR_SETTLE_S = 0.01
"""Seconds by the card's clock from the end of a step to reading its errors: who counts them is told a little later."""


@frozen(kw_only=True)
class After:
    """What was read after a step: the loss, if the card is lost; errors added, None where they could not be read and
    why not; and the identity, None where it was not known before."""

    lost: DeviceLost | None
    added: ErrorReading | None
    unread: str
    identity: Identity | Unavailable | None


@define
class Epoch:
    """What the steps on one card are counted and judged from, since it was opened. Another opening begins another."""

    errors: ErrorReading
    """As last read; each step's errors are counted from there."""
    best: Trained | None
    """The best that the link has been seen to run at."""
    origin_s: float
    """What the card's clock shows, or would show, where times on record begin."""
    conditions: Conditions | None = None
    """As last read, likewise."""

    @classmethod
    def of(cls, link: LinkReading, errors: ErrorReading, origin_s: float) -> Epoch:
        """What an open card shows before its next step."""
        return cls(errors, trained(link.near) or trained(link.far), origin_s)

    def begin(self, link: LinkReading, errors: ErrorReading, origin_s: float) -> None:
        """Count from here: the card was opened anew."""
        fresh = self.of(link, errors, origin_s)
        self.errors, self.best, self.origin_s, self.conditions = fresh.errors, fresh.best, origin_s, None

    def read_after(
        self, card: Endpoint, slot: Slot, identity: Identity | Unavailable | None, lost: DeviceLost | None
    ) -> After:
        """Errors, identity, link and conditions after a step; of a card that is `lost`, or turns out to be, what can be
        read of them all the same. `identity` was known before the step."""
        added: ErrorReading | None = None
        unread = ""
        try:
            card.clock.sleep(ERROR_SETTLE_S)
            now_errors = card.read_errors()
            # Since the step before was read, so that nothing falls between two steps.
            added, self.errors = now_errors.since(self.errors), now_errors
            if lost is None:
                identity = identity if identity is None else card.identity
                slot.observation.end()
        except DeviceLost as error:
            lost, unread = lost or error, str(error)
        except LaneproofError as error:
            unread = str(error)
        if lost is not None:
            slot.observation.after_loss()
        return After(lost=lost, added=added, unread=unread, identity=identity)

    def judge(
        self,
        step: Step,
        slot: Slot,
        after: After,
        findings: Findings,
        *,
        fault: DriverFault | None,
        identity: Identity | Unavailable | None,
    ) -> None:
        """What `after` says of the step that has ended, and of its `fault` if it had one."""
        seen = slot.observation
        if after.lost is not None:
            if fault is not None:
                findings.inconclusive(str(fault))
            events = [] if step.trains else link_events(after.added, seen)
            judge_loss(after.lost, after, seen, events, findings)
        else:
            if fault is not None:
                judge_fault(fault, after, seen, findings)
            if after.added is not None and findings.verdict is not Verdict.NONE:
                own_steps.judge(step, findings, step.judge_errors, after.added)
            if after.identity != identity and not step.trains:
                findings.broken(f"the card changed its identity during the step, from {identity} to {after.identity}")
            if after.unread:
                findings.inconclusive(
                    f"what the card and its link show after the step could not be read: {after.unread}"
                )
        self._judge_beside(step, seen, findings, lost=after.lost is not None)
        if slot.carried is not None:
            own_steps.judge(step, findings, step.judge_carried, slot.carried, after.added)
        if not findings.reasons:
            findings.nothing("nothing was judged")

    def _judge_beside(self, step: Step, seen: Observation, findings: Findings, *, lost: bool) -> None:
        """What link and conditions, as read beside the step, say of it."""
        self.conditions = seen.latest or self.conditions
        if not lost and not step.trains and seen.first_link is not None and seen.last_link is not None:
            self.best = judge_kept(seen.first_link, seen.under_load, self.best, findings)
            if seen.link_moved:
                judge_at_rest(seen.first_link, seen.last_link, seen.under_load, findings)
            else:
                judge_unseen(seen.first_link, seen.last_link, findings)
        if findings.verdict is not Verdict.NONE and seen.before is not None and seen.latest is not None:
            own_steps.judge(step, findings, step.judge_lanes, seen.flags)
            # What is reported of a link that is taken down on purpose is the step's to judge.
            before = attrs.evolve(seen.before, reported=seen.latest.reported) if step.trains else seen.before
            judge_host(before, seen.latest, findings)


def judge_loss(error: DeviceLost, after: After, seen: Observation, events: list[str], findings: Findings) -> None:
    """A slot that drops its link under load fails; a card that is gone for no reason to be seen is inconclusive.

    `events` are what befell the link in this step.
    """
    so_far = error.so_far
    moved = f" after {format_bytes(so_far.bytes_received)} had come back" if isinstance(so_far, Comparison) else ""
    lost = f"the card was lost{moved}: {error.args[0]}"
    if error.link_evidence:
        findings.failed(f"{lost}. The link went down: {error.link_evidence}")
    elif events:
        findings.failed(f"{lost}. On record of its link in this step: {'; '.join(events)}")
    else:
        missing = "; ".join(unread(after.added, after.unread, seen))
        but = f" ({missing})" if missing else ""
        findings.inconclusive(
            f"{lost}. Nothing shows that the link went down{but}, so slot, card and driver all remain possible"
        )


def judge_fault(fault: DriverFault, after: After, seen: Observation, findings: Findings) -> None:
    """A driver's fault is the test system's, unless an uncorrectable error shows that it had something to report."""
    errors = uncorrectable(after.added, seen)
    if errors:
        findings.failed(f"{fault}. An uncorrectable error is on record in this step: {'; '.join(errors)}", of_data=True)
    else:
        findings.broken(str(fault))
