"""The work ahead: what is due, when there is room for it, and what it is worth."""

from fleetbelt.contract.outputs.plan import PLAN
from fleetbelt.settings import Settings
from fleetbelt.steps.tables import Tables, from_rows
from fleetbelt.store.frames import Read


def plan(_read: Read, _settings: Settings) -> Tables:
    """Return the tables of the plan, without rows as long as nothing is planned."""
    return {f"results.{table.name}": from_rows(table.name, []) for table in PLAN}
