"""Where the files that ship beside the code are: sql/, reports/, sample_data/."""

from pathlib import Path


def bundled(folder: str) -> Path:
    """Return a shipped folder: inside the wheel, else at the top of the checkout."""
    package = Path(__file__).resolve().parent
    inside = package / "_bundled" / folder
    return inside if inside.is_dir() else package.parent / folder
