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
from cohortkit.agreement.limits import AgreementLimits, limits_of_agreement
from cohortkit.agreement.pairing import MethodComparison
from cohortkit.agreement.passing_bablok import passing_bablok
from cohortkit.agreement.planning import (
    PlannedSize,
    participants_for_icc,
    participants_for_kappa,
    participants_for_limits,
    participants_for_reliability,
)
from cohortkit.agreement.reliability import ReliabilityResult, reliability
from cohortkit.agreement.specific_agreement import specific_agreement
from cohortkit.agreement.wording import Wording, in_words

__all__ = [
    "AgreementLimits",
    "CategoryAgreement",
    "DecisionStudy",
    "IccResult",
    "MethodComparison",
    "PlannedSize",
    "ReliabilityResult",
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
    "limits_of_agreement",
    "participants_for_icc",
    "participants_for_kappa",
    "participants_for_limits",
    "participants_for_reliability",
    "passing_bablok",
    "reliability",
    "specific_agreement",
]
