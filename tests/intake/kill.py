"""200 kills at random moments of load and run: nothing lost, nothing doubled.

Run: python -m tests.intake.kill [kills] [seed] [KILL, TERM or INT]
"""

import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fleetbelt.simulation import simulate
from fleetbelt.store.database import connect

_COMMAND = [sys.executable, "-c", "from fleetbelt.cli import main; main()"]
_TIMES = {("raw", "files"): "loaded_at", ("results", "load_files"): "loaded_at"}
_OF_THE_RUN = {("results", "run_info")}  # holds the time of the run

_FAILURES = {"lost or doubled", "rerun differs", "traceback"}

Contents = dict[tuple[str, str], tuple[int, int]]


@dataclass
class Job:
    """A command, what the database holds after it, and how long it last took."""

    name: str
    arguments: list[str]
    after: Contents
    seconds: float


def contents(database: Path, *schemas: str) -> Contents:
    """Return rows and a sum over the rows' hashes of every table of the schemas."""
    with connect(database) as connection:
        tables = connection.execute(
            "select table_schema, table_name from information_schema.tables "
            "order by all"
        ).fetchall()
        found = {}
        for schema, table in tables:
            if schema in schemas and (schema, table) not in _OF_THE_RUN:
                time_column = _TIMES.get((schema, table))
                but = f"exclude ({time_column})" if time_column else ""
                found[schema, table] = connection.execute(
                    f"select count(*), coalesce(sum(hash(t)::hugeint), 0) "
                    f"from (select * {but} from {schema}.{table}) as t"
                ).fetchall()[0]
    return found


def start(arguments: list[str], database: Path, out: Path) -> subprocess.Popen[bytes]:
    """Start a command on a database."""
    places = [*arguments, "--db", str(database)]
    if arguments[0] == "run":
        places += ["--out", str(out)]
    with (out.parent / "stderr").open("wb") as words:
        return subprocess.Popen(
            [*_COMMAND, *places], stdout=subprocess.DEVNULL, stderr=words
        )


def folders(scratch: Path) -> tuple[Path, Path]:
    """Write a fleet, and a month later: corrections, new rows and the same again."""
    first, second = scratch / "first", scratch / "second"
    simulate(first, n_vehicles=12, years=1.5, seed=1, with_dirt=True)
    second.mkdir()
    head, *lines = (first / "services.csv").read_text().splitlines()
    corrected = [f"{line}corrected" for line in lines[::5]]
    new = [f"N{line}" for line in lines[1::5]]
    text = "\n".join([head, *corrected, *new, *lines[2::5]])
    (second / "services_later.csv").write_text(text)
    return first, second


def main(n_kills: int = 200, seed: int = 0, name: str = "KILL") -> int:
    """Kill, look, run again; print the counts; return the number of failures."""
    rng, blow = np.random.default_rng(seed), signal.Signals[f"SIG{name}"]
    found: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as place:
        scratch = Path(place)
        first, second = folders(scratch)
        base = scratch / "base.duckdb"
        start(["load", str(first), "--accept-refusals"], base, scratch).wait()
        before = contents(base, "raw", "typed")
        jobs = [
            _clean(name, [name, str(second), "--accept-refusals"], base, scratch)
            for name in ("load", "run")
        ]
        n = 0
        while found["killed"] < n_kills:
            n += 1
            result = _kill(jobs[n % 2], base, before, scratch / f"kill{n}", rng, blow)
            found.update(result)
            if result & _FAILURES:
                sys.stderr.write(f"kill {n} of {jobs[n % 2].name}: {result}\n")
            shutil.rmtree(scratch / f"kill{n}")
    sys.stdout.write(
        f"{n_kills} of SIG{name} while it ran: {found['before']} left the database "
        f"as before, {found['after']} as after; "
        f"{found['lost or doubled']} with rows lost or doubled, "
        f"{found['rerun differs']} reruns with other tables, "
        f"{found['traceback']} with a traceback\n"
    )
    return sum(found[failure] for failure in _FAILURES)


def _clean(name: str, arguments: list[str], base: Path, scratch: Path) -> Job:
    database = scratch / f"{name}.duckdb"
    shutil.copy(base, database)
    begun = time.monotonic()
    if start(arguments, database, scratch / f"{name}_out").wait():
        message = f"{name} fails without being killed"
        raise RuntimeError(message)
    seconds = time.monotonic() - begun
    schemas = ("raw", "typed") if name == "load" else ("raw", "typed", "results")
    return Job(name, arguments, contents(database, *schemas), seconds)


def _records(found: Contents) -> Contents:
    """Leave out what a run writes after the load."""
    return {
        (schema, table): held
        for (schema, table), held in found.items()
        if schema != "results" and table != "run_options"
    }


def _kill(
    job: Job,
    base: Path,
    before: Contents,
    place: Path,
    rng: np.random.Generator,
    blow: signal.Signals,
) -> set[str]:
    """Kill a job at a random moment; return what was found, nothing if too late."""
    place.mkdir()
    database = place / "fleet.duckdb"
    shutil.copy(base, database)
    process = start(job.arguments, database, place / "out")
    begun = time.monotonic()
    time.sleep(float(rng.uniform(0.2, 1.0)) * job.seconds)
    process.send_signal(blow)
    if process.wait() == 0:
        job.seconds = min(job.seconds, time.monotonic() - begun)
        return set()
    found = _look(job, before, database)
    if b"Traceback" in (place / "stderr").read_bytes():
        found.add("traceback")
    start(job.arguments, database, place / "out").wait()
    schemas = {schema for schema, _ in job.after}
    if contents(database, *schemas) != job.after:
        found.add("rerun differs")
    return found


def _look(job: Job, before: Contents, database: Path) -> set[str]:
    held = _records(contents(database, "raw", "typed"))
    if held == _records(before):
        return {"killed", "before"}
    if held == _records(job.after):
        return {"killed", "after"}
    return {"killed", "lost or doubled"}


if __name__ == "__main__":
    given = sys.argv[1:]
    kills, seed, name = (*given, *("200", "0", "KILL")[len(given) :])
    raise SystemExit(min(main(int(kills), int(seed), name), 1))
