"""What a user would write instead: pandas, lifelines, statsmodels and plotly.

One mean correction a gauge, plain differences for drift, lives exact at finding, a
Poisson regression of complaints, means by technician, and one page of figures. No
uncertainty of a reading, nothing refused or accounted for, nothing learned jointly.

Run: python -m tests.bench.peer FOLDER OUT
"""

import sys
import warnings
from pathlib import Path

import lifelines
import numpy as np
import pandas as pd
import plotly.graph_objects as go
import statsmodels.api as sm

NEWTONS = {"lbf": 4.4482216152605, "N": 1.0, "kgf": 9.80665}
FAILED = ("broken", "worn", "cracked", "noise")
BANDS = ("loose", "under", "in_spec", "over", "tight")
KEYS = ["vehicle_id", "drive_id"]


def main(folder: Path, out: Path) -> None:
    """Read, reduce, fit, draw; write one page and the tables."""
    out.mkdir(parents=True, exist_ok=True)
    tables = {path.stem: pd.read_csv(path) for path in sorted(folder.glob("*.csv"))}
    services = in_newtons(with_belts(tables), tables["calibrations"], tables["gauges"])
    services = judged(services, tables["specs"])
    belts = lives(services)
    drift, technicians = losses(services), by_technician(services)
    noise = noise_by_band(tables["complaints"], services, belts)
    figures = [
        shares(services), *survival(belts), bars(drift), bars(technicians), bars(noise),
    ]  # fmt: skip
    pages = [
        figure.to_html(full_html=False, include_plotlyjs=n == 0)
        for n, figure in enumerate(figures)
    ]
    (out / "page.html").write_text("\n".join(pages), encoding="utf-8")
    for name, table in (
        ("readings", services), ("belts", belts), ("drift", drift),
        ("technicians", technicians), ("noise", noise),
    ):  # fmt: skip
        table.to_csv(out / f"{name}.csv")


def with_belts(tables: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Order the services, number each vehicle's belts, count miles since fitting."""
    services = tables["services"].merge(
        tables["vehicles"][["vehicle_id", "model", "depot", "drive_id"]],
        on="vehicle_id",
        suffixes=("", "_default"),
    )
    services["drive_id"] = services["drive_id"].fillna(services["drive_id_default"])
    services["date"] = pd.to_datetime(services["date"])
    services = services.sort_values([*KEYS, "date", "odometer_mi"])
    is_install = services["action"].eq("install")
    services["belt"] = is_install.groupby([services[k] for k in KEYS]).cumsum()
    fitted = services["odometer_mi"].where(is_install)
    services["fitted_mi"] = fitted.groupby([services[k] for k in KEYS]).ffill()
    services["miles"] = services["odometer_mi"] - services["fitted_mi"]
    return services


def in_newtons(
    services: pd.DataFrame, calibrations: pd.DataFrame, gauges: pd.DataFrame
) -> pd.DataFrame:
    """Correct every reading by its gauge's mean ratio of reading to load."""
    ratio = calibrations["reading"] / calibrations["reference"]
    mean = ratio.groupby(calibrations["gauge_id"]).mean()
    correction = 1 / services["gauge_id"].map(mean).fillna(1.0)
    factor = services["reading_unit"].map(NEWTONS) * correction
    for phase in ("found", "left"):
        services[f"{phase}_n"] = services[f"reading_{phase}"] * factor
    return services[services["gauge_id"].isin(gauges["gauge_id"])]


def judged(services: pd.DataFrame, specs: pd.DataFrame) -> pd.DataFrame:
    """Hold what was left against the published range: new at install, else used."""
    factor = specs["unit"].map(NEWTONS)
    ranges = specs.assign(
        low_n=specs["tension_min"] * factor, high_n=specs["tension_max"] * factor
    ).drop_duplicates(["drive_id", "belt_state"])
    services["belt_state"] = np.where(services["action"].eq("install"), "new", "used")
    services = services.merge(
        ranges[["drive_id", "belt_state", "low_n", "high_n"]],
        on=["drive_id", "belt_state"],
        how="left",
    )
    edges = [-np.inf, 0.85, 1.0, np.inf]
    low = pd.cut(services["left_n"] / services["low_n"], edges, labels=BANDS[:3])
    services["band"] = low.astype(object)
    over = services["left_n"] / services["high_n"]
    services.loc[over > 1, "band"] = "over"
    services.loc[over > 1.15, "band"] = "tight"
    return services


def lives(services: pd.DataFrame) -> pd.DataFrame:
    """Return a row a belt: its miles, whether it failed, its band at install."""
    fitted = services[services["belt"] > 0]
    belts = fitted.groupby([*KEYS, "belt"]).agg(
        model=("model", "first"),
        band=("band", "first"),
        seen_mi=("miles", "max"),
        fitted_mi=("fitted_mi", "first"),
    )
    after = services.loc[
        services["action"].isin(["install", "remove"]),
        [*KEYS, "belt", "odometer_mi", "removal_reason", "action"],
    ].copy()
    after["belt"] -= after["action"].eq("install")
    ends = after.drop_duplicates([*KEYS, "belt"]).set_index([*KEYS, "belt"])
    belts = belts.join(ends[["odometer_mi", "removal_reason"]])
    belts["failed"] = belts["removal_reason"].isin(FAILED)
    end_mi = (belts["odometer_mi"] - belts["fitted_mi"]).fillna(belts["seen_mi"])
    belts["life_mi"] = end_mi.clip(lower=1)
    return belts.reset_index()


def losses(services: pd.DataFrame) -> pd.DataFrame:
    """Return the mean loss per 1,000 mi by model, from visit to visit."""
    state = services["left_n"].fillna(services["found_n"])
    by_belt = [services[k] for k in [*KEYS, "belt"]]
    before, at = (
        column.groupby(by_belt).shift() for column in (state, services["odometer_mi"])
    )
    miles = services["odometer_mi"] - at
    loss = 1e5 * np.log(before / services["found_n"]) / miles.where(miles >= 500)
    return loss.groupby(services["model"]).agg(["mean", "sem", "count"])


def by_technician(services: pd.DataFrame) -> pd.DataFrame:
    """Return what each technician left against the middle of the range."""
    target = (services["low_n"] + services["high_n"]) / 2
    off = services["left_n"] / target - 1
    table = off.groupby(services["technician_id"]).agg(["mean", "std", "count"])
    inside = services["left_n"].between(services["low_n"], services["high_n"])
    table["in_range"] = inside.groupby(services["technician_id"]).mean()
    return table


def noise_by_band(
    complaints: pd.DataFrame, services: pd.DataFrame, belts: pd.DataFrame
) -> pd.DataFrame:
    """Return complaints per 100,000 mi by band, with a Poisson regression."""
    complaints["date"] = pd.to_datetime(complaints["date"])
    visits = services[["vehicle_id", "date", "belt", "drive_id"]].sort_values("date")
    heard = pd.merge_asof(
        complaints.drop(columns="drive_id").sort_values("date"),
        visits,
        on="date",
        by="vehicle_id",
    )
    heard = heard.merge(belts[[*KEYS, "belt", "band"]], on=[*KEYS, "belt"])
    table = pd.DataFrame(
        {
            "complaints": heard.groupby("band").size(),
            "miles": belts.groupby("band")["life_mi"].sum(),
        }
    ).fillna(0)
    table = table[table["miles"] > 0]
    fit = sm.GLM(
        table["complaints"],
        pd.get_dummies(table.index).astype(float).to_numpy(),
        family=sm.families.Poisson(),
        offset=np.log(table["miles"] / 1e5),
    ).fit()
    table["rate"] = np.exp(fit.params.to_numpy())
    return table


def survival(belts: pd.DataFrame) -> list[go.Figure]:
    """Return survival by band and Weibull lives by model, drawn."""
    curves, table = go.Figure(), {}
    for band, group in belts.groupby("band"):
        kaplan = lifelines.KaplanMeierFitter().fit(group["life_mi"], group["failed"])
        line = kaplan.survival_function_.iloc[:, 0]
        step = max(len(line) // 2_000, 1)
        curves.add_scatter(x=line.index[::step], y=line.to_numpy()[::step], name=band)
    for model, group in belts.groupby("model"):
        weibull = lifelines.WeibullFitter().fit(group["life_mi"], group["failed"])
        table[model] = weibull.percentile(0.9)
    return [curves, bars(pd.DataFrame({"b10_mi": table}))]


def shares(services: pd.DataFrame) -> go.Figure:
    """Draw the share left under its range by depot."""
    installs = services[services["action"].eq("install") & services["left_n"].notna()]
    under = installs["left_n"] < installs["low_n"]
    return bars(under.groupby(installs["depot"]).mean().to_frame())


def bars(table: pd.DataFrame) -> go.Figure:
    """Draw a table's first column."""
    return go.Figure(go.Bar(x=list(table.index), y=table.iloc[:, 0].to_numpy()))


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    main(Path(sys.argv[1]), Path(sys.argv[2]))
