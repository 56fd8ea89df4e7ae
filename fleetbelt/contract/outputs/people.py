"""What technicians do with the belts they find, and what is heard of their work."""

from typing import Final

from fleetbelt.contract.tables import Table, integer, real, text

PEOPLE: Final[tuple[Table, ...]] = (
    Table(
        name="technician_retensions",
        row="a technician who read a belt as found",
        key=("technician_id",),
        columns=(
            text("technician_id!", "the technician"),
            integer("retensions!", "read before and after"),
            integer("found_under!", "of them found under the range"),
            integer("left_under!", "of them left under it"),
            integer("stayed_under!", "found under and left under"),
            real("stayed_under_share", "of those found under"),
            real("stayed_under_lo", "lower 95 % limit (Wilson)"),
            real("stayed_under_hi", "upper 95 % limit"),
            real("found_place", "median: 0 the range's minimum, 1 its maximum"),
            real("left_place", "the same of what was left"),
            integer("seen_in_range!", "found in range, inspected or set again"),
            integer("moved_in_range!", "of them set all the same"),
            real("moved_in_range_share", "moved_in_range/seen_in_range"),
            real("moved_in_range_lo", "lower 95 % limit (Wilson)"),
            real("moved_in_range_hi", "upper 95 % limit"),
            integer("timed!", "retensions with the minutes recorded"),
            real("median_minutes", "of them"),
        ),
    ),
    Table(
        name="technician_complaints",
        row="a technician who set or fitted a belt",
        key=("technician_id",),
        columns=(
            text("technician_id!", "the technician"),
            integer("works!", "settings and fittings with miles after them"),
            integer("miles!", "to 5,000 mi, the next work or the belt's end, mi"),
            integer("complaints!", "in those miles"),
            real("expected!", "for those miles, by model; sums to the complaints"),
            real("ratio", "complaints/expected, drawn to the mean of all"),
            real("ratio_lo", "lower 95 % limit"),
            real("ratio_hi", "upper 95 % limit"),
            text(
                "standing!",
                "of complaints against expected",
                "fewer as_expected more too_few",
            ),
        ),
    ),
)
