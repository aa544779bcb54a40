"""A simulated computer with slots, links and echo cards, reached through `sim:BENCH#SLOT`.

It computes, it never plays back: `scenario` says what is on the bench, `training` brings a link up, `line` carries
packets in virtual time and meets bit errors, `registers` and `kernel` show what software would see, `engine` moves
the bytes, `driver` is the way in. What it leaves out stands in `limits_of_model`.
"""
