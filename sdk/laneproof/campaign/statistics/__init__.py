"""What the numbers of a campaign let one claim. Pure arithmetic over scipy, which only results load; no I/O.

`bounds` on rates of errors and chances, `planning` of what a claim needs, `rates` against exposure, `comparing` of
runs, `changes` of level in a time series, `steadiness` of a load, `quantiles` of measured values.
"""

from laneproof.campaign.statistics.bounds import (
    CONFIDENCE,
    Interval,
    chance_bound,
    chance_interval,
    error_rate_bound,
    error_rate_interval,
    format_bound,
)
from laneproof.campaign.statistics.changes import FALSE_ALARM, Change, find_changes
from laneproof.campaign.statistics.comparing import (
    LEAST_RUNS,
    SIGMAS,
    TOLERANCE,
    Compared,
    WelchTest,
    compare,
    holm,
    welch,
    welch_all,
)
from laneproof.campaign.statistics.planning import (
    chance_unseen,
    chance_unseen_in_trials,
    exposure_needed,
    seconds_needed,
    trials_needed,
)
from laneproof.campaign.statistics.quantiles import Quantile, Spread, quantile, spread, values_needed
from laneproof.campaign.statistics.rates import Rate, RatesCompared, compare_rates, rate
from laneproof.campaign.statistics.steadiness import WITHIN, Steadiness, steadiness

__all__ = [
    "CONFIDENCE",
    "FALSE_ALARM",
    "LEAST_RUNS",
    "SIGMAS",
    "TOLERANCE",
    "WITHIN",
    "Change",
    "Compared",
    "Interval",
    "Quantile",
    "Rate",
    "RatesCompared",
    "Spread",
    "Steadiness",
    "WelchTest",
    "chance_bound",
    "chance_interval",
    "chance_unseen",
    "chance_unseen_in_trials",
    "compare",
    "compare_rates",
    "error_rate_bound",
    "error_rate_interval",
    "exposure_needed",
    "find_changes",
    "format_bound",
    "holm",
    "quantile",
    "rate",
    "seconds_needed",
    "spread",
    "steadiness",
    "trials_needed",
    "values_needed",
    "welch",
    "welch_all",
]
