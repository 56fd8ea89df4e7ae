"""How often belts are heard, by group and by vehicle."""

from typing import Final

from fleetbelt.contract.tables import (
    Table,
    integer,
    real,
    text,
)

NOISE: Final[tuple[Table, ...]] = (
    Table(
        name="noise_dose",
        row="a noise at a tension at install against the range",
        key=("noise", "relative"),
        columns=(
            text("noise!", "kind of noise", "squeal whine"),
            real("relative!", "0 at the minimum of the range, 1 at the maximum"),
            real("rate_ratio!", "complaints a mile against the middle of the range"),
            real("ratio_lo!", "lower 95 % limit"),
            real("ratio_hi!", "upper 95 % limit"),
        ),
    ),
    Table(
        name="noise_avoidable",
        row="a noise",
        key=("noise",),
        columns=(
            text("noise!", "kind of noise", "squeal"),
            integer("complaints!", "of belts whose band is known"),
            real("share", "less, had each been in range; association, not cause"),
            real("share_lo", "lower 95 % limit"),
            real("share_hi", "upper 95 % limit"),
            text("family", "of the counts", "poisson negative_binomial"),
            real("p_clustering", "of Poisson against negative binomial counts"),
            text("reason", "why there is no share"),
        ),
    ),
    Table(
        name="noise_rates",
        row="a model, band and noise, with all",
        key=("model", "band", "noise"),
        columns=(
            text("model!", "a model, or all"),
            text(
                "band!",
                "install tension against the range, or all",
                "all loose under in_spec over tight unknown",
            ),
            text(
                "noise!",
                "what was heard, or all",
                "all squeal chirp rumble whine other",
            ),
            integer("complaints!", "while the belts were under observation"),
            real("miles!", "they ran under observation, mi"),
            real("per_100k_mi", "complaints per 100,000 mi"),
            real(
                "rate_lo",
                "lower 95 % limit (Garwood, widened where complaints cluster)",
            ),
            real("rate_hi", "upper 95 % limit"),
            real("rate_ratio", "to belts left in range"),
            real("ratio_lo", "lower 95 % limit"),
            real("ratio_hi", "upper 95 % limit"),
            real(
                "widening!",
                "variance over that of Poisson counts; 1: no clustering detectable",
            ),
        ),
    ),
    Table(
        name="noise_curve",
        row="a step of a mean cumulative curve",
        key=("model", "band", "noise", "miles"),
        columns=(
            text("model!", "a model, or all"),
            text(
                "band!",
                "install tension against the range, or all",
                "all loose under in_spec over tight unknown",
            ),
            text(
                "noise!",
                "what was heard, or all",
                "all squeal chirp rumble whine other",
            ),
            real("miles!", "since fitting, mi"),
            real("at_risk!", "belts at risk at that mile"),
            real("mean_complaints!", "per belt up to there"),
            real("mean_lo", "lower 95 % limit"),
            real("mean_hi", "upper 95 % limit"),
        ),
    ),
    Table(
        name="vehicle_results",
        row="a vehicle",
        key=("vehicle_id",),
        columns=(
            text("vehicle_id!", "the vehicle"),
            text("model!", "its model"),
            text("depot!", "its depot"),
            real("miles!", "belt miles under observation, mi"),
            integer("belts!", "belts in them"),
            integer("failures!", "of these belts"),
            integer("complaints!", "of noise in them"),
            real("complaints_expected", "from its miles, model and bands"),
            real("noise_ratio", "observed to expected, shrunk"),
            real("noise_lo", "lower 95 % limit"),
            real("noise_hi", "upper 95 % limit"),
            real("drift_pct_per_1000mi", "mean over its running belts"),
            text("last_install_band", "band of its last belt"),
        ),
    ),
)
