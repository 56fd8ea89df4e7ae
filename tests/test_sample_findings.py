"""The sample fleet hides truths worth finding; the results must show each of them."""

import polars as pl
import pytest

import fleetbelt
from fleetbelt.intake import Outcome
from fleetbelt.store import frames
from fleetbelt.store.database import connect
from tests.simulation.sample import planted_dirt


@pytest.fixture(scope="module")
def installs(sample: Outcome) -> pl.DataFrame:
    with connect(sample.database, read_only=True) as connection:
        return frames.read(connection, "from marts.install_tension")


def share_under(installs: pl.DataFrame) -> float:
    judged = installs.filter(pl.col("band") != "unknown")
    assert judged.height >= 10
    under = pl.col("band").is_in(["loose", "under"])
    return float(judged.select(under.mean()).item())


def test_belts_set_with_the_gauge_that_reads_high_were_left_under(installs):
    by_install = installs.filter(basis="install")
    its = by_install.filter(gauge_id="G-07")
    others = by_install.filter(pl.col("gauge_id") != "G-07")

    assert share_under(its) > 0.6
    assert share_under(others) < 0.35


def test_the_technician_who_sets_loose_leaves_belts_under(installs):
    its = installs.filter(technician_id="T-11", basis="install")

    assert share_under(its) > 0.6


def test_the_technician_who_skips_the_recheck_has_none(sample: Outcome):
    results = fleetbelt.open(sample.database)
    with connect(sample.database, read_only=True) as connection:
        visits = frames.read(connection, "from history.visits")
    by = visits.filter(action="install").select("service_id", "technician_id")

    basis = results["belts"].join(
        by, left_on="install_service_id", right_on="service_id"
    )

    skipper = basis.filter(technician_id="T-09")
    assert skipper.height >= 10
    assert "recheck" not in set(skipper["install_basis"])
    assert basis.select((pl.col("install_basis") == "recheck").mean()).item() > 0.3


def test_the_gauge_that_reads_low_on_short_spans_is_shown(sample: Outcome):
    curves = fleetbelt.open(sample.database)["gauge_curves"]

    short = curves.filter(gauge_id="G-03").sort("span_mm").row(0, named=True)
    assert short["ratio_hi"] < 0.9


def test_every_planted_dirty_row_is_refused_noted_or_known(sample: Outcome):
    results = fleetbelt.open(sample.database)
    refused = set(results["quarantine"].select("file", "line").rows())
    planted = planted_dirt()

    assert planted.height >= 30
    assert planted["kind"].n_unique() >= 10
    for row in planted.filter(fate="refused").iter_rows(named=True):
        assert (f"{row['file']}.csv", row["line"]) in refused, row["kind"]
    known = int(results["load_files"]["rows_duplicate"].sum())
    assert known == planted.filter(fate="duplicate").height


def test_nothing_clean_is_refused(sample: Outcome):
    refused = fleetbelt.open(sample.database)["quarantine"]
    planted = planted_dirt().filter(fate="refused")

    assert refused.height == planted.height


def test_the_watchlist_names_gauge_and_technician(sample: Outcome):
    watchlist = fleetbelt.open(sample.database)["watchlist"]

    assert {"left_under", "gauge_reads_high", "no_recheck"} <= set(watchlist["reason"])
    high = watchlist.filter(reason="gauge_reads_high")
    assert high["detail"].str.contains(r"Gauge G-07 reads \d+ % high").any()


def test_the_watchlist_is_ranked_by_the_miles_under_to_expect(sample: Outcome):
    watchlist = fleetbelt.open(sample.database)["watchlist"].sort("rank")

    assert watchlist["under_mi"].is_sorted(descending=True)
    assert watchlist.filter(pl.col("p_under_now") < 0.2).height == 0
    assert watchlist["rank"].to_list() == list(range(1, watchlist.height + 1))
