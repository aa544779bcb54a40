"""Coverage: which faults of a simulator's catalogue a plan finds, which it misses, and what would find those.

Everything is found out by running. A number that comes of it says "on simulated faults, this catalogue".
"""

from laneproof.insight.coverage.cases import Case, Outcome, run_case
from laneproof.insight.coverage.curves import Curve, fit
from laneproof.insight.coverage.measuring import measure
from laneproof.insight.coverage.results import CAVEAT, Coverage, FalseAlarm, Row, Suggestion, Together, Trial
from laneproof.insight.coverage.running import dask, processes
from laneproof.insight.coverage.sources import BUILT_IN, Base, catalogue, healthy_base

__all__ = [
    "BUILT_IN",
    "CAVEAT",
    "Base",
    "Case",
    "Coverage",
    "Curve",
    "FalseAlarm",
    "Outcome",
    "Row",
    "Suggestion",
    "Together",
    "Trial",
    "catalogue",
    "dask",
    "fit",
    "healthy_base",
    "measure",
    "processes",
    "run_case",
]
