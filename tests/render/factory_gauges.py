"""Invented gauges, a drive and its range, for the gauges page."""

import datetime as dt

import polars as pl

BOARD = pl.DataFrame(
    {
        "gauge_id": ["G1", "G<2>"],
        "shop": ["North", None],
        "method": ["finger", "push"],
        "calibrations": [2, 0],
        "last_calibration": [dt.date(2024, 1, 5), None],
        "next_calibration": [dt.date(2025, 1, 4), None],
        "change": ["constant", None],
        "change_pct": [0.0, None],
        "change_lo": [0.0, None],
        "change_hi": [0.0, None],
        "readings": [90, 20],
        "readings_since": [30, 0],
        "readings_beyond": [4, 0],
        "span_min_mm": [150.0, None],
        "span_max_mm": [400.0, None],
        "wanted_span_mm": [420.0, 180.0],
        "wanted_readings": [4, 20],
        "belts_set": [7, 3],
        "belts_doubtful": [1, 0],
        "needs": ["nothing", "first_calibration"],
    }
)
LINES = pl.DataFrame(
    {
        "gauge_id": ["G1"] * 3,
        "span_mm": [150.0, 275.0, 400.0],
        "is_calibrated": [True, False, True],
        "ratio": [0.93, 0.97, 0.99],
        "ratio_lo": [0.92, 0.95, 0.98],
        "ratio_hi": [0.94, 0.99, 1.00],
    }
)
SQUARE = pl.DataFrame(
    {
        "drive_id": ["D1"] * 3,
        "position": [1, 2, 3],
        "accessory": ["crankshaft", "alternator", "<i>pump"],
        "x_mm": [0.0, 300.0, 0.0],
        "y_mm": [0.0, 0.0, 400.0],
        "diameter_mm": [100.0] * 3,
        "side": ["ribbed"] * 3,
        "has_gauge_access": [False, True, True],
    }
)
RANGES = pl.DataFrame(
    {
        "drive_id": ["D1"],
        "belt_state": ["used"],
        "spec_min_n": [400.0],
        "spec_max_n": [600.0],
    }
)


def gauges() -> dict[str, pl.DataFrame]:
    """Return the tables of the gauges page beside curves, study and recall."""
    return {
        "results.gauge_board": BOARD,
        "fitted.gauge_lines": LINES,
        "staging.pulleys": SQUARE,
        "history.ranges": RANGES,
    }
