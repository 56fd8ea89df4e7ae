"""How far a run is: a bar on a terminal, and quiet where nobody watches."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from fleetbelt.intake import Say

STAGES: Final = {
    "loaded": "taking the files in",
    "gauges": "correcting gauges",
    "drift": "learning how tension is lost",
    "lives": "learning how belts end and sound",
    "people": "comparing settings",
    "verdicts": "writing down what was used",
    "pages": "writing pages and tables",
}
"""The first word of what each stage says when it is done, and what it is doing."""


@contextmanager
def progress(say: Say, console: Console | None = None) -> Iterator[Say]:
    """Yield what takes the words of a run.

    Parameters
    ----------
    say : callable
        Takes words for people, one line at a time; writes to stderr.
    console : rich.console.Console, optional
        Where the bar is drawn; stderr when not given.

    Yields
    ------
    callable
        On a terminal every stage is said with its counts, above a bar; elsewhere only
        what the files came to and what somebody must know.
    """
    console = console or Console(stderr=True)
    if not console.is_interactive:
        yield _quiet(say)
        return
    columns = (BarColumn(), TextColumn("{task.description}"), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task(_ahead(0), total=len(STAGES))

        def said(text: str) -> None:
            say(text)
            done = _stages_done(text)
            if done:
                bar.update(task, completed=done, description=_ahead(done))

        yield said


def _quiet(say: Say) -> Say:
    def said(text: str) -> None:
        if _stages_done(text) <= 1:
            say(text)

    return said


def _stages_done(text: str) -> int:
    """Return how many stages are done once this was said; 0 if it is of no stage."""
    word = text.split(maxsplit=1)[0]
    return list(STAGES).index(word) + 1 if word in STAGES else 0


def _ahead(done: int) -> str:
    doing = [*STAGES.values(), "done"][done]
    return f"{min(done + 1, len(STAGES))} of {len(STAGES)}: {doing}"
