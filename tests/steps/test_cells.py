"""Designs of the comparisons: what there are events enough for."""

import polars as pl

from fleetbelt.steps.cells import FEW_KNOTS, KNOTS, affordable, indicators, knots_for

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
