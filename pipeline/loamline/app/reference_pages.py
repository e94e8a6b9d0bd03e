"""Reference pages as Markdown, made from what the program itself says: every command, and every setting."""

from __future__ import annotations

import inspect
from collections.abc import Iterator
from typing import Any

from pydantic import BaseModel
from pydantic_core import PydanticUndefined

from loamline_schemas.settings import Settings


def commands_page(root: Any) -> str:
    """Return a page of all commands below `root`: what each does, its arguments and its options."""
    lines = ["# Commands", "", "Made by `loamline guide commands`; each command says the same with `--help`.", ""]
    for path, command in _commands(root, "loamline"):
        lines += [f"## `{path}`", "", *inspect.cleandoc(command.help or "").splitlines(), "", *_example(command)]
        rows = [row for parameter in command.params if (row := _parameter(parameter)) is not None]
        if rows:
            lines += ["| | | default |", "| --- | --- | --- |", *rows, ""]
    return "\n".join(lines).rstrip() + "\n"


def settings_page() -> str:
    """Return a page of all settings of the daemon: the TOML file's sections, and the environment's names."""
    lines = [
        "# Settings",
        "",
        "Made by `loamline guide settings`. They stand in a TOML file (`loamline ingest --config FILE`); the",
        "environment overrides the file, and flags override both. In the environment a section's setting is",
        "`LOAMLINE_SECTION__NAME`.",
        "",
    ]
    for name, model, many in _sections():
        heading = f"[[{name}]]" if many else f"[{name}]" if name else "At the top"
        lines += [f"## {heading if not name else f'`{heading}`'}", ""]
        if model.__doc__ and name:
            lines += [*inspect.cleandoc(model.__doc__).splitlines(), ""]
        lines += ["| setting | default | |", "| --- | --- | --- |"]
        lines += [
            f"| `{field}` | {_default(told)} | {_cell(told.description or '')} |"
            for field, told in model.model_fields.items()
            if name or _model_of(told.annotation) is None
        ]
        lines.append("")
    return "\n".join(lines).rstrip() + "\n"


def _commands(command: Any, path: str) -> Iterator[tuple[str, Any]]:
    below = getattr(command, "commands", None)
    if below is None:
        yield path, command
        return
    for name in sorted(below):
        if not below[name].hidden:
            yield from _commands(below[name], f"{path} {name}")


def _example(command: Any) -> list[str]:
    """Return the example that a command's epilogue tells; those without one have it at the end of their help."""
    told = " ".join((command.epilog or "").split())
    return [told, ""] if told else []


def _parameter(parameter: Any) -> str | None:
    if parameter.name == "help" or getattr(parameter, "hidden", False):
        return None
    argument = parameter.param_type_name == "argument"
    names = f"`{_cell(parameter.metavar or parameter.name.upper())}`" if argument else _names(parameter)
    default = parameter.default
    told = default not in (None, False, (), [], "") and not callable(default)
    shown = f"`{getattr(default, 'value', default)}`" if told else "required" if parameter.required else ""
    return f"| {names} | {_cell(getattr(parameter, 'help', None) or '')} | {shown} |"


def _names(parameter: Any) -> str:
    """Return an option's names, and what its value is where its declaration tells: "`--bandwidth` HZ"."""
    names = ", ".join(f"`{name}`" for name in (*parameter.opts, *parameter.secondary_opts))
    return f"{names} {_cell(parameter.metavar)}" if parameter.metavar else names


def _sections() -> Iterator[tuple[str, type[BaseModel], bool]]:
    yield "", Settings, False
    for name, told in Settings.model_fields.items():
        model = _model_of(told.annotation)
        if model is not None:
            yield name, model, "tuple" in str(told.annotation)


def _model_of(annotation: Any) -> type[BaseModel] | None:
    """Return the section's model that an annotation has in it, as it stands, in a tuple, or beside None."""
    if inspect.isclass(annotation) and issubclass(annotation, BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        found = _model_of(inner)
        if found is not None:
            return found
    return None


def _default(told: Any) -> str:
    if told.default is PydanticUndefined:
        return "required" if told.default_factory is None else ""
    if told.default is None or told.default == ():
        return ""
    value = list(told.default) if isinstance(told.default, tuple) else told.default
    return f"`{value}`"


def _cell(text: str) -> str:
    return " ".join(text.replace("|", "\\|").split())
