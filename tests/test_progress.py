"""What a run says while it goes on: stages on a terminal, little elsewhere."""

import io

from rich.console import Console

from fleetbelt.progress import STAGES, progress

RUN = [f"{stage}  of it" for stage in STAGES] + ["ignored  notes.txt", "plan  7 jobs"]


def test_where_nobody_watches_only_files_and_surprises_are_said():
    said: list[str] = []

    with progress(said.append, Console(file=io.StringIO())) as say:
        for words in RUN:
            say(words)

    assert said == ["loaded  of it", "ignored  notes.txt", "plan  7 jobs"]


def test_on_a_terminal_every_stage_is_said_and_the_bar_goes_on():
    said: list[str] = []
    screen = io.StringIO()
    terminal = Console(file=screen, force_terminal=True, width=100)

    with progress(said.append, terminal) as say:
        for words in RUN:
            say(words)

    assert said == RUN
    assert f"{len(STAGES)} of {len(STAGES)}: done" in screen.getvalue()


def test_nothing_of_the_bar_is_written_where_there_is_no_terminal():
    screen = io.StringIO()

    with progress(lambda _: None, Console(file=screen)) as say:
        say(RUN[0])

    assert screen.getvalue() == ""
