"""The facts of a run: what was asked, what was read, with which versions."""

import hashlib
import json
from importlib.metadata import version
from typing import Final

import polars as pl

from fleetbelt.contract import CONTRACT_VERSION
from fleetbelt.settings import Plan, Settings
from fleetbelt.store.frames import Read

_COUNTS: Final = {
    "n_vehicles": "staging.vehicles",
    "n_services": "staging.services",
    "n_visits_used": "history.visits",
    "n_readings": "results.tension_readings",
    "n_belts": "results.belts",
    "n_quarantined": "results.quarantine",
    "n_notes": "results.data_notes",
}
_LIBRARIES: Final = ("fleetbelt", "duckdb", "polars", "numpy", "scipy")


def planned(read: Read) -> str:
    """Say in words how much is planned, what has no room, and how near the best."""
    depots = read("results.plan_depots")
    if depots.is_empty():
        return "nothing to plan: no date is known"
    whole = depots.filter(pl.col("depot") == "all").row(0, named=True)
    gap = 100 * max(depots["gap"].to_list())
    words = (
        f"{whole['jobs']:,} jobs in 26 weeks, {whole['overflow_jobs']:,} without room; "
        f"within {gap:.3f} % of the cheapest plan in every depot"
    )
    strangers = depots.filter(
        (pl.col("belts") == 0) & (pl.col("weekly_minutes_from") == "settings")
    )["depot"]
    return words + "".join(
        f"; the settings give minutes to '{depot}', where no belt runs"
        for depot in strangers
    )


def counted(read: Read, table: str) -> str:
    """Return the number of a table's rows, to be said."""
    return f"{_count(read, table):,}"


def _count(read: Read, table: str) -> int:
    return int(read(f"(select count(*) as n from {table})").item())


def inputs(read: Read, settings: Settings) -> str:
    """Return a fingerprint of all that decides the results.

    Parameters
    ----------
    read : callable
        Returns a table as a frame; ``raw.files`` and ``history.as_of`` stand.
    settings : Settings
        The settings used.

    Returns
    -------
    str
        SHA-256 over the files' hashes, the as-of date, the settings and the versions.
    """
    as_of = read("history.as_of")["as_of"].item()
    parts = [
        str(as_of),
        _as_text(settings),
        *(version(name) for name in _LIBRARIES),
        *sorted(read("raw.files")["sha256"]),
    ]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def _as_text(settings: Settings) -> str:
    return json.dumps(settings.model_dump(mode="json"), sort_keys=True)


def run_info(
    read: Read, settings: Settings, *, pseudonyms: bytes | None = None
) -> pl.DataFrame:
    """Return the facts of this run as key and value, both text, sorted by key.

    Parameters
    ----------
    read : callable
        Returns a table as a frame.
    settings : Settings
        The settings used.
    pseudonyms : bytes or None
        Key of the labels that stand for technicians, if they do; never told.

    Returns
    -------
    polars.DataFrame
        Columns ``key``, ``value``.
    """
    window = read("history.as_of").row(0, named=True)
    reading_sd = read("fitted.reading_sd").row(0, named=True)
    counts = {key: _count(read, table) for key, table in _COUNTS.items()}
    facts = {
        "contract_version": CONTRACT_VERSION,
        "as_of": window["as_of"],
        "first_record": window["first_record"],
        "last_record": window["last_record"],
        "records_after_as_of": window["n_after"],
        "reading_sd": reading_sd["reading_sd"],
        "reading_sd_source": reading_sd["source"],
        "technicians": "pseudonyms" if pseudonyms else "as recorded",
        "currency": settings.plan.currency,
        "plan_defaults": " ".join(_not_given(settings.plan)),
        "settings": _as_text(settings),
        "inputs": inputs(read, settings),
        "compared_with_as_of": _as_of_before(read),
        **counts,
        **{f"version_{name}": version(name) for name in _LIBRARIES},
    }
    return pl.DataFrame(
        {
            "key": list(facts),
            "value": [None if fact is None else str(fact) for fact in facts.values()],
        },
        schema={"key": pl.String, "value": pl.String},
    ).sort("key")


def _as_of_before(read: Read) -> str | None:
    """Return the as-of date of the last run on other inputs; None where none was."""
    before = read("previous.run_info").filter(key="as_of")["value"]
    return None if before.is_empty() else before.item()


def _not_given(plan: Plan) -> list[str]:
    """Return the numbers of the plan for which the settings leave the defaults."""
    costs = type(plan.costs).model_fields.keys() - plan.costs.model_fields_set
    others = {"retension_p", "retension_minutes", "replacement_minutes"}
    return sorted({f"cost_{name}" for name in costs} | others - plan.model_fields_set)
