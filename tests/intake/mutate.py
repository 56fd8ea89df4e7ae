"""2,000 spoilt folders: none crashes, none loses a row or a text.

Run: python -m tests.intake.mutate [cases] [first seed] [whole]
With `whole` what loads goes the whole way to pages and tables too.
"""

import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path

import numpy as np

from fleetbelt import pipeline
from fleetbelt.simulation import simulate
from tests.intake.mutations import MUTATIONS, spoilt, verdict


def main(n_cases: int = 2000, first_seed: int = 0, *, is_whole: bool = False) -> int:
    """Spoil and load; print what came of it; return the number of failures."""
    results: Counter[str] = Counter()
    start = time.monotonic()
    with tempfile.TemporaryDirectory() as scratch:
        base = Path(scratch) / "base"
        simulate(base, n_vehicles=12, years=1.5, seed=3, with_dirt=True)
        for seed in range(first_seed, first_seed + n_cases):
            rng = np.random.default_rng([seed, 1])
            chosen = rng.choice(len(MUTATIONS), size=rng.integers(0, 6))
            case = spoilt(base, seed, [MUTATIONS[n] for n in chosen])
            with tempfile.TemporaryDirectory(dir=scratch) as place:
                try:
                    accept = bool(rng.random() < 0.7)
                    result = verdict(case, Path(place), accept_refusals=accept)
                    if is_whole and result == "loaded":
                        _go_the_whole_way(Path(place))
                    results[result] += 1
                except Exception:  # noqa: BLE001 (counted, and the run goes on)
                    results["failed"] += 1
                    names = [MUTATIONS[n].__name__ for n in chosen]
                    sys.stderr.write(f"seed {seed}: {names}\n")
                    traceback.print_exc()
    sys.stdout.write(
        f"{n_cases} spoilt folders in {time.monotonic() - start:.0f} s: "
        f"{results['loaded']} loaded with every row and planted text accounted for, "
        f"{results['refused']} refused whole, {results['failed']} failed\n"
    )
    return results["failed"]


def _go_the_whole_way(place: Path) -> None:
    """Run the pipeline on what was loaded; raise where it does not reach the pages."""
    outcome = pipeline.run(place / "records", place / "out", accept_refusals=True)
    assert all(page.exists() for page in outcome.pages)


if __name__ == "__main__":
    numbers = [int(text) for text in sys.argv[1:] if text != "whole"]
    raise SystemExit(min(main(*numbers, is_whole="whole" in sys.argv), 1))
