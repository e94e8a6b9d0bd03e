"""`loamline schema`: the published JSON Schemas, by name."""

import json

import pytest

from loamline_schemas.json_schemas import PUBLISHED, json_schema


def test_without_a_name_every_name_is_listed(loamline):
    done = loamline("schema")
    assert done.exit_code == 0
    assert done.stdout.split() == list(PUBLISHED)


@pytest.mark.parametrize("name", PUBLISHED)
def test_a_schema_is_printed_as_json_that_a_script_can_read(loamline, name):
    done = loamline("schema", name)
    assert done.exit_code == 0
    assert json.loads(done.stdout) == json_schema(name)
    assert done.stderr == ""


def test_an_unknown_name_is_told_with_the_known_ones(loamline):
    done = loamline("schema", "uplinks")
    assert done.exit_code == 1
    assert done.stdout == ""
    assert done.stderr.strip() == f"expected one of {', '.join(PUBLISHED)}, got 'uplinks'"
