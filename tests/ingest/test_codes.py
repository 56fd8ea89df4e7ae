"""Every reason a row is refused for is in the dictionary."""

import re
from pathlib import Path

import pytest

from fleetbelt.contract import INPUTS
from fleetbelt.ingest import records
from fleetbelt.ingest.casts import Form, reasons
from fleetbelt.ingest.codes import REFUSALS

KNOWN = {code.code for code in REFUSALS}


@pytest.mark.parametrize("table", INPUTS, ids=lambda table: table.name)
def test_the_reasons_of_cells_are_known(table):
    assert {reason.code for reason in reasons(table, Form())} <= KNOWN


def test_the_reasons_of_lines_are_known():
    source = Path(records.__file__).read_text("utf-8")

    used = set(re.findall(r'Malformed\([^"]*"(\w+)"', source))

    assert len(used) == 7
    assert used <= KNOWN


@pytest.mark.parametrize("code", REFUSALS, ids=lambda code: code.code)
def test_each_says_what_it_is_with_an_example(code):
    assert code.sentence.endswith(".")
    assert code.example
