"""What a card, its DMA or the host's memory does to data behind the link's own CRC: one class for each kind.

`when` says on which messages a fault acts, `message` what it is given and may change; `arriving`, `streaming`, `words`
and `memory` hold the kinds, `delivery` puts them to work. The catalogue of all kinds is `laneproof_sim.faults`.
"""
