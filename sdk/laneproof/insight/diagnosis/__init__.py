"""Diagnosis: from what a run left on record to ranked mechanisms, each with its evidence and the next experiment.

The rules are data, in `laneproof/insight/mechanisms.toml`. Nothing here touches a card.
"""

from laneproof.insight.diagnosis.answers import Answer, Confidence, Diagnosis, NextExperiment
from laneproof.insight.diagnosis.diagnosing import RunDiagnosis, Shared, diagnose, diagnose_run
from laneproof.insight.diagnosis.rules import Experiment, Mechanism, Rules, Sign, rules

__all__ = [
    "Answer",
    "Confidence",
    "Diagnosis",
    "Experiment",
    "Mechanism",
    "NextExperiment",
    "Rules",
    "RunDiagnosis",
    "Shared",
    "Sign",
    "diagnose",
    "diagnose_run",
    "rules",
]
