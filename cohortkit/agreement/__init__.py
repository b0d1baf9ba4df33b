"""How well do raters agree? Intraclass correlation, error in mm, limits of agreement."""

from cohortkit.agreement.icc import IccResult, icc
from cohortkit.agreement.limits import AgreementLimits, limits_of_agreement

__all__ = ["AgreementLimits", "IccResult", "icc", "limits_of_agreement"]
