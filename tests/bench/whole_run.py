"""The whole job, saying each stage as it ends, for the clock beside it.

Run: python -m tests.bench.whole_run FOLDER OUT [MEMORY]
"""

import sys
from pathlib import Path

from fleetbelt import pipeline
from fleetbelt.store.database import MEMORY


def main(folder: Path, out: Path, memory: str = MEMORY) -> None:
    """Run it."""

    def say(text: str) -> None:
        sys.stdout.write(f"{text}\n")
        sys.stdout.flush()

    pipeline.run(folder, out, memory=memory, say=say)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), *sys.argv[3:])
