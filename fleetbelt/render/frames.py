"""The frames that pages are made from, and the facts of the run."""

import json
from collections.abc import Mapping
from typing import Final

import polars as pl

NEEDED: Final[tuple[str, ...]] = (
    "results.run_info",
    "results.load_files",
    "results.quarantine",
    "results.superseded",
    "results.data_notes",
    "results.gauge_curves",
    "results.gauge_study",
    "results.gauge_recall",
    "results.belts",
    "results.install_conformity",
    "results.drift_by_model",
    "results.drift_by_belt",
    "results.life_by_group",
    "results.life_curve",
    "results.noise_rates",
    "results.vehicle_results",
    "results.technician_results",
    "results.watchlist",
    "results.work_plan",
    "results.what_if",
    "marts.belt_story",
    "marts.install_tension",
    "marts.quarantine_reasons",
    "marts.note_codes",
    "marts.vehicles_now",
)
"""Tables that the pages read; any of them may be missing or empty."""


class Frames:
    """Tables by name; a missing and an empty one look alike."""

    def __init__(self, tables: Mapping[str, pl.DataFrame]) -> None:
        self._tables = tables
        info = tables.get("results.run_info")
        rows = () if info is None else info.select("key", "value").iter_rows()
        self._facts = {key: value or "" for key, value in rows}

    def get(self, name: str) -> pl.DataFrame | None:
        """Return a table, or None where it is missing or empty."""
        if name not in NEEDED:
            raise KeyError(name)
        table = self._tables.get(name)
        return None if table is None or table.is_empty() else table

    def fact(self, key: str, default: str = "") -> str:
        """Return a fact of the run as text."""
        return self._facts.get(key) or default

    def number(self, key: str, default: float) -> float:
        """Return a fact of the run as a number, the default where it is none."""
        try:
            return float(self.fact(key))
        except ValueError:
            return default

    def setting(self, section: str, key: str, default: float) -> float:
        """Return a number of the settings used, the default where it is not told."""
        try:
            settings = json.loads(self.fact("settings", "{}"))
            return float(settings[section][key])
        except (ValueError, KeyError, TypeError):
            return default

    @property
    def facts(self) -> Mapping[str, str]:
        """Every fact of the run, by key."""
        return self._facts
