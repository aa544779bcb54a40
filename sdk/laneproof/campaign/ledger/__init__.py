"""The ledger: the SQLite file that a run writes as it goes, that survives a crash, and that shows a later change.

Entries are only ever added, each with a digest over all before it; one process at a time writes a run's, anybody may
add a marker. `laneproof guide ledger` says what the file holds, and what a run that was cut off may still claim.
"""

from laneproof.campaign.ledger.marking import amend, mark
from laneproof.campaign.ledger.reading import read_ledger, verify
from laneproof.campaign.ledger.schema import APPLICATION_ID, LEDGER_VERSION
from laneproof.campaign.ledger.writing import COMMIT_EVERY_S, Ledger

__all__ = ["APPLICATION_ID", "COMMIT_EVERY_S", "LEDGER_VERSION", "Ledger", "amend", "mark", "read_ledger", "verify"]
