"""A drive drawn to scale: its pulleys, its belt, and the span to measure on."""

from collections.abc import Sequence
from typing import Final

import numpy as np
from markupsafe import Markup

from fleetbelt.belt import Layout
from fleetbelt.models.arrays import FloatArray

_TEXT: Final = 0.036  # height of the text as a share of the drawing's longer side
_LINES, _LONGEST = 3, 14  # of a name: lines, and letters of a line
_LETTER: Final = 0.62  # width of a letter over its height, a generous mean
_SVG: Final = Markup(
    '<svg class="drive" viewBox="{x:.1f} {y:.1f} {width:.1f} {height:.1f}" '
    'xmlns="http://www.w3.org/2000/svg" role="img" aria-label="{words}" '
    'font-size="{text:.2f}" text-anchor="middle" fill="currentColor" '
    'stroke="none">{parts}</svg>'
)
_PULLEY: Final = Markup(
    '<circle cx="{x:.2f}" cy="{y:.2f}" r="{r:.2f}" fill="none" '
    'stroke="currentColor" stroke-width="{line:.2f}"{dash}/>'
)
_BELT: Final = Markup(
    '<path d="{path}" fill="none" stroke="currentColor" stroke-width="{line:.2f}" '
    'stroke-linejoin="round"/>'
)
_WORD: Final = Markup(
    '<text x="{x:.2f}" y="{y:.2f}" dy="0.35em"{weight}{turn}>{word}</text>'
)
_SAID: Final = Markup(  # the page's script turns it into the unit chosen
    '{said}, <tspan data-kind="span" value="{mm:.2f}" data-digits="0">{mm:.0f} mm'
    "</tspan>"
)
_NUMBER: Final = Markup(
    '<circle cx="{x:.2f}" cy="{y:.2f}" r="{r:.2f}" fill="{paper}" '
    'stroke="currentColor" stroke-width="{line:.2f}"/>'
    '<text x="{x:.2f}" y="{y:.2f}" dy="0.35em" font-weight="700" '
    'fill="{ink}">{word}</text>'
)


def drive_drawing(
    layout: Layout,
    *,
    is_reached: Sequence[bool],
    measured: int | None,
    word: str = "measure here",
    paper: str = "#fff",
) -> Markup:
    """Return a drive as an SVG to scale, in the colour of the text around it.

    Parameters
    ----------
    layout : Layout
        The belt round its pulleys, mm.
    is_reached : sequence of bool, length n_pulleys
        Whether a gauge reaches the span after each pulley: a black number, else white.
    measured : int or None
        Index of the span to measure on, drawn heavy with its length.
    word : str
        Said of that span.
    paper : str
        Colour behind the drawing, for the numbers.

    Returns
    -------
    Markup
        One ``svg`` element; text from files is escaped. Dashed pulleys run on the back
        of the belt.
    """
    return _Pen(layout, word, paper).drawing(is_reached, measured)


class _Pen:
    """Draws one drive; y runs downward on paper, upward in the layout."""

    def __init__(self, layout: Layout, word: str, paper: str) -> None:
        down = np.array([1.0, -1.0])
        pulleys = layout.pulleys
        self.layout, self.said, self.paper = layout, word, paper
        self.centre = down * [(pulley.x_mm, pulley.y_mm) for pulley in pulleys]
        self.radius = np.array([pulley.diameter_mm / 2 for pulley in pulleys])
        self.leave, self.meet = down * layout.leave_mm, down * layout.meet_mm
        low = (self.centre - self.radius[:, None]).min(axis=0)
        high = (self.centre + self.radius[:, None]).max(axis=0)
        self.text = _TEXT * float((high - low).max())
        self.corner = low - 2.2 * self.text
        self.size = high - low + 4.4 * self.text
        self.middle = self.centre.mean(axis=0)

    def drawing(self, is_reached: Sequence[bool], measured: int | None) -> Markup:
        spans = range(len(self.layout.pulleys))
        parts = [self.pulley(k) for k in spans]
        parts.append(_BELT.format(path=self.belt(), line=0.28 * self.text))
        if measured is not None:
            parts.append(self.heavy(measured))
        parts += [self.number(k, is_black=is_reached[k]) for k in spans]
        x, y = self.corner
        width, height = self.size
        return _SVG.format(
            x=x, y=y, width=width, height=height,
            words=self.words(is_reached, measured),
            text=self.text,
            parts=Markup("").join(parts),
        )  # fmt: skip

    def words(self, is_reached: Sequence[bool], measured: int | None) -> str:
        """Say the drawing for those who do not see it."""
        spans = "; ".join(
            f"{k + 1} {self.name(k)}, {length:.0f} mm" + ("" if reached else ", closed")
            for k, (length, reached) in enumerate(
                zip(self.layout.span_mm, is_reached, strict=True)
            )
        )
        on = f"; {self.said}: span {measured + 1}" if measured is not None else ""
        return f"The drive to scale, its spans: {spans}{on}."

    def name(self, span: int) -> str:
        pulleys = self.layout.pulleys
        return f"{pulleys[span].name} to {pulleys[(span + 1) % len(pulleys)].name}"

    def pulley(self, k: int) -> Markup:
        (x, y), r = self.centre[k], self.radius[k]
        is_back = self.layout.pulleys[k].side == "back"
        dash = Markup(' stroke-dasharray="{0:.1f} {0:.1f}"').format(0.5 * self.text)
        circle = _PULLEY.format(
            x=x, y=y, r=r, line=0.07 * self.text,
            dash=dash if is_back else "",
        )  # fmt: skip
        return circle + self.label(k)

    def label(self, k: int) -> Markup:
        """Name a pulley: in it where the name fits, else beside it."""
        lines = [
            line if len(line) <= _LONGEST else f"{line[: _LONGEST - 1]}…"
            for line in self.layout.pulleys[k].name.replace("_", " ").split()[:_LINES]
        ]
        widest = max((len(line) for line in lines), default=1) * _LETTER * self.text
        half = np.array([widest, 1.1 * len(lines) * self.text]) / 2
        fits = widest <= 1.9 * self.radius[k]
        middle = self.centre[k] if fits else self.beside(k, half)
        first = middle - [0.0, 0.55 * (len(lines) - 1) * self.text]
        return Markup("").join(
            self.word(line, first + np.array([0.0, 1.1 * n * self.text]))
            for n, line in enumerate(lines)
        )

    def beside(self, k: int, half: FloatArray) -> FloatArray:
        """Return where a label of that half size lies freest, inward if it may choose.

        The places are a ring round the pulley; each is as bad as there are points of
        belt and pulleys on it and as it leaves the paper.
        """
        inward = self.middle - self.centre[k]
        start = np.arctan2(inward[1], inward[0])
        angle = start + np.pi * np.array([0, 1, -1, 2, -2, 3, -3, 4, -4, 5, -5, 6]) / 6
        way = np.stack([np.cos(angle), np.sin(angle)], axis=1)
        gap = self.radius[k] + 0.5 * self.text + np.abs(way) @ half
        place = self.centre[k] + way * gap[:, None]
        off = np.abs(place[:, None, :] - self.ink()) - half - 0.3 * self.text
        beyond = np.abs(place - self.corner - self.size / 2) + half > self.size / 2
        bad = (off < 0).all(axis=2).sum(axis=1) + 1000 * beyond.any(axis=1)
        return np.asarray(place[bad.argmin()])

    def ink(self) -> FloatArray:
        """Return points all along the spans and round the pulleys."""
        share = np.linspace(0.0, 1.0, 25)[:, None, None]
        spans = self.leave + share * (self.meet - self.leave)
        turn = np.linspace(0.0, 2 * np.pi, 36)
        circle = np.stack([np.cos(turn), np.sin(turn)], axis=1)[:, None, :]
        rounds = self.centre + circle * self.radius[:, None]
        return np.concatenate([spans.reshape(-1, 2), rounds.reshape(-1, 2)])

    def word(self, word: str, at: FloatArray, *, turn_deg: float = 0.0) -> Markup:
        turn = Markup(' transform="rotate({:.1f} {:.2f} {:.2f})"')
        weight = Markup(' font-weight="700"')
        return _WORD.format(
            x=at[0], y=at[1], word=word,
            weight=weight if turn_deg else "",
            turn=turn.format(turn_deg, *at) if turn_deg else "",
        )  # fmt: skip

    def belt(self) -> str:
        """Trace the belt: an arc round each pulley, a line to the next."""
        parts = []
        for k, wrap in enumerate(self.layout.wrap_rad):
            start, end, r = self.meet[k - 1], self.leave[k], self.radius[k]
            way = f"{int(wrap > np.pi)} {int(self.layout.sense[k] < 0)}"
            move = "M" if k == 0 else "L"
            parts.append(
                f"{move}{start[0]:.2f} {start[1]:.2f}"
                f"A{r:.2f} {r:.2f} 0 {way} {end[0]:.2f} {end[1]:.2f}"
            )
        return " ".join([*parts, "Z"])

    def heavy(self, k: int) -> Markup:
        """Draw the span to measure on, with its length beside it, outward."""
        start, end = self.leave[k], self.meet[k]
        line = _BELT.format(
            path=f"M{start[0]:.2f} {start[1]:.2f}L{end[0]:.2f} {end[1]:.2f}",
            line=0.75 * self.text,
        )
        run = (end - start) / np.hypot(*(end - start))
        across = np.array([-run[1], run[0]])
        at = (start + end) / 2
        across = across * (np.sign(across @ (at - self.middle)) or 1.0)
        turn = (np.degrees(np.arctan2(run[1], run[0])) + 90) % 180 - 90
        place = at + across * 1.75 * self.text
        return line + self.word(
            _SAID.format(said=self.said, mm=float(self.layout.span_mm[k])),
            place,
            turn_deg=turn or 0.01,
        )

    def number(self, k: int, *, is_black: bool) -> Markup:
        x, y = (self.leave[k] + self.meet[k]) / 2
        return _NUMBER.format(
            x=x, y=y, r=0.85 * self.text, line=0.09 * self.text, word=k + 1,
            paper="currentColor" if is_black else self.paper,
            ink=self.paper if is_black else "currentColor",
        )  # fmt: skip
