"""Figures: what plotly accepts, and what they are made of."""

import plotly.graph_objects as go
import pytest
from plotly.offline import get_plotlyjs_version

from fleetbelt.render import document, pages
from fleetbelt.render.figures import label
from fleetbelt.render.frames import Frames
from fleetbelt.resources import bundled
from tests.render.filled import filled


def _figures(results):
    made = [page(Frames(results)) for page in pages.PAGES]
    for page in made:
        for section in page.sections:
            if section.figure is not None and section.table is not None:
                yield f"{page.name}#{section.key}", section.figure, section.table.frame
        if page.stories is not None:
            yield f"{page.name} story", page.story_figure, page.stories.frame


def test_plotly_accepts_every_attribute_of_every_figure(results):
    figures = list(_figures(results))

    for _, figure, frame in figures:
        go.Figure(filled(figure, frame))
    assert len(figures) >= 5


def test_every_axis_of_a_figure_says_what_it_shows(results):
    for name, figure, _ in _figures(results):
        assert figure["layout"]["xaxis"]["title"]["text"], name


def test_the_charting_script_is_the_version_that_plotly_checks_by():
    path = bundled("reports") / "_shared" / "vendor" / document.PLOTLY

    assert (
        f"plotly.js (cartesian - minified) v{get_plotlyjs_version()}"
        in (path.read_text(encoding="utf-8")[:100])
    )


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("<b>x</b>", "&lt;b&gt;x&lt;/b&gt;"),
        ("a\u202eb\u2028c", "abc"),
        ("x" * 40, "x" * 29 + "…"),
        (None, "not given"),
    ],
)
def test_a_label_is_short_and_inert(text, shown):
    assert label(text) == shown
