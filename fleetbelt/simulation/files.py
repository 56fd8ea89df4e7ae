"""Draw a fleet and write its files, a block of vehicles at a time."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Final

import numpy as np
import polars as pl

from fleetbelt.errors import InputError
from fleetbelt.simulation.books import workshop_books
from fleetbelt.simulation.crew import Crew, draw_crew
from fleetbelt.simulation.dirt import no_dirt, plant_dirt
from fleetbelt.simulation.history import History
from fleetbelt.simulation.options import SimulationOptions
from fleetbelt.simulation.records import Numbering, write_down
from fleetbelt.simulation.tables import Rng
from fleetbelt.simulation.truth import block_truth, fleet_truth
from fleetbelt.simulation.vehicles import belt_places, draw_vehicles
from fleetbelt.simulation.world import World

BLOCK_VEHICLES: Final = 40_000
Frames = dict[str, pl.DataFrame]


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedFleet:
    """What was written, and where.

    Attributes
    ----------
    folder : Path
        The folder of the CSV files, named for their tables.
    truth : Path or None
        The folder of the truth's Parquet files.
    rows : dict of str to int
        Data rows by table, the dirt included.
    dirt : pl.DataFrame
        The dirty rows, columns as in `fleetbelt.simulation.dirt.PLANTED`.
    """

    folder: Path
    truth: Path | None
    rows: dict[str, int]
    dirt: pl.DataFrame


def simulate(  # noqa: PLR0913 - the arguments of the command
    folder: Path,
    *,
    n_vehicles: int,
    years: float,
    seed: int,
    with_dirt: bool = False,
    on: date = date(2025, 6, 30),
    options: SimulationOptions | None = None,
) -> SimulatedFleet:
    """Write an invented fleet to the data contract, and its truth beside it.

    Parameters
    ----------
    folder : Path
        Where the CSV files go; the truth goes to ``folder/truth``.
    n_vehicles : int
        Vehicles in the fleet, at least 1.
    years : float
        Length of the records, at least half a year, which end on `on`.
    seed : int
        The same seed and arguments give the same bytes.
    with_dirt : bool
        Whether honest mistakes are planted; the truth stays that of the clean rows.
    on : date
        Last day of the records.
    options : SimulationOptions, optional
        Switches of the generating model.

    Returns
    -------
    SimulatedFleet
        Paths, row counts and the planted dirt.

    Raises
    ------
    InputError
        The fleet is empty, too short-lived, or has a negative seed.
    """
    _check(n_vehicles=n_vehicles, years=years, seed=seed)
    options = options or SimulationOptions()
    n_days = round(years * 365.25)
    start = on - timedelta(days=n_days)
    crew_rng, book_rng, dirt_rng, blocks_rng = np.random.default_rng(seed).spawn(4)
    crew = draw_crew(crew_rng, n_vehicles, options)
    books = workshop_books(book_rng, crew, start=start, n_days=n_days, options=options)
    output = _Output(folder, has_truth=options.truth)
    dirt = no_dirt()
    for frames, truth in _blocks(blocks_rng, crew, n_vehicles, start, n_days, options):
        tables = books | frames
        if with_dirt and dirt.is_empty():
            tables, dirt = plant_dirt(dirt_rng, tables)
        output.append(tables)
        output.learn(truth)
        books = {}
    output.learn(fleet_truth(crew, options) | {"dirt": dirt})
    return output.close(dirt)


def _check(*, n_vehicles: int, years: float, seed: int) -> None:
    wrong = {
        f"a fleet of {n_vehicles} vehicles": n_vehicles < 1,
        f"records of {years} years": not 0.5 <= years <= 50.0,
        f"the seed {seed}": seed < 0,
    }
    for what, is_wrong in wrong.items():
        if is_wrong:
            raise InputError(
                what=f"Cannot draw {what}.",
                where="the call of simulate",
                fix="ask for 1 vehicle or more, 0.5 to 50 years, a seed of 0 or more.",
            )


def _blocks(
    rng: Rng,
    crew: Crew,
    n_vehicles: int,
    start: date,
    n_days: int,
    options: SimulationOptions,
) -> Iterator[tuple[Frames, Frames]]:
    """Play the fleet a block of vehicles at a time: its records, and its truth."""
    firsts = range(0, n_vehicles, BLOCK_VEHICLES)
    numbering = Numbering(start=start)
    for first, block_rng in zip(firsts, rng.spawn(len(firsts)), strict=True):
        n = min(BLOCK_VEHICLES, n_vehicles - first)
        vehicles = draw_vehicles(block_rng, n, n_days, options)
        world = World(
            vehicles=vehicles,
            places=belt_places(vehicles),
            crew=crew,
            n_days=n_days,
            options=options,
            rng=block_rng,
        )
        history = History(world).play()
        records = write_down(world, history, numbering)
        truth = block_truth(world, history, records, numbering) if options.truth else {}
        yield records.frames, truth
        numbering = replace(
            numbering,
            **{
                table: getattr(numbering, table) + records.frames[table].height
                for table in ("vehicles", "services", "complaints", "repairs")
            },
        )


class _Output:
    """The CSV files, appended to block by block, and the truth, written at the end."""

    def __init__(self, folder: Path, *, has_truth: bool) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder, self.truth = folder, folder / "truth" if has_truth else None
        self.rows: dict[str, int] = {}
        self.known: dict[str, list[pl.DataFrame]] = {}

    def append(self, frames: Frames) -> None:
        """Append rows to each table's file; the first ones start it."""
        for name, frame in frames.items():
            is_first = name not in self.rows
            path = self.folder / f"{name}.csv"
            with path.open("wb" if is_first else "ab") as file:
                frame.write_csv(file, include_header=is_first)
            self.rows[name] = self.rows.get(name, 0) + frame.height

    def learn(self, frames: Frames) -> None:
        """Keep frames of truth."""
        for name, frame in frames.items():
            self.known.setdefault(name, []).append(frame)

    def close(self, dirt: pl.DataFrame) -> SimulatedFleet:
        """Write the truth and say what was written."""
        if self.truth is not None:
            self.truth.mkdir(exist_ok=True)
            for name, parts in self.known.items():
                pl.concat(parts).write_parquet(self.truth / f"{name}.parquet")
        return SimulatedFleet(
            folder=self.folder, truth=self.truth, rows=self.rows, dirt=dirt
        )
