"""Published lives and counts sent through the command line as CSV fleets.

Each item is a vehicle with one belt, fitted at mile 0; its end is a `remove`, an item
still running being removed for another reason at the mile its test ended. So a test
holds intake, SQL, models and export together against the published numbers.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from typer.testing import CliRunner

from fleetbelt.cli import app
from tests.fleets import SERVICE, VEHICLE, Row, write_fleet

Tables = Callable[[str], pl.DataFrame]


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """A vehicle with one belt: how far it ran and how that ended.

    ``seen`` is the mile of an inspection on the way, ``complaints`` are miles at which
    it was complained of.
    """

    end: int
    reason: str = "other_work"
    model: str = "Corrie 3"
    left: float | None = None
    seen: int = 0
    complaints: Sequence[int] = ()


def fleet(items: Iterable[Item]) -> dict[str, list[Row]]:
    """Write the items down as vehicles, services and complaints."""
    vehicles: list[Row] = []
    services: list[Row] = []
    complaints: list[Row] = []
    for number, item in enumerate(items):
        vehicle = {"vehicle_id": f"V{number:03d}"}
        vehicles.append({**VEHICLE, **vehicle, "model": item.model})
        visit = {**SERVICE, **vehicle, "removal_reason": None, "reading_left": None}
        services.append(
            {**visit, "service_id": f"A{number:03d}", "action": "install",
             "odometer_mi": 0, "reading_left": item.left}
        )  # fmt: skip
        if item.seen:
            services.append(
                {**visit, "service_id": f"B{number:03d}", "date": "2022-01-01",
                 "odometer_mi": item.seen}
            )  # fmt: skip
        services.append(
            {**visit, "service_id": f"C{number:03d}", "date": "2024-01-01",
             "odometer_mi": item.end, "action": "remove", "removal_reason": item.reason}
        )  # fmt: skip
        complaints += [
            {**vehicle, "complaint_id": f"N{number:03d}-{k:03d}", "date": "2023-01-01",
             "odometer_mi": mile, "noise": "squeal"}
            for k, mile in enumerate(item.complaints)
        ]  # fmt: skip
    tables = {"vehicles": vehicles, "services": services}
    return tables | ({"complaints": complaints} if complaints else {})


@pytest.fixture
def run(tmp_path: Path) -> Callable[[Iterable[Item]], Tables]:
    """Run a fleet of items by the command line; returns a reader of what it wrote."""

    def run_fleet(items: Iterable[Item]) -> Tables:
        folder = write_fleet(tmp_path / "records", **fleet(items))
        out = tmp_path / "out"
        answer = CliRunner().invoke(app, ["run", str(folder), "--out", str(out)])
        assert answer.exit_code == 0, answer.output
        return lambda name: pl.read_parquet(out / "tables" / f"{name}.parquet")

    return run_fleet


def whole(table: pl.DataFrame, **also: str) -> pl.DataFrame:
    return table.filter(**{"model": "all", "band": "all", **also})


def curve_at(tables: Tables, miles: Sequence[int]) -> dict[str, list[float]]:
    curve = whole(tables("life_curve")).filter(
        pl.col("miles").is_in([float(mile) for mile in miles])
    )
    curve = curve.sort("miles")
    assert curve["miles"].to_list() == list(miles)
    return curve.to_dict(as_series=False)


def fit_of(tables: Tables) -> dict[str, Any]:
    return whole(tables("life_by_group")).row(0, named=True)


def items_of(listing: str, failed: str, **also: Any) -> list[Item]:
    """Read '6 6+ 7 …', where a + is an item that had not failed."""
    return [
        Item(end=int(word.removesuffix("+")),
             reason="other_work" if word.endswith("+") else failed, **also)
        for word in listing.split()
    ]  # fmt: skip


Run = Callable[[Iterable[Item]], Tables]


def test_ten_fan_belts(run: Run):
    """Conover (1999), p. 91, as printed in the documentation of scipy.stats.ecdf."""
    tables = run(items_of("77 47 81 56 80 62+ 60+ 43+ 71+ 37+", "broken"))

    curve = curve_at(tables, (47, 56, 77, 80, 81))
    assert curve["survival"] == pytest.approx([0.875, 0.75, 0.5, 0.25, 0.0], abs=1e-9)
    assert curve["at_risk"] == [8, 7, 3, 2, 1]


def test_twenty_units_of_nist_tested_for_500_hours(run: Run):
    """NIST/SEMATECH e-Handbook 8.4.1.3: shape 1.7207, scale 606.5280."""
    failed = (54, 187, 216, 240, 244, 335, 361, 373, 375, 386)
    units = [*(Item(end=x, reason="broken") for x in failed), *[Item(end=500)] * 10]

    tables = run(units)

    fit = fit_of(tables)
    assert (fit["n"], fit["failures"]) == (20, 10)
    assert fit["shape"] == pytest.approx(1.720797, rel=1e-5)
    assert fit["scale_mi"] == pytest.approx(606.52756, rel=1e-5)
    assert curve_at(tables, failed)["survival"] == pytest.approx(
        [1 - 0.05 * k for k in range(1, 11)], abs=1e-9
    )


SHOCK_ABSORBERS = """
6700 6950+ 7820+ 8790+ 9120 9660+ 9820+ 11310+ 11690+ 11850+ 11880+ 12140+ 12200 12870+
13150 13330+ 13470+ 14040+ 14300 17520 17540+ 17890+ 18450+ 18960+ 18980+ 19410+ 20100
20100+ 20150+ 20320+ 20900 22700 23490+ 26510 27410+ 27490 27890+ 28100+
"""


def test_vehicle_shock_absorbers(run: Run):
    """O'Connor (1985), p. 85; Meeker and Escobar (1998), ch. 8 (values from memory)."""
    tables = run(items_of(SHOCK_ABSORBERS, "broken"))

    fit = fit_of(tables)
    assert (fit["n"], fit["failures"]) == (38, 11)
    assert fit["shape"] == pytest.approx(3.160470314535, rel=1e-5)
    assert fit["scale_mi"] == pytest.approx(27718.718128515, rel=1e-5)
    limits = [fit[name] for name in ("shape_lo", "shape_hi", "scale_lo", "scale_hi")]
    assert limits == pytest.approx([2.0087, 4.9726, 22347.77, 34380.49], rel=3e-5)
    assert fit["b10_mi"] == pytest.approx(13600.0347, rel=1e-5)
    assert fit["median_mi"] == pytest.approx(24683.6255, rel=1e-5)
    failed = (6700, 9120, 12200, 13150, 14300, 17520, 20100, 20900, 22700, 26510, 27490)
    assert curve_at(tables, failed)["survival"] == pytest.approx(
        [
            0.973684, 0.945046, 0.908698, 0.870836, 0.827294, 0.783752,
            0.718440, 0.628635, 0.538830, 0.431064, 0.287376,
        ],
        abs=1e-6,
    )  # fmt: skip


TREATED = "6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+"
CONTROL = "1 1 2 2 3 4 4 5 5 8 8 8 8 11 11 12 12 15 17 22 23"


def test_weeks_in_remission_of_the_treated(run: Run):
    """Freireich et al. (1963); Cox and Oakes (1984): values from memory.

    The log-log limits at 6 and 23 weeks are those of R's survfit.
    """
    curve = curve_at(run(items_of(TREATED, "broken")), (6, 7, 10, 13, 16, 22, 23))

    assert curve["survival"] == pytest.approx(
        [0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448], abs=0.6e-3
    )
    lo, hi = curve["survival_lo"], curve["survival_hi"]
    assert (lo[0], lo[6]) == pytest.approx((0.6197, 0.1881), abs=0.5e-4)
    assert (hi[0], hi[6]) == pytest.approx((0.9516, 0.6801), abs=0.5e-4)


def test_weeks_in_remission_of_treated_against_control(run: Run):
    """Venables and Ripley, *MASS*, ch. 13: -1.267 (0.311), χ² 19.65; from memory."""
    treated = items_of(TREATED, "broken", model="6-MP")
    tables = run(treated + items_of(CONTROL, "broken", model="Control"))

    effect = tables("life_effects").filter(level="Control").row(0, named=True)
    ratio = [effect[name] for name in ("time_ratio", "ratio_lo", "ratio_hi")]
    expected = [
        -1.267335,
        -1.267335 - 1.959964 * 0.31064,
        -1.267335 + 1.959964 * 0.31064,
    ]
    logs = pl.Series(ratio).log().to_list()
    assert logs == pytest.approx(expected, abs=1e-5)
    test = tables("life_tests").filter(term="model").row(0, named=True)
    assert test["chi2"] == pytest.approx(19.651831, abs=1e-5)
    assert test["df"] == 1


COSMESIS = """
45- 25-37 37- 6-10 46- 0-5 0-7 26-40 18- 46- 46- 24- 46- 27-34 36- 7-16 36-44 5-11 17-
46- 19-35 7-14 36-48 17-25 37-44 37- 24- 0-8 40- 32- 4-11 17-25 33- 15- 46- 19-26 11-15
11-18 37- 22- 38- 34- 46- 5-12 36- 46-
"""


def test_months_to_cosmetic_change_known_between_visits(run: Run):
    """Finkelstein and Wolfe (1985), radiotherapy arm; Weibull by R's survreg.

    A patient is a belt inspected at the last good visit and found worn at the next.
    """
    pairs = [text.split("-") for text in COSMESIS.split()]
    tables = run(
        Item(end=int(right), reason="worn", seen=int(left)) if right
        else Item(end=int(left))
        for left, right in pairs
    )  # fmt: skip

    fit = fit_of(tables)
    assert (fit["n"], fit["failures"]) == (46, 21)
    assert fit["shape"] == pytest.approx(1.1216129, rel=1e-5)
    assert fit["scale_mi"] == pytest.approx(57.513096, rel=1e-5)


def test_repairs_of_three_systems_have_exact_fractions(run: Run):
    """Meeker and Escobar (1998), section 16.2: value from memory.

    At 16 system 2, which ends there, is still at risk. The robust variances 6/81, 6/81,
    24/81 and 163/216 come back from the limits, which are normal on the logarithm.
    """
    tables = run(
        [
            Item(end=12, complaints=(5, 8)),
            Item(end=16),
            Item(end=20, complaints=(1, 8, 16)),
        ]
    )

    curve = whole(tables("noise_curve"), noise="squeal").sort("miles").head(4)
    assert curve["miles"].to_list() == [1, 5, 8, 16]
    assert curve["at_risk"].to_list() == [3, 3, 3, 2]
    mean = curve["mean_complaints"]
    assert mean.to_list() == pytest.approx([1 / 3, 2 / 3, 4 / 3, 11 / 6], rel=1e-12)
    spread = (curve["mean_hi"] / curve["mean_lo"]).log() / (2 * 1.959963984540054)
    variance = ((spread * mean) ** 2).to_list()
    assert variance == pytest.approx([6 / 81, 6 / 81, 24 / 81, 163 / 216], rel=1e-9)


GARWOOD = {
    0: (0.0, 3.6889), 1: (0.0253, 5.5716), 2: (0.2422, 7.2247), 5: (1.6235, 11.6683),
    10: (4.7954, 18.3904), 20: (12.2165, 30.8884), 50: (37.1110, 65.9188),
    100: (81.3640, 121.6268),
}  # fmt: skip


def test_counts_have_the_limits_of_garwoods_table(run: Run):
    """Garwood (1936), 95 %: values from memory. A count is a vehicle of 100,000 mi."""
    tables = run(
        Item(end=100_000, model=f"M{k}", complaints=range(50_000, 50_000 + k))
        for k in GARWOOD
    )

    rates = tables("noise_rates").filter(band="all", noise="squeal")
    for k, limits in GARWOOD.items():
        row = rates.filter(model=f"M{k}").row(0, named=True)
        assert (row["complaints"], row["miles"]) == (k, 100_000)
        assert (row["rate_lo"], row["rate_hi"]) == pytest.approx(limits, abs=0.6e-4)


def test_the_ratio_of_two_rates(run: Run):
    """?poisson.test in R (value from memory): 11 in 800 against 21 in 3011.

    The 3,011 miles are those of belts left in range, the 800 those of loose ones.
    """
    in_range = [Item(end=97, left=175) for _ in range(31)] + [Item(end=4, left=175)]
    loose = [Item(end=50, left=100) for _ in range(16)]
    quiet = in_range[21:] + loose[11:]
    heard = [replace(x, complaints=(30,)) for x in in_range[:21] + loose[:11]]

    tables = run(heard + quiet)

    rates = tables("noise_rates").filter(model="all", noise="squeal")
    reference, row = (
        rates.filter(band=band).row(0, named=True) for band in ("in_spec", "loose")
    )
    assert (reference["complaints"], reference["miles"]) == (21, 3011)
    assert (row["complaints"], row["miles"]) == (11, 800)
    ratio = (row["rate_ratio"], row["ratio_lo"], row["ratio_hi"])
    assert ratio == pytest.approx((1.971488, 0.8584264, 4.277268), abs=3e-6)
