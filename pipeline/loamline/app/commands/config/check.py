"""`loamline config check`: every fault of the settings, and of the files that they name, before the daemon meets it."""

from __future__ import annotations

from typing import Annotated

import typer

from loamline.app.commands.config.told import FileArgument
from loamline.app.output import console, errors, print_json
from loamline.app.settings import look_at_settings
from loamline.app.settings_files import file_faults


def check_command(
    file: FileArgument = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the faults as JSON.")] = False,
) -> None:
    """Tell every fault at once: which layer told it, which setting, expected, got. Nothing is connected or opened.

    The environment (LOAMLINE_...) is looked at beside the file. Each two settings that contradict each other are
    named. The files and folders that the settings name have to be there, readable, and of a mode that keeps secrets;
    registry, maps, keys, codecs and certificates are read as the daemon will. Exit 0: sound, 2: not.
    """
    told = look_at_settings(file)
    faults = told.faults + (file_faults(told.settings) if told.settings is not None else [])
    if as_json:
        print_json({"sound": not faults, "faults": faults})
    elif faults:
        for fault in faults:
            errors.print(fault, style="red", markup=False, soft_wrap=True)
        errors.print(f"{len(faults)} fault{'s' if len(faults) > 1 else ''}", style="red")
    else:
        console.print("the settings are sound", markup=False)
    if faults:
        raise typer.Exit(2)
