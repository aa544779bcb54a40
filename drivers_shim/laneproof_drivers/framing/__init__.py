"""Messages in frames, for cards behind a microcontroller: the codec, the protocol's two sides, and who moves the bytes.

`laneproof guide frames` specifies all of it. `cobs`, `frame`, `messages` and `readings_on_the_wire` turn values into
bytes and back; `host_side` and `card_side` keep the protocol without any I/O; `framed_card` is a card as the contract
has it, over any `carrier`. Which carriers there are is the business of the drivers beside this package.
"""
