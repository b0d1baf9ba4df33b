"""Rules on one reading by itself."""

from __future__ import annotations

import numpy as np

from cohortkit.tables.verdicts import Tables, Verdict, equal, get, known, numbers, said, verdict

_LARGE_GAP_MM = 8.0
_SITES_OF_PULLEY = {
    "A2": ("pp_midpoint", "a2_distal_edge", "pp_base", "max_gap", "other"),
    "A3": ("max_gap", "other"),
    "A4": ("mp_midpoint", "max_gap", "other"),
}


def gap_above_zero(tables: Tables) -> list[Verdict]:
    """A gap is never 0; an unseen gap is flagged instead."""
    frame = get(tables, "readings")
    broken = equal(frame["gap_mm"], 0)
    message = said(frame, "gap_mm is 0, which no image can show")
    return [verdict("readings", known(frame, "gap_mm"), broken, ("gap_mm",), message)]


def below_resolution_has_limit(tables: Tables) -> list[Verdict]:
    """A gap below resolution needs the limit."""
    frame = get(tables, "readings")
    broken = equal(frame["below_resolution"], True) & ~known(frame, "resolution_mm")
    message = said(frame, "below_resolution is true and resolution_mm is missing")
    columns = ("below_resolution", "resolution_mm")
    return [verdict("readings", known(frame, "below_resolution"), broken, columns, message)]


def below_resolution_has_no_gap(tables: Tables) -> list[Verdict]:
    """A gap that could not be seen has no figure."""
    frame = get(tables, "readings")
    broken = equal(frame["below_resolution"], True) & known(frame, "gap_mm")
    message = said(frame, "below_resolution is true and gap_mm is {}", "gap_mm")
    columns = ("below_resolution", "gap_mm")
    return [verdict("readings", known(frame, "below_resolution"), broken, columns, message)]


def gap_present(tables: Tables) -> list[Verdict]:
    """A gap that was seen has a figure."""
    frame = get(tables, "readings")
    broken = equal(frame["below_resolution"], False) & ~known(frame, "gap_mm")
    message = said(frame, "gap_mm is missing and below_resolution is false")
    columns = ("gap_mm", "below_resolution")
    return [verdict("readings", known(frame, "below_resolution"), broken, columns, message)]


def gap_at_most_8_mm(tables: Tables) -> list[Verdict]:
    """A gap above 8 mm is possible but should be looked at."""
    frame = get(tables, "readings")
    broken = numbers(frame["gap_mm"]) > _LARGE_GAP_MM
    message = said(frame, "gap_mm is {}, above 8 mm", "gap_mm")
    return [verdict("readings", known(frame, "gap_mm"), broken, ("gap_mm",), message)]


def gap_not_below_limit(tables: Tables) -> list[Verdict]:
    """A gap that was read is not smaller than the smallest gap that could be seen."""
    frame = get(tables, "readings")
    columns = ("gap_mm", "resolution_mm")
    broken = numbers(frame["gap_mm"]) < numbers(frame["resolution_mm"])
    message = said(frame, "gap_mm {} is below resolution_mm {}", *columns)
    return [verdict("readings", known(frame, *columns), broken, columns, message)]


def reference_structure_fits_pulley(tables: Tables) -> list[Verdict]:
    """A3 is read to the volar plate, A2 and A4 to the phalanx."""
    frame = get(tables, "readings")
    columns = ("pulley", "reference_structure")
    plate = equal(frame["reference_structure"], "volar_plate")
    broken = equal(frame["pulley"], "A3") != plate
    message = said(frame, "{} was read to '{}'", *columns)
    return [verdict("readings", known(frame, *columns), broken, columns, message)]


def caliper_site_fits_pulley(tables: Tables) -> list[Verdict]:
    """The calipers stood on the bone that lies beneath the pulley."""
    frame = get(tables, "readings")
    columns = ("pulley", "caliper_site")
    fits = np.zeros(len(frame), dtype=bool)
    for pulley, sites in _SITES_OF_PULLEY.items():
        fits |= equal(frame["pulley"], pulley) & equal(frame["caliper_site"], *sites)
    message = said(frame, "{} was read at '{}'", *columns)
    return [verdict("readings", known(frame, *columns), ~fits, columns, message)]


def rest_has_no_load(tables: Tables) -> list[Verdict]:
    """A reading at rest has neither a load method nor a force."""
    frame = get(tables, "readings")
    method = known(frame, "load_method") & ~equal(frame["load_method"], "none")
    force = numbers(frame["load_n"]) > 0
    rest = equal(frame["load"], "rest")
    judged = known(frame, "load") & (~rest | known(frame, "load_method") | known(frame, "load_n"))
    columns = ("load", "load_method", "load_n")
    message = said(frame, "load is '{}' with load_method '{}' and load_n {}", *columns)
    return [verdict("readings", judged, rest & (method | force), columns, message)]


def loaded_has_method(tables: Tables) -> list[Verdict]:
    """A loaded reading was loaded somehow."""
    frame = get(tables, "readings")
    columns = ("load", "load_method")
    broken = equal(frame["load"], "loaded") & equal(frame["load_method"], "none")
    message = said(frame, "load is 'loaded' with load_method 'none'")
    return [verdict("readings", known(frame, *columns), broken, columns, message)]


def force_has_gauge(tables: Tables) -> list[Verdict]:
    """A force is measured with a gauge, never estimated."""
    frame = get(tables, "readings")
    columns = ("load_n", "load_method")
    loaded = numbers(frame["load_n"]) > 0
    broken = loaded & ~equal(frame["load_method"], "force_gauge")
    message = said(frame, "load_n is {} with load_method '{}'", *columns)
    return [verdict("readings", known(frame, *columns), broken, columns, message)]


def averaged_reading_not_repeated(tables: Tables) -> list[Verdict]:
    """A mean of several readings is not itself one of several repeats."""
    frame = get(tables, "readings")
    columns = ("reads_averaged", "read_no")
    broken = (numbers(frame["reads_averaged"]) > 1) & (numbers(frame["read_no"]) > 1)
    message = said(frame, "reads_averaged is {} and read_no is {}", *columns)
    return [verdict("readings", known(frame, *columns), broken, columns, message)]
