"""Invented cohorts that several tests look at."""

from functools import cache

from cohortkit.synthetic.design import read_design
from cohortkit.synthetic.generator import Cohort, generate


@cache
def shipped() -> Cohort:
    """The cohort of the shipped design."""
    return generate(read_design())


@cache
def large() -> Cohort:
    """Ten times as many other people."""
    return generate(read_design(), scale=10, seed=424242)
