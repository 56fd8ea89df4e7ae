"""What the tension at install does to a belt: to its life, and to its noise."""

from collections.abc import Sequence

import numpy as np
import polars as pl

from fleetbelt.models.arrays import FloatArray, sum_by
from fleetbelt.models.count_likelihood import Counts
from fleetbelt.models.count_regression import (
    CountRegression,
    attributable_fraction,
    fit_counts,
)
from fleetbelt.models.design import Predictor, natural_spline
from fleetbelt.models.life_regression import (
    LifeRegression,
    compare,
    fit_life_regression,
)
from fleetbelt.models.lives import Lives
from fleetbelt.steps.life import GROUP_MI, MANY_BELTS, as_lives
from fleetbelt.steps.tables import Tables, from_rows
from fleetbelt.store.frames import Read

TERMS = ("model", "band", "duty", "alternator_pulley")
KNOTS = (-0.5, 0.0, 0.5, 1.0, 1.5)  # of the place in the range: 0 minimum, 1 maximum
MIDDLE = 0.5
STEP = 0.05  # to which the place in the range is rounded
_DRAWN = (0.02, 0.98)  # quantiles of the places between which a curve is drawn


def effects(read: Read) -> Tables:
    """Compare lives and complaints of belts by how they were set, all else allowed for.

    Parameters
    ----------
    read : callable
        Gives a table by its name.

    Returns
    -------
    mapping of str to DataFrame
        ``life_effects``, ``life_dose``, ``noise_dose`` and ``noise_avoidable``.
    """
    belts = read("(from marts.lives order by belt_id)").with_columns(
        pl.col(TERMS).fill_null("unknown")
    )
    heard = read(
        "(select belt_miles.*, relative from marts.belt_miles"
        " left join (select belt_id, relative from marts.install_tension)"
        " using (belt_id) where miles > 0 order by belt_id)"
    )
    share = as_lives(belts).broken_share
    return {
        "results.life_effects": from_rows("life_effects", _life_effects(belts, share)),
        "results.life_dose": from_rows("life_dose", _life_dose(belts, share)),
        "results.noise_dose": from_rows(
            "noise_dose",
            [row for noise in ("squeal", "whine") for row in _noise_dose(heard, noise)],
        ),
        "results.noise_avoidable": from_rows(
            "noise_avoidable", [_avoidable(heard, "squeal")]
        ),
    }


def _life_effects(belts: pl.DataFrame, share: float) -> list[dict[str, object]]:
    cells, cell = _cells(belts, TERMS)
    lives = _life_of(belts, cell)
    terms = {term: _indicators(cells, term) for term in TERMS}
    full = _fit_life(lives, terms, cells.height, share)
    rows: list[dict[str, object]] = []
    at = 1
    for term, (levels, _) in terms.items():
        others = {name: x for name, x in terms.items() if name != term}
        test = compare(full, _fit_life(lives, others, cells.height, share))
        p_value = test.p_value if test and levels[1:] else None
        for number, level in enumerate(levels):
            row: dict[str, object] = {"term": term, "level": level, "p_value": p_value}
            row |= {"belts": belts.filter(pl.col(term) == level).height}
            if number == 0 and full.predictor:
                row |= {"time_ratio": 1.0}
            elif full.predictor:
                found = full.coefficients[at + number - 1]
                if found.ratio and np.isfinite(found.ratio.hi):
                    ratio = found.ratio
                    row |= {"time_ratio": ratio.value}
                    row |= {"ratio_lo": ratio.lo, "ratio_hi": ratio.hi}
                row |= {"reason": found.reason}
            else:
                row |= {"reason": full.reason}
            rows.append(row)
        at += len(levels) - 1
    return rows


def _fit_life(
    lives: Lives,
    terms: dict[str, tuple[list[str], FloatArray]],
    n_cells: int,
    share: float,
) -> LifeRegression:
    columns = [np.ones((n_cells, 1)), *(x for _, x in terms.values())]
    names = [
        f"{term} {level}" for term, (levels, _) in terms.items() for level in levels[1:]
    ]
    return fit_life_regression(
        lives, np.hstack(columns), ["constant", *names], broken_share=share
    )


def _life_dose(belts: pl.DataFrame, share: float) -> list[dict[str, object]]:
    others = ("model", "duty", "alternator_pulley")
    set_at = _placed(belts)
    cells, cell = _cells(set_at, (*others, "relative"))
    design = _dose_design(cells, others)
    names = [f"x{number}" for number in range(design.shape[1])]
    fit = fit_life_regression(_life_of(set_at, cell), design, names, broken_share=share)
    return [
        {"relative": x, "time_ratio": ratio, "ratio_lo": lo, "ratio_hi": hi}
        for x, ratio, lo, hi in _dose(fit.predictor, set_at, design.shape[1])
    ]


def _noise_dose(heard: pl.DataFrame, noise: str) -> list[dict[str, object]]:
    set_at = _placed(heard)
    cells, cell = _cells(set_at, ("model", "relative"))
    design = _dose_design(cells, ("model",))
    fit = _fit_noise(set_at, cell, design, noise)
    return [
        {"noise": noise, "relative": x, "rate_ratio": r, "ratio_lo": lo, "ratio_hi": hi}
        for x, r, lo, hi in _dose(fit.predictor, set_at, design.shape[1])
    ]


def _avoidable(heard: pl.DataFrame, noise: str) -> dict[str, object]:
    """Share of complaints that would not be, had every belt known been set in range."""
    known = heard.filter(pl.col("band") != "unknown")
    cells, cell = _cells(known, ("model", "band"))
    (_, models), (_, bands) = (_indicators(cells, x) for x in ("model", "band"))
    one = np.ones((cells.height, 1))
    design = np.hstack([one, models, bands])
    fit = _fit_noise(known, cell, design, noise)
    miles = sum_by(cell, known["miles"].to_numpy().astype(float), cells.height)
    share = attributable_fraction(
        fit, miles, design, np.hstack([one, models, np.zeros_like(bands)])
    )
    row: dict[str, object] = {"noise": noise, "complaints": int(known[noise].sum())}
    if "in_spec" not in cells["band"]:
        return row | {"reason": "No belt was set in range, so none can be compared to."}
    if share is None or not np.isfinite([share.value, share.lo, share.hi]).all():
        return row | {"reason": fit.reason}
    return row | {"share": share.value, "share_lo": share.lo, "share_hi": share.hi}


def _fit_noise(
    belts: pl.DataFrame, cell: np.ndarray, design: FloatArray, noise: str
) -> CountRegression:
    """Fit one row per belt, equal rows merged."""
    miles = pl.col("miles").cast(pl.Float64)
    if belts.height > MANY_BELTS:
        miles = ((miles / GROUP_MI).round() * GROUP_MI).clip(lower_bound=GROUP_MI)
    rows = (
        belts.select(miles, events=pl.col(noise))
        .with_columns(cell=pl.Series(cell, dtype=pl.Int64))
        .group_by("cell", "miles", "events")
        .agg(weight=pl.len())
        .sort("cell", "miles", "events")
    )
    counts = Counts.of(
        rows["events"].to_numpy(),
        rows["miles"].to_numpy(),
        cell=rows["cell"].to_numpy(),
        weight=rows["weight"].to_numpy(),
    )
    return fit_counts(counts, design, [f"x{i}" for i in range(design.shape[1])])


def _life_of(belts: pl.DataFrame, cell: np.ndarray) -> Lives:
    lives = as_lives(belts, cell=cell)
    return lives.grouped(GROUP_MI if lives.n > MANY_BELTS else None)


def _placed(belts: pl.DataFrame) -> pl.DataFrame:
    """Keep belts of known place in the range, rounded; far out ones are drawn in."""
    place = pl.col("relative").clip(KNOTS[0] - 0.5, KNOTS[-1] + 0.5)
    return belts.filter(pl.col("relative").is_not_null()).with_columns(
        relative=(place / STEP).round() * STEP
    )


def _cells(belts: pl.DataFrame, by: Sequence[str]) -> tuple[pl.DataFrame, np.ndarray]:
    """Return the combinations that occur, counted, and which one each belt is."""
    cells = belts.group_by(by).agg(n=pl.len()).sort(by).with_row_index("cell")
    cell = belts.select(by).join(cells, on=by, how="left", maintain_order="left")
    return cells, cell["cell"].to_numpy().astype(np.int64)


def _indicators(cells: pl.DataFrame, term: str) -> tuple[list[str], FloatArray]:
    """Return the levels, the one compared to first, and a column for each other."""
    sizes = cells.group_by(term).agg(pl.col("n").sum())
    commonest_first = sizes.sort(pl.col("n"), term, descending=[True, False])
    levels = commonest_first[term].to_list()
    if "in_spec" in levels and term == "band":
        levels = ["in_spec", *(x for x in levels if x != "in_spec")]
    of = cells[term].to_numpy()
    columns = [of == level for level in levels[1:]]
    return levels, np.array(columns, dtype=float).reshape(len(columns), cells.height).T


def _dose_design(cells: pl.DataFrame, others: Sequence[str]) -> FloatArray:
    """Spline of the place in the range first, so that its columns are found again."""
    spline = natural_spline(cells["relative"].to_numpy(), KNOTS)
    rest = [_indicators(cells, term)[1] for term in others]
    return np.hstack([np.ones((cells.height, 1)), spline, *rest])


def _dose(
    predictor: Predictor | None, belts: pl.DataFrame, n_columns: int
) -> list[tuple[float, float, float, float]]:
    """Ratios to the middle of the range, where belts are; none where not fitted."""
    if predictor is None:
        return []
    first, last = (belts["relative"].quantile(q, "nearest") for q in _DRAWN)
    if first is None or last is None:
        return []
    places = np.round(np.arange(first, last + STEP / 2, STEP), 2)
    spline = natural_spline(np.append(places, MIDDLE), KNOTS)
    if not np.isin(1 + np.arange(spline.shape[1]), predictor.fitted.columns).all():
        return []
    rows = np.zeros((places.size + 1, n_columns))
    rows[:, 0], rows[:, 1 : 1 + spline.shape[1]] = 1.0, spline
    ratio, lo, hi = predictor.contrast(rows[:-1], rows[-1])
    if not np.isfinite(hi).all():
        return []
    return list(
        zip(places.tolist(), ratio.tolist(), lo.tolist(), hi.tolist(), strict=True)
    )
