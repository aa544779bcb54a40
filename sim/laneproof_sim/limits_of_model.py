"""What the simulator does not model, in sentences for the docs and for every report. Nothing else."""

from __future__ import annotations

NOT_MODELLED = (
    "Analogue behaviour: equalisation, jitter and crosstalk; bit errors are independent of each other, at one rate for "
    "each lane and direction. Lane margining finds the eye that a scenario gives, which brings no errors by itself.",
    "Heat and power as they come about: a temperature follows time and not the load, and acts only where a fault names "
    "it; a card has the power that it needs, or keeps still, or is gone, with no voltage, current or inrush.",
    "64 GT/s and FLIT mode, with its forward error correction.",
    "Switches beyond one level: a switch forwards each packet after the same time and has room for all that comes, "
    "and takes turns between segments of up to 64 KiB, not packets; no bridges and no retimers.",
    "Slots that influence each other but by a link that they share: each root port has the host's memory to itself, "
    "and what a user does between two calls costs no virtual time.",
    "The host: its memory answers each read after the same time and gives all the bandwidth that the links have; "
    "IOMMU, caches, processor, interrupts and drivers cost no virtual time.",
    "Flow control beyond what bounds a rate: credits count the bytes of posted writes, no headers and no other "
    "packets; completions come in order, as large as they may be; a card's own pattern never waits for tags or room.",
    "What an operating system does about a fatal error: its recovery resets the link, here the packet is dropped and "
    "counted, and the link goes on.",
    "Packet contents: virtual time and errors are computed from the number and size of packets; the only damage to "
    "payload comes from the faults that a scenario names.",
    "Damage that heals or spreads: what a fault leaves in a buffer stays as it is however often one looks, nothing is "
    "written outside of the buffer, and a transfer that is stopped half-way has only the damage of the card's memory.",
    "Priorities, virtual channels and traffic between cards: channels and slots are served in turn, and each card "
    "talks to the host alone.",
    "A card's pattern engine beyond its rates: it always has tags and credits, its wrong bits are counted and have no "
    "places, and of all faults only those of its link, and those of the card's memory that have no conditions, act on "
    "its pattern.",
    "Undetected link errors: the chance that a damaged packet passes its link CRC is taken as nil.",
    "Power management, apart from a link that stops receiving once it has been idle for a while, as in L1, and that "
    "may then go to a lower speed.",
    "A lane that fails by degrees: one that fails in use does so at once and in both directions, and packets that are "
    "under way at that moment still arrive.",
    "Error logs of more than one header, packet prefixes, downstream port containment and the widths x12 and x32.",
    "What happened before: each open starts its slot from power-on, at virtual time zero or, below a switch, at that "
    "of the slots there that are open already.",
    "Cards with several functions, hot-plug and its slot events, and links whose two ends have clocks of their own.",
)
"""Sentences, each one thing that is left out."""

CAVEATS = (
    "This bench is simulated: what is measured here shows how the tools behave on simulated faults, and says nothing "
    "about any real card, slot or computer.",
    *("Not modelled: " + sentence[0].lower() + sentence[1:] for sentence in NOT_MODELLED),
)
"""What every result on a simulated card must carry."""
