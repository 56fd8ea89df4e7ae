"""Full and read-only places: exit 3 and one sentence that says what stands.

Run as root on Linux: python -m tests.intake.places
It mounts a small file system in memory for each trial.
"""

import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.ingest.folders import contents
from tests.intake.kill import folders, start

_KIB_LEFT = (0, 16, 64, 256, 512, 1024, 2048, 4096, 8192, 2**16)


@contextmanager
def small(place: Path, kib: int) -> Iterator[Path]:
    """Mount a file system of that size; it goes at the end."""
    place.mkdir()
    _call("mount", "-t", "tmpfs", "-o", f"size={kib}k", "tmpfs", place)
    try:
        yield place
    finally:
        _call("umount", place)
        place.rmdir()


def _call(*arguments: object) -> None:
    subprocess.run([str(part) for part in arguments], check=True)


def trial(name: str, records: Path, database: Path, out: Path) -> tuple[int, str]:
    """Run a command; return its exit code and what it said on stderr."""
    arguments = [name, records, "--db", database, "--accept-refusals"]
    arguments += ["--out", out] if name == "run" else []
    result = subprocess.run(
        [sys.executable, "-m", "fleetbelt", *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
    )
    return result.returncode, result.stderr


def judged(code: int, words: str, *, is_same: bool) -> str:
    """Return what came of a trial in a word."""
    if code == 0:
        return "done"
    is_said = code == 3 and words.count("\n  where: ") == 1
    return "refused" if is_said and is_same and "Traceback" not in words else "failed"


def full(name: str, base: Path, records: Path, scratch: Path) -> Counter[str]:
    """Leave less and less room beside the database."""
    found: Counter[str] = Counter()
    before = contents(base, "raw", "typed", "results")
    used = base.stat().st_size // 1024 + 8
    for kib in _KIB_LEFT:
        with small(scratch / "full", used + kib) as place:
            database = place / "fleet.duckdb"
            shutil.copy(base, database)
            code, words = trial(name, records, database, place / "out")
            shutil.copy(database, scratch / "after.duckdb")
            for side in place.glob("*.wal"):
                shutil.copy(side, scratch / "after.duckdb.wal")
            after = contents(scratch / "after.duckdb", "raw", "typed", "results")
            # what is in by then stays in, and the sentence says so
            is_same = after == before or " are in" in words
            found[result := judged(code, words, is_same=is_same)] += 1
            if result == "failed":
                sys.stderr.write(f"{name}, {kib} KiB left: {code}\n{words}\n")
            for path in scratch.glob("after.duckdb*"):
                path.unlink()
    return found


def read_only(base: Path, records: Path, scratch: Path) -> Counter[str]:
    """Take the right to write away."""
    found: Counter[str] = Counter()
    with small(scratch / "closed", 2**18) as place:
        shutil.copy(base, place / "fleet.duckdb")
        _call("mount", "-o", "remount,ro", place)
        for name, database, out in (
            ("load", place / "fleet.duckdb", scratch / "o"),
            ("run", scratch / "x.duckdb", place / "out"),
        ):
            code, words = trial(name, records, database, out)
            found[judged(code, words, is_same=not out.exists())] += 1
    return found


def main() -> int:
    """Try all; print the counts; return the number of failures."""
    failures = 0
    with tempfile.TemporaryDirectory() as place:
        scratch = Path(place)
        first, second = folders(scratch)
        base = scratch / "base.duckdb"
        start(["load", str(first), "--accept-refusals"], base, scratch / "o").join()
        trials = {
            "full disk, load": full("load", base, second, scratch),
            "full disk, run": full("run", base, second, scratch),
            "read-only": read_only(base, second, scratch),
        }
        for name, found in trials.items():
            sys.stdout.write(
                f"{name}: {found['done']} done, {found['refused']} with exit 3 and one "
                f"sentence that is true, {found['failed']} failed\n"
            )
            failures += found["failed"]
    return failures


if __name__ == "__main__":
    raise SystemExit(min(main(), 1))
