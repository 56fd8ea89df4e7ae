"""READ ME FIRST: the whole way of the data, from CSV files to pages.

CSV -> ingest -> raw.*, typed.* -> staging.* -> [gauges] -> history.* -> [drift]
    -> marts.* -> results.* -> render -> HTML, Parquet, CSV, XLSX, ICS.
Never backwards.

SQL reduces, Python infers: a fit reads a frame that SQL made and writes ``fitted.*``
or a result table of its own grain; whatever is one row per record is SQL.
"""

from datetime import date
from pathlib import Path

import duckdb
import polars as pl

from fleetbelt import facts
from fleetbelt.intake import Outcome, Say, silent, take_in
from fleetbelt.outputs import early, give_out, new_tables
from fleetbelt.resources import bundled
from fleetbelt.settings import Settings, load_settings, refuse_odd_day
from fleetbelt.store import checks, frames, previous, sql_models, state
from fleetbelt.store.comments import say_what_the_contract_says
from fleetbelt.store.database import MEMORY, connect, is_roomy, shut, transaction
from fleetbelt.store.folders import made_folder, refuse_others
from fleetbelt.store.places import place_errors
from fleetbelt.store.pseudonyms import key_beside, put_in
from fleetbelt.store.side_by_side import GiveOut, Tables, made_beside


def run(  # noqa: PLR0913 -- the options of one command
    folder: Path,
    out: Path,
    *,
    database: Path | None = None,
    as_of: date | None = None,
    accept_refusals: bool = False,
    memory: str = MEMORY,
    pack: bool = False,
    pseudonyms: bool = False,
    say: Say = silent,
) -> Outcome:
    """Do the whole job: load, reduce, fit, render.

    Parameters
    ----------
    folder : Path
        CSV files to the contract, and optionally ``fleetbelt.toml``.
    out : Path
        Folder for ``pages/`` and ``tables/``; made where it is missing.
    database : Path, optional
        The DuckDB file; ``out/fleet.duckdb`` when not given.
    as_of : date, optional
        The day on which 'now' stands; the newest record when not given.
    accept_refusals : bool
        Go on though a large part of a file is refused.
    memory : str
        What the run may use of it, as 800MB or 60%.
    pack : bool
        Compress inside the pages, for mail.
    pseudonyms : bool
        Replace technicians' ids in everything that is given out; the key of the labels
        stands beside the database.
    say : callable
        Takes words for people, one line at a time.

    Returns
    -------
    Outcome
        Where everything is, and the accounts of the files.

    Raises
    ------
    InputError
        The files or the settings are wrong; nothing was changed.
    PlaceError
        The database or the folder cannot be used; nothing was changed.
    """
    folder, out = Path(folder), Path(out)
    refuse_odd_day(as_of)
    settings = load_settings(folder)
    database = Path(database or out / "fleet.duckdb")
    for ours in (out / "pages", out / "tables"):
        refuse_others(ours)
    with made_folder(out), connect(database, memory=memory) as connection:
        report = take_in(
            connection, folder, settings, accept_refusals=accept_refusals, say=say
        )
        shut(connection, out)
        key = key_beside(database) if pseudonyms else None
        now = state.state(connection, settings.model_dump_json(), as_of, key)
        stands = "the records are in, the results are those of the last run"
        with place_errors(out, "the records are in"), new_tables(out, now) as new:
            if state.holds(connection, now):
                say("unchanged since the last run: the results stand")
            else:
                with place_errors(database, stands), transaction(connection):
                    give = early(connection, new) if new and not key else None
                    compute(connection, settings, as_of, say, key=key, give_out=give)
                    state.keep(connection, now)
            with place_errors(out, "the results are in the database"):
                pages, headlines = give_out(
                    connection, out, now, new=new, key=key, pack=pack, say=say
                )
    return Outcome(
        database=database, pages=pages, files=report.files, headlines=headlines
    )


def compute(
    connection: duckdb.DuckDBPyConnection,
    settings: Settings,
    as_of: date | None = None,
    say: Say = silent,
    *,
    key: bytes | None = None,
    give_out: GiveOut | None = None,
) -> None:
    """Make every table after the typed ones anew: the way itself."""
    models = (
        *sql_models.discover(bundled("sql")),
        checks.notes(bundled("sql") / "checks"),
    )
    asked = pl.DataFrame({"as_of": [as_of]}, {"as_of": pl.Date})
    frames.write(connection, "typed.run_options", asked)
    made = sql_models.build(connection, models, "staging", "history.as_of")
    if key:
        put_in(connection, key)
    before = facts.inputs(lambda t: frames.read(connection, f"from {t}"), settings)
    previous.keep(connection, before)
    has_room = is_roomy(connection)
    with made_beside(connection, models, made, give_out, is_roomy=has_room) as tables:
        _fit(tables, settings, say, is_roomy=has_room)
        said = facts.run_info(tables.read, settings, pseudonyms=key)
        tables.write({"results.run_info": said})
    say_what_the_contract_says(connection)


def _fit(tables: Tables, settings: Settings, say: Say, *, is_roomy: bool) -> None:
    """Run the fits in order, while SQL makes what they read and what reads them."""
    from fleetbelt import steps  # noqa: PLC0415 -- the fits load slowest of all

    read, write = tables.read, tables.write

    def rows(table: str) -> str:
        return facts.counted(read, table)

    write(steps.gauges(read, settings))
    say(f"gauges    {rows('fitted.corrections')} corrections of readings")
    write(steps.daily_miles(read))
    write(steps.drift(read, settings))
    say(f"drift     {rows('fitted.belt_now')} belts carried to now")

    def judge_readings() -> None:
        write(steps.conformity(read, settings))
        write(steps.installs(read))
        write({**steps.people(read, settings), **steps.work_done(read)})
        write(steps.gauge_board(read, settings))

    def foretell_belts() -> None:
        write(steps.lives(read))
        write(steps.life_effects(read))
        write(steps.count_effects(read))
        write({**steps.noise(read), **steps.repairs(read)})
        write(steps.vehicles(read))
        write(steps.policies(read, settings))
        write(steps.plan(read, settings))

    if is_roomy:
        tables.at_once(judge_readings, foretell_belts)
    else:
        judge_readings()
        foretell_belts()
    say(f"lives     {rows('results.belts')} belts, and their noise")
    say(f"people    {rows('results.technician_results')} technicians")
    say(f"plan      {facts.planned(read)}")
    say(f"verdicts  on {rows('results.tension_readings')} readings")
