"""The frames that pages are made from, and the facts of the run."""

import json
from collections.abc import Mapping
from typing import Final

import polars as pl

MOST_VEHICLES: Final = 2_000
"""So many vehicles are listed, and open."""

_TABLES: Final = (
    "results.run_info",
    "results.load_files",
    "results.quarantine",
    "results.superseded",
    "results.data_notes",
    "results.gauge_curves",
    "results.gauge_study",
    "results.gauge_recall",
    "results.gauge_board",
    "fitted.gauge_lines",
    "staging.pulleys",
    "history.ranges",
    "results.belts",
    "results.install_conformity",
    "results.drift_by_model",
    "results.drift_by_belt",
    "results.drift_effects",
    "results.drift_clocks",
    "results.drift_checks",
    "results.drift_gauges",
    "results.drift_offsets",
    "fitted.belt_ahead",
    "results.life_by_group",
    "results.life_curve",
    "results.life_effects",
    "results.life_tests",
    "results.life_dose",
    "results.noise_rates",
    "results.noise_curve",
    "results.noise_dose",
    "results.noise_avoidable",
    "results.repair_rates",
    "results.repair_dose",
    "results.vehicle_results",
    "results.technician_results",
    "results.technician_retensions",
    "results.technician_complaints",
    "results.watchlist",
    "results.watchlist_changes",
    "results.work_plan",
    "results.plan_capacity",
    "results.plan_depots",
    "results.part_needs",
    "results.replacement_age",
    "results.replacement_curve",
    "results.what_if",
    "results.plan_assumptions",
    "marts.belt_complaints",
    "marts.file_changes",
    "marts.install_tension",
    "marts.input_losses",
    "marts.quarantine_reasons",
    "marts.refused_rows",
    "marts.note_codes",
    "marts.vehicles_now",
    "pages.belt_ends",
    "pages.belt_story",
    "pages.due_days",
    "pages.job_records",
    "pages.retension_places",
    "pages.vehicle_counts",
    "pages.watched_records",
)
_VEHICLES: Final = (
    "from results.vehicle_results order by noise_lo desc nulls last, vehicle_id"
    f" limit {MOST_VEHICLES}"
)
_BELTS: Final = (  # of those vehicles
    f"from results.belts where vehicle_id in (select vehicle_id {_VEHICLES})"
)
_PARTS: Final = {
    "results.belts": _BELTS,
    "results.data_notes": "select table_name, key, code from results.data_notes"
    " where table_name = 'services' and key in (select service_id"
    " from pages.belt_story union all select last_service_id from results.watchlist)",
    "results.drift_by_belt": "from results.drift_by_belt where belt_id in"  # noqa: S608 -- our own text
    f" (select belt_id from results.watchlist union all select belt_id {_BELTS})",
    "results.noise_curve": "from results.noise_curve"
    " where model = 'all' and noise in ('squeal', 'all')",
    "results.vehicle_results": _VEHICLES,
    "fitted.belt_ahead": "from fitted.belt_ahead"
    " where belt_id in (select belt_id from pages.belt_story)",
    "marts.install_tension": "select depot, model, duty, shop, install_date,"
    " tension_n, correction, spec_min_n, relative, band from marts.install_tension",
}
_IN_ANY_ORDER: Final = {  # large, and only counted or sorted by who reads them
    "marts.install_tension",
    "marts.vehicles_now",
    "results.work_plan",
}
NEEDED: Final[Mapping[str, str]] = {
    name: _PARTS.get(name, f"from {name}") for name in _TABLES
}
"""Tables that the pages read, and what of each: no more of a large fleet's than a page
holds. Any of them may be missing or empty."""


class Frames:
    """Tables by name; a missing and an empty one look alike."""

    def __init__(self, tables: Mapping[str, pl.DataFrame]) -> None:
        self._tables = dict(tables)
        self._sorted: dict[str, pl.DataFrame] = {}
        info = tables.get("results.run_info")
        rows = () if info is None else info.select("key", "value").iter_rows()
        self._facts = {key: value or "" for key, value in rows}

    def get(self, name: str) -> pl.DataFrame | None:
        """Return a table in one order whatever it came in; None where it is empty.

        The largest are not sorted: see `_IN_ANY_ORDER`.
        """
        if name not in NEEDED:
            raise KeyError(name)
        table = self._tables.get(name)
        if table is None or table.is_empty():
            return None
        if name in _IN_ANY_ORDER:
            return table
        if name not in self._sorted:
            self._sorted[name] = table.sort(pl.all(), maintain_order=True)
        return self._sorted[name]

    def has(self, name: str) -> bool:
        """Tell whether the run makes this table at all, with rows or without."""
        return name in self._tables

    def of_vehicles(self, table: pl.DataFrame, *columns: str) -> pl.DataFrame:
        """Add columns of each row's vehicle, null where it is not known."""
        vehicles = self.get("marts.vehicles_now")
        if vehicles is None:
            nothing = pl.lit(None, dtype=pl.String)
            return table.with_columns(nothing.alias(name) for name in columns)
        known = vehicles.select("vehicle_id", *columns).unique("vehicle_id")
        return table.join(known, on="vehicle_id", how="left", maintain_order="left")

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
