"""200 kills at random moments of load and run: nothing lost, nothing doubled.

Run: python -m tests.intake.kill [kills] [seed] [KILL, TERM or INT]
"""

import multiprocessing
import os
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing.process import BaseProcess
from pathlib import Path

import numpy as np

from fleetbelt.cli import main
from fleetbelt.simulation import simulate
from tests.ingest.folders import Contents, contents

_PROCESSES = multiprocessing.get_context("forkserver")
_PROCESSES.set_forkserver_preload(["fleetbelt.cli", "fleetbelt.pipeline"])
_FAILURES = {"lost or doubled", "rerun differs", "traceback"}


@dataclass
class Job:
    """A command, what the database holds after it, and how long it last took."""

    name: str
    arguments: list[str]
    after: Contents
    seconds: float


def start(arguments: list[str], database: Path, out: Path) -> BaseProcess:
    """Start a command on a database; its words go to ``stderr`` beside ``out``."""
    places = [*arguments, "--db", str(database)]
    if arguments[0] == "run":
        places += ["--out", str(out)]
    words = out.parent / "stderr"
    words.touch()
    process = _PROCESSES.Process(target=_call, args=(places, words))
    process.start()
    return process


def _call(arguments: list[str], words: Path) -> None:
    os.dup2(os.open(words, os.O_WRONLY | os.O_TRUNC), 2)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    sys.argv = ["fleetbelt", *arguments]
    main()


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


def kill_many(n_kills: int = 200, seed: int = 0, name: str = "KILL") -> int:
    """Kill, look, run again; print the counts; return the number of failures."""
    rng, blow = np.random.default_rng(seed), signal.Signals[f"SIG{name}"]
    found: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as place:
        scratch = Path(place)
        first, second = folders(scratch)
        base = scratch / "base.duckdb"
        start(["load", str(first), "--accept-refusals"], base, scratch).join()
        before = contents(base, "raw", "typed")
        jobs = [
            _clean(name, [name, str(second), "--accept-refusals"], base, scratch)
            for name in ("load", "run")
        ]
        n = 0
        while found["killed"] < n_kills:
            n += 1
            job = jobs[n % 4 == 0]  # a run takes many times as long as a load
            result = _kill(job, base, before, scratch / f"kill{n}", rng, blow)
            found.update(result)
            if result & _FAILURES:
                sys.stderr.write(f"kill {n} of {job.name}: {result}\n")
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
    process = start(arguments, database, scratch / f"{name}_out")
    process.join()
    if process.exitcode:
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
        if schema != "results" and table not in {"run_options", "run_state"}
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
    time.sleep(float(rng.uniform(0.1, 1.0)) * job.seconds)
    with suppress(ProcessLookupError):  # it may have come to its end
        os.kill(process.pid or 0, blow)
    process.join()
    if process.exitcode == 0:
        job.seconds = min(job.seconds, time.monotonic() - begun)
        return set()
    found = _look(job, before, database)
    if b"Traceback" in (place / "stderr").read_bytes():
        found.add("traceback")
    start(job.arguments, database, place / "out").join()
    schemas = {schema for schema, _ in job.after}
    if _but_its_time(contents(database, *schemas)) != _but_its_time(job.after):
        found.add("rerun differs")
    return found


def _but_its_time(found: Contents) -> Contents:
    """Leave out the run's state: it holds the time of the load."""
    return {key: held for key, held in found.items() if key != ("typed", "run_state")}


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
    raise SystemExit(min(kill_many(int(kills), int(seed), name), 1))
