"""How injured fingers recover: return to climbing, known only between visits."""

from cohortkit.outcomes.logrank import LogRank, log_rank
from cohortkit.outcomes.outcome import Outcome
from cohortkit.outcomes.product_limit import KaplanMeier, kaplan_meier
from cohortkit.outcomes.returning import ReturnToClimbing, return_to_climbing

__all__ = [
    "KaplanMeier",
    "LogRank",
    "Outcome",
    "ReturnToClimbing",
    "kaplan_meier",
    "log_rank",
    "return_to_climbing",
]
