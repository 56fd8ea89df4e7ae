"""How often accessories are repaired, by model and by how the belt was set."""

from fleetbelt.steps.rates import rate_rows
from fleetbelt.steps.tables import Tables, from_rows
from fleetbelt.store.frames import Read


def repairs(read: Read) -> Tables:
    """Give rates of bearing repairs and of others, and ratios to belts set in range."""
    rows = rate_rows(read("marts.repair_sums"), "fault", "repairs")
    return {"results.repair_rates": from_rows("repair_rates", rows)}
