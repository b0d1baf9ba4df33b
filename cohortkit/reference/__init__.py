"""Which values are usual? Reference limits of uninjured fingers."""

from cohortkit.reference.interval import ReferenceInterval, reference_interval

__all__ = ["ReferenceInterval", "reference_interval"]
