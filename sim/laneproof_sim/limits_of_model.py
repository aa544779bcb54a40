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
    "payload comes from the faults of the card.",
    "Undetected link errors: the chance that a damaged packet passes its link CRC is taken as nil.",
    "Power management, apart from a link that stops receiving once it has been idle for a while, as in L1.",
    "Lane error status, lane parity and the header log; the widths x12 and x32.",
    "What happened before: each open starts its slot from power-on, at virtual time zero.",
)
"""Sentences, each one thing that is left out."""

CAVEATS = (
    "This bench is simulated: what is measured here shows how the tools behave on simulated faults, and says nothing "
    "about any real card, slot or computer.",
    *("Not modelled: " + sentence[0].lower() + sentence[1:] for sentence in NOT_MODELLED),
)
"""What every result on a simulated card must carry."""
