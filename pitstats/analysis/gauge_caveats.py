"""The sentences that travel with a comparison of gauges."""

from __future__ import annotations

import pandas as pd

from pitstats.analysis.probe_series import ProbeSummary
from pitstats.study.study import Study

NO_PAIRS = (
    "No kept bake has both a reading of the pit's own gauge and a temperature at the "
    "grate. Record a probe whose name begins with lid beside probes at the grate, or "
    "fill in indicated_temp and grate_temp in bakes."
)
NOT_DONENESS = (
    "A factor of browning rate is not a doneness figure and not a safety figure. The "
    "temperature of the air is used for that of the face, which overstates what a "
    "difference does."
)
ONE_BAKE = (
    "{pits}: one bake only. The difference seen is that of this bake; how far the next "
    "one would be off is unknown."
)
FEW_BAKES = (
    "{pits}: few bakes, so the limits themselves are known only roughly; read their "
    "intervals."
)
LEFT_OUT = "Kept bakes without a pair of gauge and grate temperature: {bakes}."
MEANS_ONLY = (
    "{n} of {total} bakes have means over the bake only; how far single readings "
    "spread is not known from them."
)
COMMON_ERROR = (
    "An error common to all grate probes moves every bias alike; a reference "
    "thermometer in the probe check would show it."
)
_FEW = 5


def gauge_caveats(
    study: Study,
    table: pd.DataFrame,
    bakes: pd.DataFrame,
    summary: ProbeSummary | None,
) -> tuple[str, ...]:
    """All that a reader of the comparison has to know."""
    found = []
    single = table.loc[table["n_bakes"] == 1, "pit"]
    few = table.loc[table["n_bakes"].between(2, _FEW - 1), "pit"]
    if len(single):
        found.append(ONE_BAKE.format(pits=", ".join(dict.fromkeys(single))))
    if len(few):
        found.append(FEW_BAKES.format(pits=", ".join(dict.fromkeys(few))))
    kept = study.bakes.loc[study.bakes["status"].eq("kept"), "bake"]
    missing = [bake for bake in kept if bake not in set(bakes["bake"])]
    if missing:
        found.append(LEFT_OUT.format(bakes=", ".join(missing)))
    n_means = int((~bakes["source"].str.startswith("lid")).sum())
    if n_means:
        found.append(MEANS_ONLY.format(n=n_means, total=len(bakes)))
    referenced = (
        summary is not None
        and summary.offsets["reference"].str.contains("thermometer").any()
    )
    if not referenced:
        found.append(COMMON_ERROR)
    return (*found, NOT_DONENESS)
