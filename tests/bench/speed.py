"""What the whole job costs at size, beside the bare load and beside a peer.

Run: python -m tests.bench.speed [--vehicles 20000 80000] [--repeat 3] [--no-peer]
[--memory 2GB]

Fleets are simulated over four years (800,000 vehicles make ten million service
records). In one run, each in a process of its own: the engine's bare typed load of the
same CSVs; the whole job from a cold start; again on unchanged files; again after one
more day of records; the pipeline that a user would write with pandas; and, where
--memory is given, the whole job within so much. Each is done REPEAT times, in turn, and
the median of the wall times is printed.
"""

import argparse
import itertools
import math
import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import duckdb

from fleetbelt.simulation import simulate
from tests.bench.measure import Cost, measured, median

DATED = ("services", "complaints", "odometers", "repairs")
YEARS = 4.0
ONE_DAY = 0.001
BARE, COLD, AGAIN, DAY, PEER, BOUND = (
    "bare load", "cold run", "unchanged", "one more day", "peer", "bounded",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """One fleet: its service records, and what each way of doing the job cost."""

    services: int
    costs: dict[str, Cost]


def main(
    vehicles: Sequence[int], repeat: int, *, has_peer: bool, memory: str | None
) -> None:
    """Simulate, run and print, a fleet at a time."""
    sizes: list[Size] = []
    for n_vehicles in vehicles:
        with tempfile.TemporaryDirectory() as place:
            sizes.append(
                measured_size(Path(place), n_vehicles, repeat, has_peer, memory)
            )
        sys.stdout.writelines(report(sizes[-1]))
        sys.stdout.flush()
    for smaller, larger in itertools.pairwise(sizes):
        sys.stdout.write(growth(smaller, larger))


def measured_size(
    place: Path,
    n_vehicles: int,
    repeat: int,
    has_peer: bool,
    memory: str | None,
) -> Size:
    """Measure every way of doing the job on one fleet."""
    folder, day = place / "records", place / "day"
    # what this process holds would count as the peak of those that it starts
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as apart:
        services = apart.submit(draw, folder, day, n_vehicles).result()
    found: dict[str, list[Cost]] = {}
    for n in range(repeat):
        ways = one_round(place / str(n), folder, day, has_peer=has_peer, memory=memory)
        for name, cost in ways:
            found.setdefault(name, []).append(cost)
    return Size(
        services=services, costs={name: median(costs) for name, costs in found.items()}
    )


def draw(folder: Path, day: Path, n_vehicles: int) -> int:
    """Simulate a fleet, its last day apart; return the number of services that stay."""
    simulate(folder, n_vehicles=n_vehicles, years=YEARS, seed=20261125)
    return hold_back_a_day(folder, day)


def hold_back_a_day(folder: Path, day: Path) -> int:
    """Move the last thousandth of the services' time to files of their own.

    Returns the number of services that stay.
    """
    day.mkdir()
    with duckdb.connect() as connection:
        connection.execute("set enable_progress_bar = false")
        read = "read_csv('{}', all_varchar = true, nullstr = '')".format
        services = read(folder / "services.csv")
        (last,) = connection.execute(
            f"select quantile_disc(date, {1 - ONE_DAY}) from {services}"
        ).fetchone() or (None,)
        for name in DATED:
            path = folder / f"{name}.csv"
            connection.execute(f"create table {name} as from {read(path)}")
            for where, comes in ((path, "<="), (day / f"{name}_day.csv", ">")):
                connection.execute(
                    f"copy (from {name} where date {comes} '{last}') to '{where}'"
                )
        (n,) = connection.execute(
            f"select count(*) from services where date <= '{last}'"
        ).fetchone() or (0,)
    return int(n)


def one_round(
    place: Path, folder: Path, day: Path, *, has_peer: bool, memory: str | None
) -> Iterator[tuple[str, Cost]]:
    """Do the job each way once; the records of the day come and go again."""
    place.mkdir()
    yield BARE, measured("tests.bench.bare_load", folder, place / "bare.duckdb")
    if has_peer:
        yield PEER, measured("tests.bench.peer", folder, place / "peer")
    if memory:
        yield BOUND, measured("tests.bench.whole_run", folder, place / "bound", memory)
    for name in (COLD, AGAIN):
        yield name, measured("tests.bench.whole_run", folder, place / "ours")
    added = [path.rename(folder / path.name) for path in sorted(day.glob("*.csv"))]
    yield DAY, measured("tests.bench.whole_run", folder, place / "ours")
    for path in added:
        path.rename(day / path.name)


def report(size: Size) -> Iterator[str]:
    """Say what each way cost, beside the bare load and the cold run."""
    bare, cold = size.costs[BARE], size.costs[COLD]
    yield f"\n{size.services:,} service records\n"
    yield (
        f"{'':14}{'wall s':>9}{'CPU s':>9}{'peak MB':>9}"
        f"{'x bare load':>13}{'x cold run':>12}\n"
    )
    for name, cost in size.costs.items():
        yield (
            f"{name:14}{cost.wall_s:9.1f}{cost.cpu_s:9.1f}{cost.peak_mb:9.0f}"
            f"{cost.wall_s / bare.wall_s:13.2f}{cost.wall_s / cold.wall_s:12.2f}\n"
        )
    for name in (COLD, AGAIN, DAY):
        ends = (0.0, *(at for _, at in size.costs[name].stages))
        stages = zip(size.costs[name].stages, ends, strict=False)
        words = (f"{stage} {at - begun:.1f}" for (stage, at), begun in stages)
        yield f"  {name}, seconds a stage: {', '.join(words)}\n"


def growth(smaller: Size, larger: Size) -> str:
    """Say how fast the cold run's wall time grows with the records."""
    times = larger.costs[COLD].wall_s / smaller.costs[COLD].wall_s
    exponent = math.log(times) / math.log(larger.services / smaller.services)
    return (
        f"from {smaller.services:,} to {larger.services:,} service records the cold "
        f"run's wall time grows with exponent {exponent:.2f}\n"
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--vehicles", type=int, nargs="+", default=[20_000, 80_000, 800_000]
    )
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--no-peer", action="store_true")
    parser.add_argument("--memory")
    given = parser.parse_args()
    main(
        given.vehicles,
        given.repeat,
        has_peer=not given.no_peer,
        memory=given.memory,
    )
