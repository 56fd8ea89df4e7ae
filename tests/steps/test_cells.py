"""Designs of the comparisons: what there are events enough for."""

import numpy as np
import polars as pl

from fleetbelt.models.count_likelihood import Counts
from fleetbelt.models.count_regression import fit_counts
from fleetbelt.steps.cells import (
    FEW_KNOTS,
    KNOTS,
    affordable,
    cells_of,
    dose_design,
    dose_rows,
    indicators,
    knots_for,
)

CELLS = pl.DataFrame(
    {
        "band": ["loose", "in_spec", "tight", "in_spec"],
        "model": ["A", "B", "C", "D"],
        "duty": ["urban", "urban", "mixed", "mixed"],
    }
)
TERMS = ("band", "model", "duty")


def test_terms_are_taken_in_order_while_there_are_five_events_a_column():
    """One column, 2 more for bands, 3 for models, 1 for duty."""
    assert affordable(CELLS, TERMS, 14) == ["duty"]
    assert affordable(CELLS, TERMS, 15) == ["band"]
    assert affordable(CELLS, TERMS, 20) == ["band", "duty"]
    assert affordable(CELLS, TERMS, 35) == ["band", "model", "duty"]


def test_columns_that_stand_before_count_as_well():
    assert affordable(CELLS, TERMS, 35, columns=5) == ["band"]


def test_a_term_with_one_level_costs_nothing():
    assert affordable(CELLS.head(1), TERMS, 5) == list(TERMS)


def test_few_different_places_get_a_stiffer_curve():
    places = pl.DataFrame({"relative": [0.0, 0.5, 1.0, 1.5]})

    assert knots_for(places) == FEW_KNOTS
    assert knots_for(pl.DataFrame({"relative": [k / 10 for k in range(8)]})) == KNOTS


def test_levels_are_compared_to_the_range_or_to_the_commonest_that_is_known():
    cells = pl.DataFrame(
        {
            "band": ["loose", "in_spec", "unknown"],
            "duty": ["unknown", "urban", "mixed"],
            "n": [50, 10, 90],
        }
    )

    assert indicators(cells, "band")[0] == ["in_spec", "loose", "unknown"]
    assert indicators(cells, "duty")[0] == ["mixed", "urban", "unknown"]
    assert indicators(cells, "duty")[1].tolist() == [[0, 1], [1, 0], [0, 0]]


def drawn(places: np.ndarray) -> list[dict[str, object]]:
    """Fit a flat dose to counts at these places, and draw it."""
    cells = pl.DataFrame({"relative": places})
    design = dose_design(cells, [], KNOTS)
    fit = fit_counts(
        Counts.of(np.full(places.size, 9), np.ones(places.size), cell=None),
        design,
        [f"x{k}" for k in range(design.shape[1])],
    )
    one_each = cells.with_columns(n=1)
    return dose_rows(fit.predictor, one_each, design.shape[1], KNOTS, "rate_ratio")


def test_a_dose_is_drawn_where_belts_are_and_is_1_in_the_middle():
    rows = pl.DataFrame(drawn(np.linspace(-0.5, 1.5, 81)))

    assert rows["relative"].is_between(-0.5, 1.5).all()
    assert rows.filter(relative=0.5)["rate_ratio"].to_list() == [1.0]


def test_without_belts_about_the_middle_of_the_range_no_dose_is_drawn():
    assert drawn(np.linspace(0.8, 1.5, 40)) == []


def test_cells_are_the_combinations_that_occur_with_their_belts():
    belts = pl.DataFrame(
        {"model": ["B", "A", "B", "A"], "relative": [0.5, 1.0, 0.5, 0.0]}
    )

    cells, cell = cells_of(belts, ("model", "relative"), [1, 2, 3, 4])

    assert cells.rows() == [("A", 0.0, 4), ("A", 1.0, 2), ("B", 0.5, 4)]
    assert cell.tolist() == [2, 1, 2, 0]


def test_no_belts_have_no_cells():
    nothing = pl.DataFrame(schema={"model": pl.String, "band": pl.String})

    cells, cell = cells_of(nothing, ("model", "band"))

    assert cells.is_empty()
    assert cell.size == 0
