"""What the tension at install does to noise and bearings, all else allowed for."""

from dataclasses import dataclass
from typing import Self

import numpy as np
import polars as pl

from fleetbelt.models.arrays import FloatArray, IntArray, sum_by
from fleetbelt.models.count_likelihood import Counts
from fleetbelt.models.count_regression import (
    CountRegression,
    attributable_fraction,
    fit_counts,
)
from fleetbelt.steps.cells import (
    EVENTS_A_COLUMN,
    affordable,
    cells_of,
    constant,
    dose_design,
    dose_rows,
    indicators,
    knots_for,
    placed,
)
from fleetbelt.steps.tables import Tables, from_rows
from fleetbelt.store.frames import Read

OTHERS = ("model", "duty", "alternator_pulley")
_NONE_IN_RANGE = "No belt was left in range, so none can be compared to."
_ALL_IN_RANGE = "Every belt whose tension is known was left in range."
# Belts alike in all that counts, in one row; the miles of 20,000 or more are grouped to
# 250, as those of lives are.
_BELTS = """(
    with widths as (
        select case when count(*) >= 20000 then 250 else 1 end as width_mi
        from marts.belt_miles
    ),

    belts as (
        select
            belt_miles.model, belt_miles.band, vehicles.duty, alternator_pulley,
            case
                when relative is not null
                    then floor(least(greatest(relative, -1), 2) * 20 + 0.5) / 20
            end as relative,
            greatest(1, floor(miles / width_mi + 0.5)) * width_mi as miles,
            squeal, whine, bearing
        from marts.belt_miles
        cross join widths
        inner join staging.vehicles using (vehicle_id)
        inner join results.belts using (belt_id)
        left join staging.drives on belts.drive_id = drives.drive_id
        left join marts.install_tension using (belt_id)
        where miles > 0
    )

    select *, count(*) as weight from belts group by all
)"""


def count_effects(read: Read) -> Tables:
    """Compare complaints and bearing repairs of belts by how they were set.

    Parameters
    ----------
    read : callable
        Gives a table by its name.

    Returns
    -------
    mapping of str to DataFrame
        ``noise_dose``, ``noise_avoidable`` and ``repair_dose``.
    """
    belts = read(_BELTS).with_columns(pl.col(OTHERS).fill_null("unknown"))
    by_place = _Compared.of(placed(belts), (*OTHERS, "relative"))
    by_noise = [
        {"noise": noise, **row}
        for noise in ("squeal", "whine")
        for row in _dose(by_place, noise)
    ]
    return {
        "results.noise_dose": from_rows("noise_dose", by_noise),
        "results.noise_avoidable": from_rows(
            "noise_avoidable", [_avoidable(belts, "squeal")]
        ),
        "results.repair_dose": from_rows("repair_dose", _dose(by_place, "bearing")),
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class _Compared:
    """Belts in cells; a row stands for ``weight`` of them."""

    belts: pl.DataFrame
    cells: pl.DataFrame
    cell: IntArray

    @classmethod
    def of(cls, belts: pl.DataFrame, by: tuple[str, ...]) -> Self:
        cells, cell = cells_of(belts, by, belts["weight"].to_numpy())
        return cls(belts=belts, cells=cells, cell=cell)

    def total(self, event: str) -> int:
        """Add up events."""
        return int((self.belts[event] * self.belts["weight"]).sum())

    def fit(self, design: FloatArray, event: str) -> CountRegression:
        """Fit one row per belt, equal rows merged."""
        counts = Counts.of(
            self.belts[event].to_numpy(),
            self.belts["miles"].to_numpy(),
            cell=self.cell,
            weight=self.belts["weight"].to_numpy(),
        )
        names = [f"x{i}" for i in range(design.shape[1])]
        return fit_counts(counts.grouped(), design, names)

    def miles(self) -> FloatArray:
        """Add up the miles of each cell."""
        miles = (self.belts["miles"] * self.belts["weight"]).to_numpy()
        return sum_by(self.cell, miles, self.cells.height)


def _dose(compared: _Compared, event: str) -> list[dict[str, object]]:
    cells = compared.cells
    knots, events = knots_for(cells), compared.total(event)
    others = affordable(cells, OTHERS, events, columns=len(knots))
    if len(knots) * EVENTS_A_COLUMN > events:
        return []
    design = dose_design(cells, others, knots)
    fit = compared.fit(design, event)
    return dose_rows(fit.predictor, cells, design.shape[1], knots, "rate_ratio")


def _avoidable(belts: pl.DataFrame, noise: str) -> dict[str, object]:
    """Share of complaints that would not be, had every belt known been set in range."""
    known = _Compared.of(belts.filter(pl.col("band") != "unknown"), (*OTHERS, "band"))
    cells, events = known.cells, known.total(noise)
    row: dict[str, object] = {"noise": noise, "complaints": events}
    if "in_spec" not in cells["band"]:
        return row | {"reason": _NONE_IN_RANGE}
    if cells["band"].n_unique() == 1:
        return row | {"reason": _ALL_IN_RANGE}
    allowed = affordable(cells, ("band", *OTHERS), events)
    if "band" not in allowed:
        return row | {"reason": f"Complaints are too few to compare bands: {events}."}
    bands = indicators(cells, "band")[1]
    others = [constant(cells), *(indicators(cells, x)[1] for x in allowed[1:])]
    design = np.hstack([*others, bands])
    fit = known.fit(design, noise)
    share = attributable_fraction(
        fit,
        known.miles(),
        design,
        np.hstack([*others, np.zeros_like(bands)]),
    )
    row |= {
        "family": fit.family,
        "p_clustering": fit.clustering.p_value if fit.clustering else None,
    }
    if share is None or not np.isfinite([share.value, share.lo, share.hi]).all():
        return row | {"reason": fit.reason}
    return row | {"share": share.value, "share_lo": share.lo, "share_hi": share.hi}
