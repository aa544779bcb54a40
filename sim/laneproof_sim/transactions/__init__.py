"""The transaction layer: headers of packets, what bounds how many are under way, and what goes wrong with one.

The link below it is in `line`, damage to whole messages in `damage`.
"""
