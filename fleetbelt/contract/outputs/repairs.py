"""How often accessories are repaired, by group: the price of too tight."""

from typing import Final

from fleetbelt.contract.tables import (
    Table,
    integer,
    real,
    text,
)

REPAIRS: Final[tuple[Table, ...]] = (
    Table(
        name="repair_rates",
        row="a model, band and fault, with all; no row where no repair is recorded",
        key=("model", "band", "fault"),
        columns=(
            text("model!", "a model, or all"),
            text(
                "band!",
                "install tension against the range, or all",
                "all loose under in_spec over tight unknown",
            ),
            text(
                "fault!",
                "of the accessory; other than bearings: not expected to follow tension",
                "bearing other",
            ),
            integer("repairs!", "while the belts were under observation"),
            real("miles!", "they ran under observation, mi"),
            real("per_100k_mi", "repairs per 100,000 mi"),
            real(
                "rate_lo",
                "lower 95 % limit (Garwood, widened where repairs cluster)",
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
        name="repair_dose",
        row="a tension at install against the range",
        key=("relative",),
        columns=(
            real("relative!", "0 at the minimum of the range, 1 at the maximum"),
            real(
                "rate_ratio!", "bearing repairs a mile against the middle of the range"
            ),
            real("ratio_lo!", "lower 95 % limit"),
            real("ratio_hi!", "upper 95 % limit"),
        ),
    ),
)
