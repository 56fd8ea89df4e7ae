"""The tables taken in, by the contract."""

from typing import Final

from fleetbelt.contract.tables import Table, date, distance, integer, real, text

_ROAD = ("mi", "km")
_SPAN = ("in", "mm")
FORCE_UNITS: Final = "lbf N kgf"
ACTIONS: Final = "install recheck inspect retension refit remove"
REMOVAL_REASONS: Final = (
    "broken worn cracked noise contaminated preventive other_work accident unknown"
)
NOISES: Final = "squeal chirp rumble whine other"
BANDS: Final = ("loose", "under", "in_spec", "over", "tight", "unknown")
VERDICTS: Final = ("under", "doubtful_low", "in", "doubtful_high", "over", "no_spec")
PULLEY_TYPES: Final = "solid one_way decoupler"

INPUTS: Final[tuple[Table, ...]] = (
    Table(
        name="vehicles",
        row="a vehicle",
        key=("vehicle_id",),
        is_required=True,
        columns=(
            text("vehicle_id!", "the fleet's own number"),
            text("model!", "vehicles that share a drive and its behaviour"),
            text("drive_id!", "the drive most of its work is on"),
            text("depot!", "where it is based"),
            text("duty", "how it is driven", "urban mixed highway"),
            date("in_service_date", "first day on the road"),
            date("retired_date", "last day in the fleet"),
        ),
    ),
    Table(
        name="drives",
        row="an accessory drive layout",
        key=("drive_id",),
        is_required=True,
        columns=(
            text("drive_id!", "the fleet's own name of the layout"),
            integer("ribs!", "ribs of the belt", least=1),
            text("alternator_pulley!", "kind of alternator pulley", PULLEY_TYPES),
            real("belt_mass_g_per_m", "mass of the whole belt, g/m", above=0),
            real("belt_length_mm", "effective length of the belt, mm", above=0),
            text("part_number", "the fleet's own number of the belt"),
            text("description", "words for people"),
        ),
    ),
    Table(
        name="specs",
        row="a range published for a drive",
        key=("drive_id", "belt_state", "source"),
        is_required=True,
        columns=(
            text("drive_id!", "the drive it is published for"),
            text("belt_state!", "state of the belt it is for", "new used"),
            real("tension_min!", "lower limit as published", above=0),
            real("tension_max!", "upper limit as published", above=0),
            text("unit!", "unit as published", FORCE_UNITS),
            text("source", "manual and page"),
        ),
    ),
    Table(
        name="services",
        row="one visit's work on one belt",
        key=("service_id",),
        is_required=True,
        columns=(
            text("service_id!", "the workshop's own number"),
            date("date!", "day of the work"),
            text("vehicle_id!", "the vehicle"),
            *distance("odometer!", _ROAD, "odometer of the vehicle"),
            text("action!", "what was done", ACTIONS),
            text("shop!", "the workshop"),
            text("technician_id!", "who did it"),
            text("drive_id", "the belt's drive; the vehicle's when empty"),
            text("gauge_id", "gauge the readings were taken with"),
            *distance("span", _SPAN, "span the gauge sat on", zero=False),
            real("reading_found", "gauge reading before adjustment", above=0),
            real("reading_left", "gauge reading after adjustment", above=0),
            text("reading_unit", "unit of both readings", f"{FORCE_UNITS} Hz"),
            integer("readings_averaged", "readings in each mean; 1", least=1),
            real("run_minutes", "engine minutes since the fitting", least=0),
            text("spec_applied", "range the technician set to", "new used"),
            text("removal_reason", "why the old belt came off", REMOVAL_REASONS),
            text("belt_temperature", "belt when it was read", "cold hot"),
            real("labour_minutes", "minutes of work", least=0),
            text("note", "words for people"),
        ),
    ),
    Table(
        name="gauges",
        row="a tension gauge",
        key=("gauge_id",),
        columns=(
            text("gauge_id!", "the workshop's own number"),
            text("method!", "how it measures", "finger push vibration"),
            real("resolution", "smallest step it shows, in its unit", above=0),
            text("unit", "unit it shows", f"{FORCE_UNITS} Hz"),
            text("shop", "where it is kept"),
        ),
    ),
    Table(
        name="calibrations",
        row="one reading of a known load",
        key=("gauge_id", "date", "span", "reference", "run"),
        columns=(
            text("gauge_id!", "the gauge"),
            date("date!", "day of the calibration"),
            *distance("span!", _SPAN, "span the gauge sat on", zero=False),
            real("reference!", "known tension", above=0),
            real("reading!", "what the gauge showed", above=0),
            text("unit!", "unit of reference and reading", FORCE_UNITS),
            text("technician_id", "who read it"),
            text("run", "number of the repeat; empty: n-th such row of its file"),
        ),
    ),
    Table(
        name="complaints",
        row="one noise complaint",
        key=("complaint_id",),
        columns=(
            text("complaint_id!", "the fleet's own number"),
            date("date!", "day of the complaint"),
            text("vehicle_id!", "the vehicle"),
            *distance("odometer!", _ROAD, "odometer of the vehicle"),
            text("noise!", "what was heard", NOISES),
            text("drive_id", "the belt's drive; the vehicle's when empty"),
            text("condition", "when it is heard", "cold_start wet heavy_load steady"),
        ),
    ),
    Table(
        name="odometers",
        row="one odometer reading",
        key=("vehicle_id", "date", "odometer"),
        columns=(
            text("vehicle_id!", "the vehicle"),
            date("date!", "day of the reading"),
            *distance("odometer!", _ROAD, "odometer of the vehicle"),
        ),
    ),
    Table(
        name="repairs",
        row="an accessory repaired",
        key=("repair_id",),
        columns=(
            text("repair_id!", "the workshop's own number"),
            date("date!", "day of the repair"),
            text("vehicle_id!", "the vehicle"),
            *distance("odometer!", _ROAD, "odometer of the vehicle"),
            text(
                "accessory!",
                "what was repaired",
                "alternator compressor water_pump idler crankshaft",
            ),
            text("fault!", "what was wrong", "bearing pulley seal electrical other"),
        ),
    ),
    Table(
        name="pulleys",
        row="a pulley of a drive, in belt order",
        key=("drive_id", "position"),
        columns=(
            text("drive_id!", "the drive"),
            integer("position!", "1, 2, … in the order the belt runs", least=1),
            text("accessory!", "what it drives"),
            real("x_mm!", "centre, to the right, mm"),
            real("y_mm!", "centre, upward, mm"),
            real("diameter_mm!", "effective diameter, mm", above=0),
            text("side!", "face of the belt that runs on it", "ribbed back"),
            text(
                "gauge_access",
                "can a gauge reach the span to the next pulley",
                "yes no",
            ),
        ),
    ),
)
"""The tables taken in, in the order they are shown."""


def input_table(name: str) -> Table:
    """Return the input table of that name; StopIteration where there is none."""
    return next(table for table in INPUTS if table.name == name)
