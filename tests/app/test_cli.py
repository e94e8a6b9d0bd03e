"""The command line as a whole: what it lists, what that costs, and what it says to a word that it doesn't know."""

from __future__ import annotations

import inspect
import json
import pkgutil
import subprocess
import sys

import pytest
import typer

from loamline.app import commands
from loamline.app.cli import COMMANDS, app

_LOADED = """
import json, sys
from loamline.app.cli import main
sys.argv = ["loamline", *sys.argv[1:]]
try:
    main()
except SystemExit:
    pass
sys.stderr.write(json.dumps(sorted(sys.modules)))
"""


def modules_of(*arguments):
    """Return which modules a run of the program has imported when it leaves."""
    done = subprocess.run([sys.executable, "-c", _LOADED, *arguments], capture_output=True, text=True, check=True)
    return set(json.loads(done.stderr.splitlines()[-1]))


def test_every_module_of_commands_is_a_command():
    words = {module.name.strip("_").replace("_", "-") for module in pkgutil.iter_modules(commands.__path__)}
    assert words == set(COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_the_list_says_of_a_command_what_its_own_help_begins_with(name):
    command = typer.main.get_command(app).commands[name]
    assert " ".join(inspect.cleandoc(command.help).split("\n\n")[0].split()) == COMMANDS[name]


def test_the_list_of_commands_loads_none_of_them():
    loaded = modules_of("--help")
    assert "loamline.app.cli" in loaded
    assert not {name for name in loaded if name.startswith("loamline.app.commands.")}
    assert not {"duckdb", "fastapi", "pandas", "pyarrow"} & loaded


def test_a_command_loads_neither_other_commands_nor_pandas():
    loaded = modules_of("schema", "uplink")
    assert {name for name in loaded if name.startswith("loamline.app.commands.")} == {"loamline.app.commands.schema"}
    assert not {"fastapi", "pandas", "xlsxwriter"} & loaded


def test_a_command_that_handles_columns_does_without_pandas(tmp_path):
    """Which pyarrow would import at its first array, where it is installed, as it is here."""
    loaded = modules_of("import", str(tmp_path / "none.jsonl"), "--store", str(tmp_path / "s.duckdb"))
    assert "pyarrow" in loaded
    assert "pandas" not in loaded


def test_a_word_that_is_no_command_is_told_with_the_nearest(loamline):
    done = loamline("statu")
    assert done.exit_code == 2
    assert "No such command 'statu'. Did you mean 'status'?" in " ".join(done.stderr.split())
