"""The commands: each one is one call of the pipeline, and what to print of it.

Answers go to stdout, words for people to stderr; heavy libraries are imported where
a command needs them, so that `fleetbelt --help` comes at once.
"""

import json
import signal
import sys
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from fleetbelt.errors import FleetbeltError

if TYPE_CHECKING:
    from fleetbelt.intake import Outcome

app = typer.Typer(
    add_completion=True,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="From a workshop's drive-belt records to what to do next.",
)

bench_app = typer.Typer(rich_markup_mode=None)
app.add_typer(bench_app, name="bench")

DataDir = Annotated[Path, typer.Argument(help="Folder of service-record CSV files.")]
Database = Annotated[Path, typer.Option("--db", help="The DuckDB file.")]
Json = Annotated[bool, typer.Option("--json", help="One JSON object on stdout.")]
AcceptRefusals = Annotated[
    bool,
    typer.Option(
        "--accept-refusals", help="Go on though a large part of a file is refused."
    ),
]
Memory = Annotated[
    str, typer.Option(help="What the run may use of it: 800MB, 2GB, 60%.")
]
Pack = Annotated[
    bool, typer.Option("--pack", help="Pages compressed in themselves, for mail.")
]
Pseudonyms = Annotated[
    bool,
    typer.Option(
        "--pseudonyms",
        help="Replace technicians' ids by labels in pages and tables.",
    ),
]
AsOf = Annotated[
    datetime | None,
    typer.Option(
        formats=["%Y-%m-%d"],
        help="Day on which 'now' stands; default: the newest record.",
    ),
]


_CONTROLS = {
    n: f"\\x{n:02x}" for n in (*range(32), *range(127, 160)) if n not in (9, 10)
}


def _shown(text: str) -> str:
    """Return words of files as a terminal may show them: nothing steers it."""
    return text.translate(_CONTROLS)


def _say(text: str) -> None:
    typer.echo(_shown(text), err=True)


def _print_json(answer: object) -> None:
    typer.echo(json.dumps(answer, indent=2, ensure_ascii=False))


def _end(result: "Outcome", *, as_json: bool = False) -> None:
    """Say where everything is and what the first page says; print the answer."""
    folder = result.pages[0].parent
    _say(f"pages     {folder}")
    _say(f"tables    {folder.parent / 'tables'}")
    _say(f"database  {result.database}")
    for sentence in result.headlines:
        _say(sentence)
    if as_json:
        _print_json(result.as_json())
    else:
        typer.echo(result.pages[0])


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(version("fleetbelt"))
        raise typer.Exit


@app.callback()
def _options(
    _version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_show_version, is_eager=True, help="Say the version."
        ),
    ] = False,
) -> None:
    """Hold the options that belong to no command."""


@app.command()
def demo(
    out: Annotated[Path, typer.Option(help="Folder to write.")] = Path(
        "fleetbelt-demo"
    ),
    *,
    pack: Pack = False,
    pseudonyms: Pseudonyms = False,
) -> None:
    """Do the whole job on the bundled sample fleet.

    Example: fleetbelt demo
    """
    from fleetbelt import pipeline
    from fleetbelt.progress import progress
    from fleetbelt.resources import bundled

    with progress(_say) as say:
        result = pipeline.run(
            bundled("sample_data"), out, pack=pack, pseudonyms=pseudonyms, say=say
        )
    _end(result)


@app.command()
def run(
    data_dir: DataDir,
    *,
    out: Annotated[Path, typer.Option(help="Folder to write.")],
    db: Annotated[
        Path | None, typer.Option(help="The DuckDB file; default OUT/fleet.duckdb.")
    ] = None,
    as_of: AsOf = None,
    accept_refusals: AcceptRefusals = False,
    memory: Memory = "60%",
    pack: Pack = False,
    pseudonyms: Pseudonyms = False,
    as_json: Json = False,
) -> None:
    """Load, reduce, fit and render: from a folder of CSV files to the pages.

    Example: fleetbelt run records --out fleet
    """
    from fleetbelt import pipeline
    from fleetbelt.progress import progress

    with progress(_say) as say:
        result = pipeline.run(
            data_dir,
            out,
            database=db,
            as_of=as_of.date() if as_of else None,
            accept_refusals=accept_refusals,
            memory=memory,
            pack=pack,
            pseudonyms=pseudonyms,
            say=say,
        )
    _end(result, as_json=as_json)


@app.command()
def load(
    data_dir: DataDir,
    db: Database,
    accept_refusals: AcceptRefusals = False,
    memory: Memory = "60%",
    as_json: Json = False,
) -> None:
    """Only take the files in; what is known already is not taken in again.

    Example: fleetbelt load records --db fleet.duckdb
    """
    from fleetbelt import intake

    result = intake.load(
        data_dir, db, accept_refusals=accept_refusals, memory=memory, say=_say
    )
    if as_json:
        _print_json(result.as_json())
    else:
        typer.echo(result.database)


@app.command()
def unload(
    db: Database,
    file: Annotated[str, typer.Option("--file", help="The file's sha256.")],
) -> None:
    """Take one file's rows back; what they had replaced returns.

    Example: fleetbelt unload --db fleet.duckdb --file 9f86d081…
    """
    from fleetbelt import intake

    typer.echo(intake.unload(db, file))


@app.command()
def check(
    data_dir: DataDir,
    suggest: Annotated[
        bool,
        typer.Option("--suggest", help="Write DATA_DIR/fleetbelt.toml to edit."),
    ] = False,
) -> None:
    """Say how each file was understood and what would be refused; load nothing.

    Example: fleetbelt check records
    """
    from fleetbelt import intake

    typer.echo(_shown(intake.check(data_dir, suggest=suggest)))


@bench_app.callback(invoke_without_command=True)
def bench(
    context: typer.Context,
    *,
    gauge: Annotated[str | None, typer.Option(help="The gauge in hand.")] = None,
    vehicle: Annotated[
        list[str] | None, typer.Option(help="The vehicle; may be given many times.")
    ] = None,
    drive: Annotated[
        str | None, typer.Option(help="The drive, or the vehicle's second one.")
    ] = None,
    span: Annotated[
        str | None,
        typer.Option(
            help="7in, 178mm or alternator-water_pump; default: the longest in reach."
        ),
    ] = None,
    belt: Annotated[
        Literal["new", "used"] | None,
        typer.Option(help="State of the belt; default: both, readings as used."),
    ] = None,
    reading: Annotated[
        list[float] | None,
        typer.Option(help="What the gauge showed; several are averaged."),
    ] = None,
    week: Annotated[
        datetime | None,
        typer.Option(formats=["%Y-%m-%d"], help="The jobs planned for this week."),
    ] = None,
    db: Annotated[
        Path | None, typer.Option(help="The DuckDB file of `fleetbelt run`.")
    ] = None,
    data: Annotated[
        Path | None, typer.Option(help="A folder of CSV files, where there is none.")
    ] = None,
    html: Annotated[
        Path | None, typer.Option(help="Write a printable sheet a vehicle here.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Say what this gauge must show on this span, or what its reading meant.

    Example: fleetbelt bench --db fleet.duckdb --vehicle V-000001 --gauge G-03
    --span 7in --reading 98
    """
    if context.invoked_subcommand is not None:
        return
    from fleetbelt.bench import desk

    answer = desk.answer(
        desk.Call(
            gauge_id=gauge,
            vehicle_ids=tuple(vehicle or ()),
            drive_id=drive,
            span=span,
            belt=belt,
            readings=tuple(reading or ()),
            week=week.date() if week else None,
        ),
        database=db,
        folder=data,
        html=html,
        say=_say,
    )
    if as_json:
        _print_json(answer.as_json())
    else:
        typer.echo(html or answer.as_text())


@bench_app.command()
def calibrate(
    points: Annotated[
        list[str],
        typer.Argument(
            metavar="POINT", help="SPAN:LOAD:READING[,READING…], as 7in:185lbf:167.5"
        ),
    ],
    *,
    unit: Annotated[
        Literal["lbf", "N", "kgf"] | None,
        typer.Option(help="Unit the gauge shows; default: that of the first load."),
    ] = None,
    gravity: Annotated[
        float, typer.Option(help="Local gravity in m/s², for loads in kg or lb.")
    ] = 9.80665,
    span: Annotated[
        str | None, typer.Option(help="Also the correction on this span.")
    ] = None,
    within: Annotated[
        float, typer.Option(min=0.01, help="Half width wanted, per cent.")
    ] = 1.0,
    gauge: Annotated[
        str | None, typer.Option(help="With --date: rows for calibrations.csv.")
    ] = None,
    date: Annotated[
        datetime | None,
        typer.Option(formats=["%Y-%m-%d"], help="Day of the calibration."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Hold a gauge to dead weights: its corrections, and what is still needed.

    Example: fleetbelt bench calibrate 7in:185lbf:167.5 12in:185lbf:182 --span 9in
    """
    if (gauge is None) != (date is None):
        message = "--gauge and --date go together"
        raise typer.BadParameter(message)

    from fleetbelt.bench import calibrate as hold
    from fleetbelt.bench import calibrate_words as words

    readings, shown = hold.parse_points(points, unit=unit, gravity_m_s2=gravity)
    found = hold.calibrate(readings, unit=shown, span=span, within=within / 100)
    if as_json:
        _print_json(words.calibration_json(found))
    elif gauge and date:
        rows = words.calibration_rows(
            readings, unit=shown, gauge_id=gauge, day=date.date()
        )
        typer.echo(rows.write_csv(), nl=False)
    else:
        typer.echo(words.calibration_text(found))


@app.command()
def simulate(
    folder: Annotated[Path, typer.Argument(help="Folder to write.")],
    vehicles: Annotated[int, typer.Option(min=1, help="Vehicles in the fleet.")] = 480,
    years: Annotated[float, typer.Option(min=0.1, help="Years of records.")] = 4.0,
    seed: Annotated[int, typer.Option(help="Same seed, same fleet.")] = 1,
    dirt: Annotated[
        bool, typer.Option("--dirt", help="With some honestly dirty rows.")
    ] = False,
) -> None:
    """Draw an invented fleet whose truth is known; the truth goes to FOLDER/truth.

    Example: fleetbelt simulate fleet --vehicles 1000 --years 3 --seed 7
    """
    from fleetbelt.simulation import simulate as draw

    fleet = draw(folder, n_vehicles=vehicles, years=years, seed=seed, with_dirt=dirt)
    typer.echo(fleet.folder)


@app.command()
def dictionary() -> None:
    """Print every table, column, unit and code word.

    Example: fleetbelt dictionary
    """
    from fleetbelt.dictionary import dictionary_text

    typer.echo(dictionary_text())


def main() -> None:
    """Run the app; show an error as three lines, not a traceback."""
    signal.signal(
        signal.SIGTERM, lambda *_: sys.exit(143)
    )  # scratch goes, as by Ctrl-C
    try:
        app()
    except FleetbeltError as error:
        _say(f"error: {error}")
        sys.exit(error.exit_code)
    except OSError as error:
        _say(
            f"error: {error.strerror or error}.\n  where: {error.filename or '-'}\n"
            "  fix:   make the place readable, writable and large enough."
        )
        sys.exit(3)
