"""Which gap separates one kind of tear from another: curve, cut, accuracy."""

from cohortkit.thresholds.accuracy import AccuracyAtCut, accuracy_at
from cohortkit.thresholds.auc import Roc, roc
from cohortkit.thresholds.verification import CorrectedAccuracy, corrected_accuracy
from cohortkit.thresholds.youden import YoudenCut, youden_cut

__all__ = [
    "AccuracyAtCut",
    "CorrectedAccuracy",
    "Roc",
    "YoudenCut",
    "accuracy_at",
    "corrected_accuracy",
    "roc",
    "youden_cut",
]
