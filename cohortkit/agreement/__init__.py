"""How well do raters and methods agree? Correlation, error in mm, limits, lines, categories."""

from cohortkit.agreement.coefficients import CategoryAgreement
from cohortkit.agreement.cohen_kappa import cohen_kappa
from cohortkit.agreement.concordance import concordance
from cohortkit.agreement.decision import DecisionStudy, decision_study
from cohortkit.agreement.deming import deming
from cohortkit.agreement.fleiss_kappa import fleiss_kappa
from cohortkit.agreement.gwet_ac import gwet_ac
from cohortkit.agreement.icc import IccResult, icc
from cohortkit.agreement.krippendorff_alpha import krippendorff_alpha
from cohortkit.agreement.limit_assumptions import LimitAssumptions, limit_assumptions
from cohortkit.agreement.limits import AgreementLimits, limits_of_agreement
from cohortkit.agreement.limits_clustered import limits_clustered
from cohortkit.agreement.limits_ratio import limits_ratio
from cohortkit.agreement.limits_regression import RegressionLimits, limits_regression
from cohortkit.agreement.limits_replicates import limits_replicates
from cohortkit.agreement.limits_with_mean import MeanLimits, limits_with_mean
from cohortkit.agreement.pairing import MethodComparison
from cohortkit.agreement.passing_bablok import passing_bablok
from cohortkit.agreement.planned import PlannedSize
from cohortkit.agreement.planned_kappa import participants_for_kappa
from cohortkit.agreement.planning import (
    participants_for_icc,
    participants_for_limits,
    participants_for_reliability,
)
from cohortkit.agreement.rater_effects import rater_effects
from cohortkit.agreement.reading_quality import ReadingQuality, reading_quality
from cohortkit.agreement.reliability import ReliabilityResult, reliability
from cohortkit.agreement.repeatability import Repeatability, repeatability
from cohortkit.agreement.specific_agreement import specific_agreement
from cohortkit.agreement.wording import Wording, in_words

__all__ = [
    "AgreementLimits",
    "CategoryAgreement",
    "DecisionStudy",
    "IccResult",
    "LimitAssumptions",
    "MeanLimits",
    "MethodComparison",
    "PlannedSize",
    "ReadingQuality",
    "RegressionLimits",
    "ReliabilityResult",
    "Repeatability",
    "Wording",
    "cohen_kappa",
    "concordance",
    "decision_study",
    "deming",
    "fleiss_kappa",
    "gwet_ac",
    "icc",
    "in_words",
    "krippendorff_alpha",
    "limit_assumptions",
    "limits_clustered",
    "limits_of_agreement",
    "limits_ratio",
    "limits_regression",
    "limits_replicates",
    "limits_with_mean",
    "participants_for_icc",
    "participants_for_kappa",
    "participants_for_limits",
    "participants_for_reliability",
    "passing_bablok",
    "rater_effects",
    "reading_quality",
    "reliability",
    "repeatability",
    "specific_agreement",
]
