"""What the tension at install does to the life of a belt, all else allowed for."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import compress

import numpy as np
import polars as pl

from fleetbelt.models.arrays import FloatArray
from fleetbelt.models.estimates import LikelihoodRatio
from fleetbelt.models.life_regression import (
    LifeRegression,
    compare,
    fit_life_regression,
)
from fleetbelt.models.lives import Lives
from fleetbelt.models.weibull_likelihood import Terms
from fleetbelt.steps.cells import (
    EVENTS_A_COLUMN,
    Levels,
    affordable,
    cells_of,
    constant,
    dose_design,
    dose_rows,
    indicators,
    knots_for,
    placed,
)
from fleetbelt.steps.life import as_lives, group_width
from fleetbelt.steps.tables import Tables, from_rows
from fleetbelt.store.frames import Read

TERMS = ("band", "model", "duty", "alternator_pulley")
OTHERS = TERMS[1:]
SHAPE_FAILURES = 10  # a model with fewer shares its shape with the others like it
LEVEL = 0.05
_CONSTANT = "constant"
_ONE_LEVEL = "All belts are alike in this, or too few failed."
_TELLS_NOTHING = 1e6  # an upper limit of a ratio of times
_TOO_FEW = "Too few belts have failed to allow for this as well."
_LIVES = """(
    select
        model, band, coalesce(duty, 'unknown') as duty,
        coalesce(alternator_pulley, 'unknown') as alternator_pulley,
        relative, ending, entry_mi, lower_mi, upper_mi
    from marts.lives
)"""


def life_effects(read: Read) -> Tables:
    """Compare lives of belts by how they were set, and by where they run.

    Parameters
    ----------
    read : callable
        Gives a table by its name.

    Returns
    -------
    mapping of str to DataFrame
        ``life_effects``, ``life_tests`` and ``life_dose``.
    """
    belts = read(_LIVES)
    by_terms = _Compared.of(belts, TERMS)
    allowed = affordable(by_terms.cells, TERMS, by_terms.lives.failures)
    terms = {term: indicators(by_terms.cells, term) for term in allowed}
    full, tests = _tests(by_terms, terms)
    rows = [
        row for term in TERMS for row in _effects(term, full, terms, by_terms, tests)
    ]
    return {
        "results.life_effects": from_rows("life_effects", rows),
        "results.life_tests": from_rows(
            "life_tests", [_test_row(term, test) for term, test in tests.items()]
        ),
        "results.life_dose": from_rows(
            "life_dose", _dose(belts, by_terms.share, near=full)
        ),
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class _Compared:
    """Lives in cells, and the models whose failures tell a shape."""

    cells: pl.DataFrame  # with their belts n and their failures
    lives: Lives
    terms: Terms
    strata: FloatArray
    share: float

    @classmethod
    def of(
        cls, belts: pl.DataFrame, by: tuple[str, ...], share: float | None = None
    ) -> "_Compared":
        cells, cell = cells_of(belts, by)
        every = as_lives(belts, cell=cell)
        share = every.broken_share if share is None else share
        lives = every.grouped(group_width(every))
        cells = cells.with_columns(failures=pl.Series(lives.failures_by(cells.height)))
        return cls(
            cells=cells,
            lives=lives,
            terms=Terms.of(lives, share),
            strata=_strata(cells),
            share=share,
        )

    def fit(
        self,
        terms: Mapping[str, Levels],
        *,
        has_shapes: bool,
        near: LifeRegression | None = None,
    ) -> LifeRegression:
        """Fit the effects of these terms."""
        columns = [constant(self.cells), *(x for _, x in terms.values())]
        names = [f"{term} {word}" for term, (ws, _) in terms.items() for word in ws[1:]]
        return self.fit_design(
            np.hstack(columns), [_CONSTANT, *names], has_shapes=has_shapes, near=near
        )

    def fit_design(
        self,
        design: FloatArray,
        names: Sequence[str],
        *,
        has_shapes: bool,
        near: LifeRegression | None,
    ) -> LifeRegression:
        return fit_life_regression(
            self.lives,
            design,
            names,
            strata=self.strata if has_shapes else None,
            broken_share=self.share,
            near=near,
            terms=self.terms,
        )


def _strata(cells: pl.DataFrame) -> FloatArray:
    """Give each model with enough failures a shape, the others one together."""
    counted = cells.group_by("model").agg(pl.col("failures").sum())
    own = sorted(counted.filter(pl.col("failures") >= SHAPE_FAILURES)["model"])
    of = cells["model"].to_numpy()
    columns = [~np.isin(of, own), *(of == model for model in own)]
    strata = np.array(columns, dtype=float).reshape(len(columns), cells.height).T
    return np.asarray(strata[:, strata.any(axis=0)])


def _tests(
    by_terms: _Compared, terms: dict[str, Levels]
) -> tuple[LifeRegression, dict[str, LikelihoodRatio | None]]:
    """Test whether models differ in shape, then what each term and their pair adds.

    Returns the regression on all terms, each model with its own shape where they do.
    """
    one_shape = by_terms.fit(terms, has_shapes=False)
    shaped = by_terms.fit(terms, has_shapes=True, near=one_shape)
    shape = compare(shaped, one_shape)
    has_shapes = shape is not None and shape.df > 0 and shape.p_value < LEVEL
    full = shaped if has_shapes else one_shape
    tests: dict[str, LikelihoodRatio | None] = {}
    for term, levels in terms.items():
        others = {**terms, term: _known(levels, is_known=False)}
        without = by_terms.fit(others, has_shapes=has_shapes, near=full)
        tests[term] = compare(full, without)
    nothing: Levels = ([], np.zeros((by_terms.cells.height, 0)))
    models = terms.get("model", nothing)[1]
    bands = _known(terms.get("band", nothing), is_known=True)[1]
    n_pairs = models.shape[1] * bands.shape[1]
    pairs = models[:, :, None] * bands[:, None, :]
    names = ["none", *(str(pair) for pair in range(n_pairs))]
    paired = {**terms, "pair": (names, pairs.reshape(by_terms.cells.height, n_pairs))}
    with_pairs = by_terms.fit(paired, has_shapes=has_shapes, near=full)
    return full, {
        **{term: tests.get(term) for term in TERMS},
        "band_by_model": compare(with_pairs, full) if n_pairs else None,
        "shape_by_model": shape,
    }


def _known(term: Levels, *, is_known: bool) -> Levels:
    """Keep a term's known levels, or whether it is known, which nobody asks."""
    levels, columns = term
    keep = [(level != "unknown") == is_known for level in levels[1:]]
    return [*levels[:1], *compress(levels[1:], keep)], columns[:, keep]


def _test_row(term: str, test: LikelihoodRatio | None) -> dict[str, object]:
    if test is None or test.df == 0:
        return {"term": term, "reason": _ONE_LEVEL}
    return {
        "term": term, "chi2": test.chi2, "df": test.df, "p_value": test.p_value,
    }  # fmt: skip


def _effects(
    term: str,
    full: LifeRegression,
    terms: dict[str, Levels],
    compared: _Compared,
    tests: dict[str, LikelihoodRatio | None],
) -> list[dict[str, object]]:
    """Give a row to each level of a term."""
    levels, _ = indicators(compared.cells, term)
    counts = {
        level: {"belts": n, "failures": failures}
        for level, n, failures in compared.cells.group_by(term)
        .agg(pl.col("n", "failures").sum())
        .iter_rows()
    }
    test = tests.get(term)
    p_value = test.p_value if test and test.df else None
    at = 1 + sum(
        terms[x][1].shape[1] for x in terms if TERMS.index(x) < TERMS.index(term)
    )
    return [
        {"term": term, "level": level, "p_value": p_value, **counts[level]}
        | ({"reason": _TOO_FEW} if term not in terms else _ratio(full, number, at))
        for number, level in enumerate(levels)
    ]


def _ratio(full: LifeRegression, number: int, at: int) -> dict[str, object]:
    """Return the time ratio of a term's level, or why there is none."""
    if full.predictor is None:
        return {"reason": full.reason}
    if number == 0:
        return {"time_ratio": 1.0}
    found = full.coefficients[at + number - 1]
    ratio = found.ratio
    if ratio is None or not ratio.hi < _TELLS_NOTHING:
        return {"reason": found.reason or _TOO_FEW}
    return {"time_ratio": ratio.value, "ratio_lo": ratio.lo, "ratio_hi": ratio.hi}


def _dose(
    belts: pl.DataFrame, share: float, *, near: LifeRegression
) -> list[dict[str, object]]:
    set_at = placed(belts)
    by_place = _Compared.of(set_at, (*OTHERS, "relative"), share)
    knots, failures = knots_for(by_place.cells), by_place.lives.failures
    if len(knots) * EVENTS_A_COLUMN > failures:
        return []
    others = affordable(by_place.cells, OTHERS, failures, columns=len(knots))
    design = dose_design(by_place.cells, others, knots)
    names = [_CONSTANT, *(f"dose {place}" for place in range(1, design.shape[1]))]
    has_shapes = near.n_shapes > 1
    fit = by_place.fit_design(design, names, has_shapes=has_shapes, near=near)
    return dose_rows(
        fit.predictor, by_place.cells, design.shape[1], knots, "time_ratio"
    )
