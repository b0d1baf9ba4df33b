"""Variance components by REML or ML, with crossed and nested random factors."""

from cohortkit.mixed.components import fit
from cohortkit.mixed.intervals import Bootstrap, Profile
from cohortkit.mixed.result import VarianceComponents

__all__ = ["Bootstrap", "Profile", "VarianceComponents", "fit"]
