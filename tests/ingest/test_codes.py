"""Every reason a row is refused or doubted for is in the dictionary."""

import re
from pathlib import Path

import pytest

import fleetbelt
from fleetbelt.contract import INPUTS
from fleetbelt.dictionary import dictionary_text
from fleetbelt.ingest import records
from fleetbelt.ingest.casts import Form, reasons
from fleetbelt.ingest.codes import REFUSALS, rules
from fleetbelt.ingest.versions import CONFLICT
from fleetbelt.intake import Outcome
from fleetbelt.settings import FileMapping, Settings

KNOWN = {code.code for code in REFUSALS}
ALL = (*REFUSALS, *rules())


def of_cells():
    return {reason.code for table in INPUTS for reason in reasons(table, Form())}


def of_lines():
    source = Path(records.__file__).read_text("utf-8")
    return set(re.findall(r'Malformed\([^"]*"(\w+)"', source))


def test_the_codes_are_those_that_rows_are_refused_for_and_no_others():
    assert len(of_lines()) == 7
    assert of_cells() | of_lines() | {CONFLICT} == KNOWN


@pytest.mark.parametrize("code", ALL, ids=lambda code: code.code)
def test_each_says_what_it_is_with_an_example_and_how_to_mend_it(code):
    assert code.sentence.endswith(".")
    assert code.mend.endswith(".")
    assert code.example


@pytest.mark.parametrize("code", ALL, ids=lambda code: code.code)
def test_the_dictionary_says_so(code):
    text = dictionary_text()

    assert f"{code.code} ({code.severity}): {code.sentence}" in text
    assert f"example: {code.example}" in text
    assert f"mend:    {code.mend}" in text


@pytest.mark.parametrize(
    "setting",
    [key for code in ALL for key in code.setting.split(", ") if key],
)
def test_the_setting_that_mends_it_is_one(setting):
    if "." not in setting.strip("[]").removeprefix("file."):
        key = re.sub(r"^\[file\.(\w+)\].*", r"\1", setting)
        assert key in FileMapping.model_fields
    elif setting.startswith("[file.words."):
        assert "words" in FileMapping.model_fields
    else:
        section, key = setting.split(".")
        assert key in type(getattr(Settings(), section)).model_fields


def test_every_code_in_the_results_is_explained(sample: Outcome):
    results = fleetbelt.open(sample.database)

    refused = results["quarantine"]["reason"].str.split("; ").explode().unique()
    noted = results["data_notes"]["code"].unique()

    assert {*refused, *noted} <= {code.code for code in ALL}
    assert len(refused) > 5
    assert len(noted) > 5
