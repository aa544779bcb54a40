"""Signs around the data: errors counted at both ends, the link's state, the host's own reports, and how transfers end.

Where results hold a thing in words only, it is looked for in the words of `laneproof.campaign`, at one place each.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from laneproof.campaign.verdict import Verdict
from laneproof.insight.diagnosis.evidence import as_mapping, links
from laneproof.insight.diagnosis.sign import NO, SIGNS, UNKNOWN, Look, Material, Seen, sign
from laneproof.insight.diagnosis.signs_of_bits import bits
from laneproof.insight.diagnosis.signs_of_data import points

_ON_THE_LINK = frozenset(("RxErr", "BadTLP", "BadDLLP", "Timeout"))
"""What ends count of packets that are damaged on the link and sent again (FACTS: which end counts what)."""
_FELL = re.compile(r"the link fell from ([\d.]+) GT/s x(\d+) to ([\d.]+) GT/s x(\d+)(.*)")
_AT_REST = "seen once it was at rest"
_DOWN = ("The link went down", "data link down")
_LOST = ("the card was lost", "the card is lost")
_NOBODY = ("no receiver is detected", "no card answers", "vendor id FFFF")
_NOT_READY = re.compile(r"vendor id (is |reads )?0001")
_UNCONFIGURED = re.compile(r"BARs and Command|Command( register)? (is|reads) (zero|0)", re.IGNORECASE)
_FAILED = "a transfer failed"
_STALLED = "the transfer stalled"
_RETRAINED = "notes that it changed for reliability, or was retrained by software"
_STARVED = "the tester itself could not run"
_ASKED = re.compile(r"is asked for|the plan asks for")
_HIDDEN = re.compile(r"firmware|AER", re.IGNORECASE)


# --- errors that ends count


def _counted(material: Material, names: frozenset[str], *ends: str) -> Seen:
    found = [(end, name, number) for end, name, number in material.evidence.counts(*ends) if name in names]
    if found:
        totals: dict[tuple[str, str], int] = {}
        for end, name, number in found:
            totals[end, name] = totals.get((end, name), 0) + number
        return Seen(True, ", ".join(f"{number} {name} at the {end} end" for (end, name), number in totals.items()))
    readable = [material.evidence.readable(end) for end in ends or ("near", "far")]
    return NO if all(readable) else UNKNOWN


def _of_error(name: str, says: str, *ends: str) -> Look:
    def look(material: Material) -> Seen:
        return _counted(material, frozenset((name,)), *ends)

    look.__doc__ = f"{name} is counted{f' at the {ends[0]} end' if ends else ''}: {says}."
    return look


for _sign, _name, _says in (
    ("rollover", "Rollover", "replays without progress"),
    ("surprise-down", "SDES", "the link went down unasked"),
    ("completion-timeouts", "CmpltTO", "read requests that were not answered in time"),
    ("poison", "PoisonedTLP", "data that their sender declared bad"),
    ("malformed", "MalfTLP", "packets that break the rules of their format"),
    ("overrun", "RxOF", "packets without a credit"),
    ("ecrc", "ECRC", "data changed between the links"),
):
    SIGNS[_sign] = _of_error(_name, _says)
SIGNS["advisory-far"] = _of_error("NonFatalErr", "an error left to who had asked", "far")


@sign("unexpected-completions")
def unexpected_completions(material: Material) -> Seen:
    """UnxCmplt is counted; or the far end gives advice and misses completions as well, having dropped some."""
    counted = _counted(material, frozenset(("UnxCmplt",)))
    advice = _counted(material, frozenset(("NonFatalErr",)), "far")
    missed = _counted(material, frozenset(("CmpltTO",)), "far")
    if counted.there or not (advice.there and missed.there):
        return counted
    return Seen(True, f"{advice.what}, and {missed.what}")


@sign("changed-on-the-way")
def changed_on_the_way(material: Material) -> Seen:
    """Bits are wrong, or the end-to-end CRC of packets is."""
    ecrc = _counted(material, frozenset(("ECRC",)))
    return ecrc if ecrc.there else bits(material)


@sign("advice-alone")
def advice_alone(material: Material) -> Seen:
    """The far end says as advice that it met an error, and every transfer came back right: it asked again."""
    advice = _counted(material, frozenset(("NonFatalErr",)), "far")
    if not advice.there or _harm(material):
        return UNKNOWN
    return Seen(True, f"{advice.what}, and all data came back right")


@sign("link-errors")
def link_errors(material: Material) -> Seen:
    """Either end counts packets that arrived damaged and were sent again."""
    return _counted(material, _ON_THE_LINK)


@sign("counters-clean")
def counters_clean(material: Material) -> Seen:
    """Both ends could be read in some step, and neither counted any error."""
    if not (material.evidence.readable("near") and material.evidence.readable("far")):
        return UNKNOWN
    found = [f"{number} {name}" for _, name, number in material.evidence.counts()]
    return Seen(not found, "no error is counted at either end" if not found else f"counted: {', '.join(found[:4])}")


@sign("errors-unavailable")
def errors_unavailable(material: Material) -> Seen:
    """Neither end's errors can be read, since firmware owns them or reporting is switched off."""
    why = [
        str(step.errors[end]["unavailable"])
        for step in material.evidence.steps
        for end in ("near", "far")
        if isinstance(step.errors.get(end), Mapping) and "unavailable" in step.errors[end]
    ]
    hidden = [text for text in why if _HIDDEN.search(text)]
    if hidden:
        return Seen(True, hidden[0])
    return NO if material.evidence.readable("near") else UNKNOWN


@sign("refused-reads")
def refused_reads(material: Material) -> Seen:
    """A transfer failed, and the near end counts a completer abort, or says as advice that it refused something.

    Advice without harm, as from probing, is no sign.
    """
    if not _harm(material):
        return NO
    counted = _counted(material, frozenset(("CmpltAbrt",)))
    if counted.there:
        return counted
    advice = _counted(material, frozenset(("NonFatalErr",)), "near")
    flag = _unsupported_flag(material)
    if not advice.there or transfer_failed(material).there is not True:
        return Seen(advice.there and False)
    return NO if flag.there else UNKNOWN if flag.there is None else advice


@sign("nobody-there")
def nobody_there(material: Material) -> Seen:
    """Data were lost, and an end counts an unsupported request, or Device Status newly shows URD."""
    if not _harm(material):
        return NO
    counted = _counted(material, frozenset(("UnsupReq",)))
    return counted if counted.there else _unsupported_flag(material)


def _harm(material: Material) -> bool:
    """Whether any transfer failed, stalled, or brought wrong data."""
    return bool(material.evidence.damage) or True in (transfer_failed(material).there, stalled(material).there)


def _unsupported_flag(material: Material) -> Seen:
    shown = [text for text in material.evidence.changes("device status") if "URD" in text]
    if shown:
        return Seen(True, shown[0])
    return NO if any("after" in step.conditions for step in material.evidence.steps) else UNKNOWN


# --- the link


def _falls(material: Material) -> Iterator[tuple[float, int, float, int, str]]:
    for text in material.evidence.said():
        if (match := _FELL.search(text)) is not None:
            yield float(match[1]), int(match[2]), float(match[3]), int(match[4]), match[5]


def _under_load(material: Material) -> Iterator[tuple[Mapping[str, Any], Mapping[str, Any], Any]]:
    """Near and far end as link steps saw them while data moved, and how many lanes are wired."""
    for step in material.evidence.steps:
        link = as_mapping(step.measures.get("link"))
        near, far = as_mapping(link.get("near")), as_mapping(link.get("far"))
        if step.kind == "link" and step.bytes_moved and near and far:
            yield near, far, link.get("wiring")


def _below(material: Material, value: str, most: str, wired: bool) -> Seen:
    """Whether a link that carries data has less of something than both ends, and the wiring, can do."""
    seen = False
    for near, far, wiring in _under_load(material):
        limits = [near.get(most), far.get(most), *([wiring] if wired else [])]
        known = [limit for limit in limits if isinstance(limit, int | float) and limit]
        now = near.get(value) or far.get(value)
        if not isinstance(now, int | float) or near.get(most) is None or far.get(most) is None:
            continue
        seen = True
        if now < min(known):
            unit = f"x{now} while x{min(known)}" if wired else f"{now:g} GT/s while {min(known):g} GT/s"
            return Seen(True, f"the link runs at {unit} is what both ends can do")
    return NO if seen else UNKNOWN


@sign("narrow")
def narrow(material: Material) -> Seen:
    """Under load the link has fewer lanes than both ends and the wiring allow, or has lost some."""
    for _, width, _, now, _ in _falls(material):
        if now < width:
            return Seen(True, f"the link fell from x{width} to x{now}")
    return _below(material, "width", "max_width", wired=True)


@sign("slow")
def slow(material: Material) -> Seen:
    """Under load the link is slower than both ends can be, or has become so."""
    for speed, _, now, _, _ in _falls(material):
        if now < speed:
            return Seen(True, f"the link fell from {speed:g} to {now:g} GT/s")
    return _below(material, "speed_gtps", "max_speed_gtps", wired=False)


@sign("fell-in-use")
def fell_in_use(material: Material) -> Seen:
    """The link had more lanes, or speed, and lost them while it was in use."""
    falls = list(_falls(material))
    if falls:
        speed, width, now_speed, now_width, _ = falls[0]
        return Seen(True, f"the link lost it in use: {speed:g} GT/s x{width} became {now_speed:g} GT/s x{now_width}")
    return NO if any(_under_load(material)) else UNKNOWN


@sign("slower-at-rest")
def slower_at_rest(material: Material) -> Seen:
    """At rest the link is slower than under load."""
    rest = [end.get("speed_gtps") for end in list(links(material.evidence.endpoint))[:1]]
    loaded = [near.get("speed_gtps") for near, _, _ in _under_load(material)]
    if not rest or not loaded or not isinstance(rest[0], int | float) or not isinstance(loaded[0], int | float):
        return UNKNOWN
    return Seen(rest[0] < loaded[0], f"the link is at {rest[0]:g} GT/s at rest, at {loaded[0]:g} GT/s under load")


@sign("lane-flags")
def lane_flags(material: Material) -> Seen:
    """Registers that name lanes newly flag some."""
    flags = [flag for step in material.evidence.steps for flag in step.conditions.get("lanes") or ()]
    if flags:
        return Seen(True, next(material.evidence.changes("lane"), f"{len(flags)} lanes are newly flagged"))
    return NO if any("lanes" in step.conditions for step in material.evidence.steps) else UNKNOWN


@sign("retrained")
def retrained(material: Material) -> Seen:
    """The near port newly notes a change for reliability or by software."""
    for text in (*material.evidence.said(), *material.evidence.events("link")):
        if _RETRAINED in text:
            return Seen(True, "the near port notes a change for reliability, or a retraining by software")
    return NO if any(_under_load(material)) else UNKNOWN


@sign("link-down")
def link_down(material: Material) -> Seen:
    """The near port's link went down, by its own state or by the errors that it counted."""
    for text in (*material.evidence.said(), *material.evidence.events("link")):
        if any(words in text for words in _DOWN):
            return Seen(True, "the near port showed its link down")
    return _counted(material, frozenset(("SDES",)), "near")


@sign("trained-badly")
def trained_badly(material: Material) -> Seen:
    """Of several trainings some ended slower or narrower than the others, or not at all."""
    for step in material.evidence.steps:
        if step.kind in ("train", "training") and step.verdict is Verdict.FAIL:
            return Seen(True, step.reasons[0].text if step.reasons else "a training ended badly")
    return NO if any(step.kind in ("train", "training") for step in material.evidence.steps) else UNKNOWN


# --- how transfers end


@sign("card-lost")
def card_lost(material: Material) -> Seen:
    """The card was there and no longer answers."""
    lost = [text for text in material.evidence.said() if any(words in text for words in _LOST)]
    return Seen(True, "the card no longer answers") if lost else Seen(not material.evidence.steps and None)


@sign("card-absent")
def card_absent(material: Material) -> Seen:
    """Nothing answered in the slot from the beginning."""
    endpoint = material.evidence.endpoint
    if endpoint.opened or endpoint.steps:
        return NO
    nobody = [text for text in material.evidence.said() if any(words in text for words in _NOBODY)]
    return Seen(True, "no receiver or no card was found in the slot") if nobody else UNKNOWN


@sign("not-ready")
def not_ready(material: Material) -> Seen:
    """The vendor id reads 0001: the card asks for more time."""
    ready = [text for text in _all_words(material) if _NOT_READY.search(text)]
    return Seen(True, "the vendor id read 0001") if ready else NO


@sign("configuration-zero")
def configuration_zero(material: Material) -> Seen:
    """Configuration space answers, with BARs and Command zero."""
    gone = [text for text in _all_words(material) if _UNCONFIGURED.search(text)]
    return Seen(True, "configuration space answers with BARs and Command zero") if gone else NO


def _all_words(material: Material) -> Iterator[str]:
    yield from material.evidence.said()
    for event in material.evidence.endpoint.events:
        yield str(event.get("text"))


@sign("stalled")
def stalled(material: Material) -> Seen:
    """A transfer had not come back when its deadline passed."""
    steps = [
        step
        for step in material.evidence.steps
        if step.measures.get("stalled") or any(_STALLED in reason.text for reason in step.reasons)
    ]
    if steps or any(point.get("stalled") for point in points(material)):
        return Seen(True, f"transfers reached their deadline in {max(1, len(steps))} steps")
    return NO if material.evidence.steps else UNKNOWN


@sign("transfer-failed")
def transfer_failed(material: Material) -> Seen:
    """The card's driver says of a transfer that it failed."""
    failed = [text for text in material.evidence.said() if _FAILED in text]
    if failed:
        return Seen(True, failed[0][failed[0].index(_FAILED) :].split(". ")[0])
    return NO if material.evidence.steps else UNKNOWN


@sign("slow-rate")
def slow_rate(material: Material) -> Seen:
    """Data came back right, and slower than was asked for."""
    rates = [step for step in material.evidence.steps if "bytes_per_second" in step.measures]
    for step in rates:
        if any(reason.verdict is not Verdict.PASS and _ASKED.search(reason.text) for reason in step.reasons):
            share = step.measures.get("share_of_ceiling")
            known = isinstance(share, float)
            return Seen(True, f"data move at {share:.0%} of the ceiling" if known else "data move too slowly")
    return NO if rates else UNKNOWN


# --- the host


@sign("iommu-faults")
def iommu_faults(material: Material) -> Seen:
    """The IOMMU refused accesses of the card."""
    shown = next(material.evidence.changes("iommu"), None)
    return Seen(True, shown) if shown is not None else _conditions_known(material, "iommu_faults")


@sign("host-memory-errors")
def host_memory_errors(material: Material) -> Seen:
    """The host counted memory errors that it could not correct."""
    shown = next((text for text in material.evidence.changes("memory") if "uncorrected" in text), None)
    return Seen(True, shown) if shown is not None else _conditions_known(material, "memory_errors")


def _conditions_known(material: Material, part: str) -> Seen:
    for step in material.evidence.steps:
        shown = as_mapping(step.conditions.get("after")).get(part)
        if isinstance(shown, Mapping) and "unavailable" not in shown:
            return NO
    return UNKNOWN


@sign("starved")
def starved(material: Material) -> Seen:
    """The tester notes that it could not run for a while."""
    said = [text for text in material.evidence.said() if _STARVED in text]
    return Seen(True, said[0][: said[0].index("(")].strip() if "(" in said[0] else said[0]) if said else NO


@sign("no-switch")
def no_switch(material: Material) -> Seen:
    """No switch lies between the card and the root."""
    above = as_mapping(material.evidence.endpoint.opened.get("link")).get("above")
    if above is None:
        return UNKNOWN
    return Seen(not above, "a switch lies above the card" if above else "no switch lies above the card")


@sign("shared-below-switch")
def shared_below_switch(material: Material) -> Seen:
    """Other slots below the same switch have wrong bits too."""
    beside = material.evidence.beside
    tested = [damaged for moved, damaged in beside or () if moved]
    if not tested:
        return UNKNOWN
    return Seen(any(tested), f"{sum(tested)} of {len(tested)} other slots below the switch have wrong bits")
