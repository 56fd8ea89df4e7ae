"""What the bench knows of the fleet: drives, ranges, gauges, calibrations."""

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import duckdb
import polars as pl

from fleetbelt import intake, pipeline
from fleetbelt.errors import InputError
from fleetbelt.models.gauge_drift import as_on, fit_gauge_drift, levelled
from fleetbelt.models.gauge_study import gauge_study, reproducibility
from fleetbelt.models.gauges import GaugeFit, fit_gauges
from fleetbelt.settings import Measurement, Settings, load_settings
from fleetbelt.store import frames
from fleetbelt.store.database import connect
from fleetbelt.store.frames import Read
from fleetbelt.store.workplace import workplace

_UNITS: Final = """(
    select
        gauge_id,
        arg_min(unit, (source, -n, unit)) as unit
    from (
        select gauge_id, unit, 1 as source, 1 as n from staging.gauges
        union all
        select gauge_id, unit, 2 as source, count(*) as n
        from typed.calibrations group by gauge_id, unit
        union all
        select gauge_id, reading_unit as unit, 3 as source, count(*) as n
        from staging.services group by gauge_id, reading_unit
    )
    where gauge_id is not null and unit is not null
    group by gauge_id
)"""
_BELTS: Final = "(select belt_id, vehicle_id, drive_id from results.belts)"
_NEEDED: Final = ("results.run_info", "history.ranges", "fitted.reading_sd")


@dataclass(frozen=True, slots=True, kw_only=True)
class Records:
    """What the bench knows of the fleet, as frames.

    Attributes
    ----------
    vehicles, drives, pulleys, gauges : polars.DataFrame
        The tables of ``staging`` of that name.
    ranges, uses : polars.DataFrame
        ``history.ranges``, and shop and gauge of ``history.gauge_uses``.
    units : polars.DataFrame
        ``gauge_id`` and ``unit``: as recorded, else of its calibrations, else of most
        readings taken with it.
    calibrations : polars.DataFrame
        ``staging.calibrations`` up to as-of.
    belts : polars.DataFrame
        ``belt_id``, ``vehicle_id``, ``drive_id`` of every belt.
    plan : polars.DataFrame or None
        ``results.work_plan``; None before a plan was made.
    fit : GaugeFit
        What the calibrations say, on the as-of day.
    reading_sd : float
        Relative sd of one field reading.
    as_of : date
        The day on which 'now' stands.
    settings : Settings
        Those that the results were made with.
    """

    vehicles: pl.DataFrame
    drives: pl.DataFrame
    pulleys: pl.DataFrame
    gauges: pl.DataFrame
    ranges: pl.DataFrame
    uses: pl.DataFrame
    units: pl.DataFrame
    calibrations: pl.DataFrame
    belts: pl.DataFrame
    plan: pl.DataFrame | None
    fit: GaugeFit
    reading_sd: float
    as_of: dt.date
    settings: Settings

    @property
    def rules(self) -> Measurement:
        """Return what a reading is worth."""
        return self.settings.measurement


@contextmanager
def opened(
    database: Path | None, folder: Path | None, say: intake.Say = intake.silent
) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open a database for reading, or load a folder into one that is thrown away.

    Parameters
    ----------
    database : Path or None
        A DuckDB file that `run` has written.
    folder : Path or None
        A folder of CSV files, where there is no database.
    say : callable
        Takes words for people, one line at a time.

    Yields
    ------
    duckdb.DuckDBPyConnection
        With every table up to the results.

    Raises
    ------
    InputError
        Neither or both are given, or the database was never run.
    """
    if (database is None) == (folder is None):
        raise InputError(
            what="The bench needs the records: a database or a data folder, not both.",
            where="--db and --data",
            fix="give --db FILE as `fleetbelt run` wrote it, or --data DIR.",
        )
    if database is not None:
        with _of_a_run(database) as connection:
            yield connection
    if folder is not None:
        with (
            workplace() as place,
            connect(place / "bench.duckdb") as connection,
        ):
            settings = load_settings(folder)
            intake.take_in(connection, folder, settings, accept_refusals=False, say=say)
            pipeline.compute(connection, settings, say=say)
            yield connection


@contextmanager
def _of_a_run(database: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    run = "make one with `fleetbelt run DATA_DIR --out DIR`."
    if not database.exists():
        raise InputError(
            what="There is no such database.", where=str(database), fix=run
        )
    with connect(database, read_only=True) as connection:
        if len(frames.existing(connection, _NEEDED)) < len(_NEEDED):
            raise InputError(
                what="The database holds records, but no results yet.",
                where=str(database),
                fix=run,
            )
        yield connection


def read_records(connection: duckdb.DuckDBPyConnection) -> Records:
    """Return what the bench knows from a database that was run."""

    def read(table: str) -> pl.DataFrame:
        return frames.read(connection, f"from {table}")

    settings = _settings(read)
    plan = frames.existing(connection, ["results.work_plan"])
    as_of: dt.date = read("history.as_of")["as_of"].item()
    limit = pl.lit(as_of, dtype=pl.Date)
    calibrations = read("(from staging.calibrations order by all)").filter(
        pl.col("date") <= limit
    )
    return Records(
        vehicles=read("staging.vehicles"),
        drives=read("staging.drives"),
        pulleys=read("staging.pulleys"),
        gauges=read("staging.gauges"),
        ranges=read("history.ranges"),
        uses=read("(select distinct shop, gauge_id from history.gauge_uses)"),
        units=read(_UNITS),
        calibrations=calibrations,
        belts=read(_BELTS),
        plan=plan.get("results.work_plan"),
        fit=_gauges_now(calibrations, settings, as_of),
        reading_sd=read("fitted.reading_sd")["reading_sd"].item(),
        as_of=as_of,
        settings=settings,
    )


def _gauges_now(
    calibrations: pl.DataFrame, settings: Settings, as_of: dt.date
) -> GaugeFit:
    """Return what the calibrations say of the gauges as they are on a day."""
    default = settings.measurement.default_repeatability
    drift = fit_gauge_drift(
        calibrations,
        default_repeatability=default,
        day_sd=reproducibility(gauge_study(calibrations)),
    )
    level = levelled(calibrations, drift)
    return as_on(fit_gauges(level, default_repeatability=default), drift, as_of)


def _settings(read: Read) -> Settings:
    """Return the settings of the run."""
    facts = dict(read("results.run_info").select("key", "value").iter_rows())
    return Settings.model_validate_json(facts["settings"])
