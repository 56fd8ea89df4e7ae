"""How much of the readings' variation is the gauge, the person, and the repeat."""

import math
from dataclasses import dataclass
from typing import Final, Self

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetbelt.models.arrays import FloatArray, IntArray
from fleetbelt.models.gauges import log_ratios

GAUGE_STUDY: Final = pl.Schema(
    {
        "source": pl.String(),  # one of SOURCES
        "sd_pct": pl.Float64(),  # sd of log ratio, per cent
        "sd_n": pl.Float64(),  # the same times the mean known load, N
        "share": pl.Float64(),  # of the total variance
    }
)
SOURCES: Final = (
    "gauge",
    "technician",
    "interaction",
    "repeatability",
    "reproducibility",
    "total",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class VarianceComponents:
    """Variances of the sources, below 0 by chance, NaN where they cannot be known.

    Attributes
    ----------
    part, person, interaction, repeatability : float
        Between the things read, between those who read, of their cross, and of repeats
        by one person; in the readings' unit squared.
    """

    part: float
    person: float
    interaction: float
    repeatability: float


def gauge_study(calibrations: pl.DataFrame) -> pl.DataFrame:
    """Return what part of the readings' variance each source has.

    Parameters
    ----------
    calibrations : polars.DataFrame
        One row per reading of a known load, to `gauges.CALIBRATIONS`.

    Returns
    -------
    polars.DataFrame
        One row per word of `SOURCES`, to `GAUGE_STUDY`; null what the readings cannot
        tell apart.

    Raises
    ------
    StoreError
        If the frame lacks a column or holds another type.
    FitError
        If a span, load or reading is missing or not above 0.

    Notes
    -----
    The thing measured is a gauge at a span; its readings are log(reading / load), and
    technicians are crossed with it. Readings without a technician are left out, unless
    the technicians' part cannot be known: then it is null and the others contain it.
    A part below 0 is shown as 0: none detectable. Reproducibility = technician +
    interaction.
    """
    frame = log_ratios(calibrations)
    named = frame.drop_nulls("technician_id")
    found = variance_components(
        named["log_ratio"].to_numpy(),
        part=_codes(named, "gauge_id", "cluster"),
        person=_codes(named, "technician_id"),
    )
    if math.isnan(found.person + found.interaction + found.repeatability):
        part = _codes(frame, "gauge_id", "cluster")
        found = variance_components(frame["log_ratio"].to_numpy(), part=part)
    loads_n = frame["reference_n"].to_numpy()  # added up in one order, on one thread
    return _study_rows(found, float(loads_n.mean()) if loads_n.size else None)


def reproducibility(study: pl.DataFrame) -> float:
    """Return the relative sd by who reads, 0 where it cannot be known.

    Parameters
    ----------
    study : polars.DataFrame
        As `gauge_study` gives it.

    Returns
    -------
    float
        Sd of log ratio.
    """
    sd_pct = study.filter(source="reproducibility")["sd_pct"].fill_null(0.0)
    return float(sd_pct.item()) / 100


def variance_components(
    y: npt.ArrayLike, *, part: npt.ArrayLike, person: npt.ArrayLike | None = None
) -> VarianceComponents:
    """Return the variance between parts, persons, their cross, and of repeats.

    Parameters
    ----------
    y : array_like, shape (n_readings,)
        The readings, any number for a part and person.
    part, person : array_like of int, shape (n_readings,)
        What was read, and by whom; without persons, one for all.

    Returns
    -------
    VarianceComponents
        Unbiased; on balanced data those of the analysis of variance.

    Notes
    -----
    Fitting constants, Henderson's third method [1]_: the sums of squares for repeats,
    the cross, persons within parts, and parts are set equal to their expectations,
    which are linear in the variances. Persons are compared within parts only, so large
    differences between parts do not blur them. With n_pt readings of part p by person t
    and B = (n_pt), persons within parts have the normal equations
    ``A = diag(n_t) - B' diag(1 / n_p) B``.

    References
    ----------
    .. [1] Searle, Casella and McCulloch (1992), *Variance Components*, 5.5.
    """
    parts = np.asarray(part)
    persons = np.zeros_like(parts) if person is None else np.asarray(person)
    layout = _Layout.of(parts, persons)
    squares, expected = layout.squares(np.asarray(y, dtype=float)), layout.expected()
    is_known = expected.diagonal() > 1e-9 * len(parts)
    is_known &= is_known[0]  # without repeats nothing can be told apart
    found = np.zeros(4)
    for k in np.flatnonzero(is_known):
        found[k] = (squares[k] - expected[k, :k] @ found[:k]) / expected[k, k]
    repeats, cross, between_persons, between_parts = np.where(is_known, found, np.nan)
    return VarianceComponents(
        part=float(between_parts),
        person=float(between_persons),
        interaction=float(cross),
        repeatability=float(repeats),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Layout:
    """Who read what how often; a cell is a part read by a person."""

    part: IntArray  # of each reading, counted from 0; so below
    person: IntArray
    cell: IntArray
    n_part: FloatArray  # readings of each part; so below
    n_person: FloatArray
    n_cell: FloatArray
    part_share: FloatArray  # of each cell in its part's readings
    contrast: FloatArray  # (n_cells, n_persons): person less the part's mix of persons
    inverse: npt.NDArray[np.floating]  # of the normal equations of persons within parts

    @classmethod
    def of(cls, parts: IntArray, persons: IntArray) -> Self:
        part, _, n_part = _levels(parts)
        person, _, n_person = _levels(persons)
        cell, first, n_cell = _levels(part * (len(n_person) + 1) + person)
        counts = np.zeros((len(n_part), len(n_person)))
        counts[part[first], person[first]] = n_cell
        shares = counts / n_part[:, None]
        normal = np.diag(n_person) - counts.T @ shares
        return cls(
            part=part,
            person=person,
            cell=cell,
            n_part=n_part,
            n_person=n_person,
            n_cell=n_cell,
            part_share=n_cell / n_part[part[first]],
            contrast=np.eye(len(n_person))[person[first]] - shares[part[first]],
            inverse=np.linalg.pinv(normal, rcond=1e-9, hermitian=True),
        )

    def squares(self, y: FloatArray) -> FloatArray:
        """Return the squares of repeats, cross, persons within parts, and parts."""
        z = y - (y.mean() if len(y) else 0.0)
        mean_part = np.bincount(self.part, z) / self.n_part
        mean_cell = np.bincount(self.cell, z) / self.n_cell
        within = z - mean_part[self.part]
        pull = np.bincount(self.person, within)
        repeats = ((z - mean_cell[self.cell]) ** 2).sum()
        persons = pull @ self.inverse @ pull
        parts = self.n_part @ mean_part**2
        return np.array([repeats, within @ within - repeats - persons, persons, parts])

    def expected(self) -> FloatArray:
        """Return the weights of the four variances in the expected squares."""
        n, n_parts, n_cells = len(self.part), len(self.n_part), len(self.n_cell)
        of_cells = self.n_cell[:, None] * self.contrast
        in_persons = ((of_cells @ self.inverse) * of_cells).sum()
        in_parts = self.n_cell @ self.part_share
        rank = np.linalg.matrix_rank(self.inverse, hermitian=True)
        cell, person, part = (
            m @ m / max(n, 1) for m in (self.n_cell, self.n_person, self.n_part)
        )
        return np.array(
            [
                [n - n_cells, 0, 0, 0],
                [n_cells - n_parts - rank, n - in_parts - in_persons, 0, 0],
                [rank, in_persons, n - in_parts, 0],
                [n_parts - 1, in_parts - cell, in_parts - person, n - part],
            ]
        )


def _levels(ids: IntArray) -> tuple[IntArray, IntArray, FloatArray]:
    """Level of each reading counted from 0, the first of each level, and its size."""
    _, first, level, n = np.unique(
        ids, return_index=True, return_inverse=True, return_counts=True
    )
    return level, first, n.astype(float)


def _codes(frame: pl.DataFrame, *columns: str) -> IntArray:
    code = pl.struct(columns).rank("dense").cast(pl.Int64)
    return frame.select(code).to_series().to_numpy()


def _study_rows(found: VarianceComponents, mean_load_n: float | None) -> pl.DataFrame:
    """Lay out the contract's rows; what is not known is null."""
    variance = {  # max(nan, 0) is nan: not known stays not known
        "gauge": max(found.part, 0.0),
        "technician": max(found.person, 0.0),
        "interaction": max(found.interaction, 0.0),
        "repeatability": max(found.repeatability, 0.0),
    }
    total = sum(v for v in variance.values() if not math.isnan(v)) or math.nan
    variance["reproducibility"] = variance["technician"] + variance["interaction"]
    variance["total"] = total
    rows = pl.DataFrame({"source": SOURCES, "variance": [variance[s] for s in SOURCES]})
    sd = pl.col("variance").sqrt()
    return (
        rows.select(
            "source",
            sd_pct=100 * sd,
            sd_n=sd * mean_load_n,
            share=pl.col("variance") / total,
        )
        .cast(GAUGE_STUDY)
        .fill_nan(None)
    )
