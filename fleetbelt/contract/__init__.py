"""The data contract as data: every table, column, unit and code word, once.

Ingest casts by it, SQL headers and results are tested against it, the database's
comments are set from it, and `fleetbelt dictionary` prints it.
"""

from fleetbelt.contract.inputs import BANDS, INPUTS, NOISES, input_table
from fleetbelt.contract.outputs import RESULTS, result_table
from fleetbelt.contract.tables import Column, Table

__all__ = [
    "BANDS",
    "CONTRACT_VERSION",
    "INPUTS",
    "NOISES",
    "RESULTS",
    "Column",
    "Table",
    "input_table",
    "result_table",
]

CONTRACT_VERSION = "1"
