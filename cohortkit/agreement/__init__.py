"""How well do raters and methods agree? Correlation, error in mm, limits, lines, categories."""

from cohortkit.agreement.coefficients import CategoryAgreement
from cohortkit.agreement.cohen_kappa import cohen_kappa
from cohortkit.agreement.concordance import concordance
from cohortkit.agreement.deming import deming
from cohortkit.agreement.fleiss_kappa import fleiss_kappa
from cohortkit.agreement.gwet_ac import gwet_ac
from cohortkit.agreement.icc import IccResult, icc
from cohortkit.agreement.krippendorff_alpha import krippendorff_alpha
from cohortkit.agreement.limits import AgreementLimits, limits_of_agreement
from cohortkit.agreement.pairing import MethodComparison
from cohortkit.agreement.passing_bablok import passing_bablok
from cohortkit.agreement.reliability import ReliabilityResult, reliability
from cohortkit.agreement.specific_agreement import specific_agreement
from cohortkit.agreement.wording import Wording, in_words

__all__ = [
    "AgreementLimits",
    "CategoryAgreement",
    "IccResult",
    "MethodComparison",
    "ReliabilityResult",
    "Wording",
    "cohen_kappa",
    "concordance",
    "deming",
    "fleiss_kappa",
    "gwet_ac",
    "icc",
    "in_words",
    "krippendorff_alpha",
    "limits_of_agreement",
    "passing_bablok",
    "reliability",
    "specific_agreement",
]
