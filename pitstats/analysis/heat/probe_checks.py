"""Probes against each other at one place: what each of them reads too high or low."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pitstats.study.study import Study

REFERENCE, MEAN = "reference thermometer", "mean of the probes"


def probe_offsets(study: Study) -> pd.DataFrame:
    """Offset of every probe in the probe check.

    Parameters
    ----------
    study : Study
        Its table ``probe_checks``; may be empty.

    Returns
    -------
    pandas.DataFrame
        One row per probe: ``probe, n_readings, offset`` (reading less reference, in
        the study's unit), ``std_error`` (NaN for a single reading), ``reference``
        ("reference thermometer" or "mean of the probes"). A reference that is typed
        once holds for all readings of that minute. Without one, the mean of the
        probes of that minute (lid gauges not counted) stands for it: the offsets then
        say how probes differ, not how far all of them are off. A probe that was alone
        and without a reference is left out.

    Notes
    -----
    A check at one temperature says nothing about an error that grows with it.

    Examples
    --------
    >>> import pitstats as ps
    >>> ps.probe_offsets(ps.demo_study("probed_pits")).columns.tolist()
    ['probe', 'n_readings', 'offset', 'std_error', 'reference']
    """
    checks = study.probe_checks.copy()
    columns = ["probe", "n_readings", "offset", "std_error", "reference"]
    if checks.empty:
        return pd.DataFrame(columns=columns)
    checks["lid"] = is_lid(checks["probe"])
    # Readings without a minute belong to one round.
    checks["round"] = checks["minute"].fillna(-np.inf)
    rounds = checks.groupby("round", sort=False)
    stated = rounds["reference_temp"].transform("mean")
    checks["reference"] = np.where(stated.notna(), REFERENCE, MEAN)
    checks["offset"] = checks["temp"] - stated.fillna(_mean_of_probes(checks))
    checks = checks.dropna(subset=["offset"])
    grouped = checks.groupby("probe", sort=False)["offset"]
    table = grouped.agg(n_readings="size", offset="mean", std_error="sem").reset_index()
    kinds = checks.groupby("probe", sort=False)["reference"].agg(
        lambda kind: " and ".join(dict.fromkeys(kind))
    )
    table["reference"] = table["probe"].map(kinds)
    return table[columns]


def is_lid(probe: pd.Series[str]) -> pd.Series[bool]:
    """Whether each name is that of a lid gauge: it begins with lid."""
    return probe.str.strip().str.casefold().str.startswith("lid")


def _mean_of_probes(checks: pd.DataFrame) -> pd.Series[float]:
    """Mean over the grate probes of each round; NaN where there are fewer than two."""
    grate = checks[~checks["lid"]]
    of_probe = grate.groupby(["round", "probe"])["temp"].mean()
    by_round = of_probe.groupby(level="round").agg(["mean", "size"])
    means = by_round["mean"].where(by_round["size"] > 1)
    return checks["round"].map(means).astype(float)


def applied_offsets(offsets: pd.DataFrame) -> dict[str, float]:
    """Offset of each probe by name."""
    return dict(zip(offsets["probe"], offsets["offset"].astype(float), strict=True))
