"""The whole job, saying each stage as it ends, for the clock beside it.

Run: python -m tests.bench.whole_run FOLDER OUT [MEMORY]
"""

import sys
from pathlib import Path

from fleetbelt import pipeline


def main(folder: Path, out: Path) -> None:
    """Run it."""
    pipeline.run(folder, out, say=lambda text: print(text, flush=True))  # noqa: T201


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
