"""Variance components with their draws: of readings of one kind, or of live and stored ones.

A stored clip is one picture, whose error all who read it share. Between live readings the
picture differs too, so their residual is larger, and one residual for both would be neither.
Live and stored readings are therefore fitted apart and then put together: from the stored
clips how far raters lie apart, since all read the same; from the live readings everything else.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from cohortkit import mixed
from cohortkit.agreement.facets import ORDER, Facets, counted, facets, without
from cohortkit.agreement.forms import Floats
from cohortkit.agreement.reading_kinds import both_modes, one_kind
from cohortkit.agreement.relative_error import mean_draws
from cohortkit.errors import EstimateError
from cohortkit.estimate import Caution
from cohortkit.mixed import sequential
from cohortkit.mixed.design import build
from cohortkit.mixed.fitting import NoResidual

_OWN = {"few_levels", "singular_fit", "bootstrap_failures"}
_RATERS = ("rater_site", "rater")
_LIVE, _STORED = "live readings", "stored clips"
_SEED_STEP = 2  # the mean of the same readings takes the seed after the first


@dataclass(frozen=True)
class Fitted:
    """Components of variance and their draws.

    Parameters
    ----------
    found
        The readings and what they can tell. Of live and stored readings: the live rows,
        and what both can tell together.
    components
        One row per component: component, levels, variance, sd, share, at_zero.
    draws
        One column per component; entries may be negative.
    mean, mean_draws
        Mean of the values (of the live ones, where both kinds are put together).
    cautions
        About the fit.
    """

    found: Facets
    components: pd.DataFrame
    draws: pd.DataFrame
    mean: float
    mean_draws: Floats
    cautions: tuple[Caution, ...]

    @property
    def parts(self) -> dict[str, float]:
        """Component to variance."""
        names, variances = self.components["component"], self.components["variance"]
        return {str(n): float(v) for n, v in zip(names, variances, strict=True)}


def fitted(
    frame: pd.DataFrame, columns: dict[str, str | None], settings: dict[str, Any], unit: str
) -> Fitted:
    """Fit the components; of live and stored readings apart, then put together.

    Parameters
    ----------
    frame
        One row per reading.
    columns
        Role to column, as `facets` takes them.
    settings
        missing, scale, intervals, n_boot, seed.
    unit
        Of the values.

    Raises
    ------
    EstimateError, TableError
        As `facets`; live and stored readings of which either kind cannot be fitted, or
        that together do not tell how far raters lie apart.
    """
    if not both_modes(frame):
        return _of_one_kind(frame, columns, settings, unit)
    one_kind(frame)  # before each kind of reading stops at its own
    stored = frame["read_mode"].eq("stored").to_numpy(dtype=bool)
    later = settings | {"seed": settings["seed"] + _SEED_STEP}
    parts = []
    for name, rows, own in ((_LIVE, ~stored, settings), (_STORED, stored, later)):
        try:
            parts.append(_of_one_kind(frame[rows], columns, own, unit))
        except EstimateError as error:
            raise _apart_only(f"{name}: {error.what} ({error.found})") from error
    return _together(parts[0], parts[1], counted(frame, columns))


def _of_one_kind(
    frame: pd.DataFrame, columns: dict[str, str | None], settings: dict[str, Any], unit: str
) -> Fitted:
    found = facets(frame, columns, settings["missing"], settings["scale"])
    n, seed = settings["n_boot"], settings["seed"]
    boot, drawn = None, None
    try:
        if settings["intervals"] == "bootstrap":
            boot = mixed.Bootstrap(n_boot=n, seed=seed)
        else:
            found, drawn = _generalised(found, n, seed)
        fit = mixed.fit(
            found.rows, value="value", random=found.random, participant=None, unit=unit,
            intervals=boot,
        )  # fmt: skip
    except NoResidual as error:
        raise no_error_seen() from error
    names = ["residual", *found.factors]
    if fit.draws is not None:
        drawn = fit.draws[[f"var_{name}" for name in names]].to_numpy()
    draws = pd.DataFrame(drawn, columns=names)
    return Fitted(
        found=found,
        components=fit.components,
        draws=draws,
        mean=float(found.rows["value"].mean()),
        mean_draws=mean_draws(found.rows, draws, seed + 1),
        cautions=tuple(c for c in fit.cautions if c.code in _OWN),
    )


def no_error_seen() -> EstimateError:
    """What to do with readings that agree perfectly, or differ by a constant."""
    return EstimateError(
        "These readings show no error of reading that could be split into components",
        found="raters agree on every reading, or differ by a constant, to about a millionth of the "
        "spread",
        next_step="check for readings that were copied instead of repeated; if they were not, "
        "icc and limits_of_agreement take raters who agree perfectly or differ by a constant",
    )


def _generalised(found: Facets, n: int, seed: int) -> tuple[Facets, Floats]:
    """Draws of the variances, and what the rows can tell once factors without any are left out."""
    while True:
        design = build(found.rows, value="value", random=found.random, fixed=())
        try:
            return found, sequential.draws(design, n_draws=n, seed=seed)
        except sequential.NoFreedom as stop:
            found = without(found, stop.factor, f"{stop.what}: {stop.found}")


def _apart_only(found: str) -> EstimateError:
    return EstimateError(
        "Live and stored readings cannot be put together",
        found=found,
        next_step="ask each apart, with read_mode='live' or 'stored', or by=['read_mode']",
    )


def _together(live: Fitted, stored: Fitted, counts: dict[str, int | None]) -> Fitted:
    for name, one, why in (
        (_LIVE, live, "no scan was read by two raters"),
        (_STORED, stored, "no clip was read by two raters"),
    ):
        if "rater" not in one.found.factors:
            raise _apart_only(f"{name}: {why} whose shifts can be told from the scans")
    values = {n: max(float(v), 0.0) for n, v in put_together(live.parts, stored.parts).items()}
    drawn = [{str(n): f.draws[n].to_numpy() for n in f.draws} for f in (live, stored)]
    found = replace(
        live.found,
        factors=tuple(n for n in values if n != "residual"),
        left_out=_left_out(live.found, stored.found, values),
        plain=stored.found.plain,
        new_site=stored.found.new_site,
        no_new_site=stored.found.no_new_site,
        contrasts=stored.found.contrasts,
        raters_compared=stored.found.raters_compared,
        raters=tuple(sorted({*live.found.raters, *stored.found.raters})),
        rater_sites=stored.found.rater_sites,
        counts=counts,
        cautions=(
            _assumed(live.found, stored.found, values),
            *_said(_LIVE, live.found.cautions),
            *_said(_STORED, stored.found.cautions),
        ),
    )
    return Fitted(
        found=found,
        components=_components(values, live, stored),
        draws=pd.DataFrame(put_together(drawn[0], drawn[1])),
        mean=live.mean,
        mean_draws=live.mean_draws,
        cautions=(*_said(_LIVE, live.cautions), *_said(_STORED, stored.cautions)),
    )


def put_together(live: Mapping[str, Any], stored: Mapping[str, Any]) -> dict[str, Any]:
    """Variances, or draws of them, of both kinds of reading.

    Raters, and what raters of a site have in common, are the stored clips', all else the live
    readings'. How differently raters judge single scans (subject_rater) cannot exceed the
    residual of the stored clips, which holds it and the reading of one picture, and is capped
    there, since few scans are read live by two raters. Stored clips that show it themselves, by
    repeated readings, give it.
    """
    put = {n: v for n, v in live.items() if n not in (*_RATERS, "subject_rater")}
    put |= {n: stored[n] for n in _RATERS if n in stored}
    if "site" in live:  # scanned and read by the same site: it holds both
        put["site"] = live["site"] - put.get("rater_site", 0.0)
    if "subject_rater" in live:
        capped = np.minimum(live["subject_rater"], stored["residual"])
        put["subject_rater"] = stored.get("subject_rater", capped)
    return {n: put[n] for n in ("residual", *ORDER) if n in put}


def _components(values: Mapping[str, float], live: Fitted, stored: Fitted) -> pd.DataFrame:
    """One row per component, with the levels of the readings that it comes from."""
    of_live, of_stored = (
        dict(zip(one.components["component"], one.components["levels"], strict=True))
        for one in (live, stored)
    )
    levels = of_stored | of_live | {n: of_stored[n] for n in _RATERS if n in of_stored}
    names = [*(n for n in values if n != "residual"), "residual"]
    variances = np.array([values[n] for n in names])
    total = variances.sum()
    return pd.DataFrame(
        {
            "component": names,
            "levels": [int(levels[n]) for n in names],
            "variance": variances,
            "sd": np.sqrt(variances),
            "share": variances / total if total > 0 else np.nan,
            "at_zero": variances == 0,
        }
    )


def _left_out(live: Facets, stored: Facets, values: Mapping[str, float]) -> pd.DataFrame:
    """What neither kind of reading tells; raters by the reason of the stored clips."""
    rows = [
        one.left_out[one.left_out["component"].isin(_RATERS) == of_raters]
        for one, of_raters in ((live, False), (stored, True))
    ]
    lost = pd.concat(rows, ignore_index=True)
    return lost[~lost["component"].isin(list(values))].reset_index(drop=True)


def _assumed(live: Facets, stored: Facets, values: Mapping[str, float]) -> Caution:
    capped = "subject_rater" in values and "subject_rater" not in stored.factors
    return Caution(
        "modes_put_together",
        f"How far raters lie apart is taken from {len(stored.rows)} readings of stored clips, "
        f"everything else from {len(live.rows)} live readings: raters are assumed to shift alike "
        "in both. "
        + (
            "How differently raters judge single scans is held to at most the residual of the "
            "stored clips. "
            if capped
            else ""
        )
        + "Intervals put together so covered 94 to 98 % instead of 95 %.",
    )


def _said(name: str, cautions: Iterable[Caution]) -> list[Caution]:
    return [Caution(c.code, f"{name}: {c.message[:1].lower()}{c.message[1:]}") for c in cautions]
