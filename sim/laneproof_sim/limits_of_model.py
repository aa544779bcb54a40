"""What the simulator does not model, in sentences for the docs and for every report. Nothing else."""

from __future__ import annotations

NOT_MODELLED = (
    "Analogue behaviour: equalisation, jitter, crosstalk, temperature and lane margining; bit errors are independent "
    "of each other, at one rate for each lane and direction.",
    "64 GT/s and FLIT mode, with its forward error correction.",
    "Switches, bridges and retimers: each card sits directly below a root port.",
    "Slots that influence each other: each has a root port, memory bandwidth and virtual time of its own.",
    "The host: its memory, IOMMU, caches and processor cost no virtual time.",
    "Flow-control credits and read tags that run out: the card always has enough of both to fill its link.",
    "Packet contents: virtual time and errors are computed from the number and size of packets; the only damage to "
    "payload comes from the faults that a scenario names.",
    "Damage that heals or spreads: what a fault leaves in a buffer stays as it is however often one looks, nothing is "
    "written outside of the buffer, and a transfer that is stopped half-way has only the damage of the card's memory.",
    "Cards with several channels, and so the data of one channel in another.",
    "Undetected link errors: the chance that a damaged packet passes its link CRC is taken as nil.",
    "Power management, apart from a link that stops receiving once it has been idle for a while, as in L1, and that "
    "may then go to a lower speed.",
    "A speed or width that is lost while the link is in use: it changes for reliability only when it trains, and a "
    "stall or a lost card outlasts every reset.",
    "Lane error status and lane parity, whose registers stay clear whatever the lanes do, and the header log; the "
    "widths x12 and x32.",
    "What happened before: each open starts its slot from power-on, at virtual time zero.",
)
"""Sentences, each one thing that is left out."""

CAVEATS = (
    "This bench is simulated: what is measured here shows how the tools behave on simulated faults, and says nothing "
    "about any real card, slot or computer.",
    *("Not modelled: " + sentence[0].lower() + sentence[1:] for sentence in NOT_MODELLED),
)
"""What every result on a simulated card must carry."""
