"""The tables given out, by the contract: schema `results` of the database."""

from typing import Final

from fleetbelt.contract.outputs.drift import DRIFT
from fleetbelt.contract.outputs.life import LIFE
from fleetbelt.contract.outputs.measurement import MEASUREMENT
from fleetbelt.contract.outputs.noise import NOISE
from fleetbelt.contract.outputs.people import PEOPLE
from fleetbelt.contract.outputs.plan import PLAN
from fleetbelt.contract.outputs.records import RECORDS
from fleetbelt.contract.outputs.repairs import REPAIRS
from fleetbelt.contract.outputs.work import WORK
from fleetbelt.contract.tables import Table

RESULTS: Final[tuple[Table, ...]] = (
    *RECORDS,
    *MEASUREMENT,
    *DRIFT,
    *LIFE,
    *NOISE,
    *REPAIRS,
    *PEOPLE,
    *WORK,
    *PLAN,
)
"""The result tables, in the order they are shown."""


def result_table(name: str) -> Table:
    """Return the result table of that name; StopIteration where there is none."""
    return next(table for table in RESULTS if table.name == name)
