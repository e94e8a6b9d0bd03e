"""The files that settings name, looked at as the daemon will: there, readable, of the right mode, and sound."""

from __future__ import annotations

import os
import ssl
import stat
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from loamline.app.codecs import known_codecs
from loamline.app.output import CommandError
from loamline.app.readers import make_readers
from loamline.app.reloading import registry_in
from loamline.app.settings_shape import flat, names_files
from loamline.edges.secret_file import SecretFileError, read_secret, read_secret_lines
from loamline.edges.webhook_signature import SecretError, parse_secret, parse_token
from loamline_schemas.settings import Settings

#: Looked into by what reads them, below.
_LOOKED_INTO = {
    *("store", "codec_dirs", "maps_dir", "registry_dir", "keys_file", "key_encryption_key_file", "mirror.folder")
}
_OF_TLS = ("ca_file", "certificate_file", "key_file")
_SECRET_LINES: dict[str, Callable[[str], bytes]] = {"secrets_file": parse_secret, "token_file": parse_token}


def file_faults(settings: Settings) -> list[str]:
    """Return a sentence for each file or folder of `settings` that the daemon could not use: which setting, why."""
    faults = list(_store(settings.store))
    faults += make_readers(settings)[1]
    try:
        known_codecs(settings.codec_dirs)
    except CommandError as problem:
        faults.append(f"codec_dirs: {problem}")
    if settings.maps_dir is not None and not settings.maps_dir.is_dir():
        faults.append(f"maps_dir: expected a folder of envelope maps at {settings.maps_dir}, found none")
    if settings.registry_dir is not None:
        faults += registry_in(settings.registry_dir)[1]
    if settings.mirror is not None:
        faults += _mirror(settings.mirror.folder)
    for name, value in files_named(settings):
        faults += _file(name, value)
    for where, section in _sections(settings):
        faults += _tls(where, section)
    return faults


def files_named(settings: Settings) -> Iterator[tuple[str, Path]]:
    """Yield each file that the settings name beside those of store, codecs, maps, registry and keys."""
    for name, field, value in flat(settings):
        if names_files(field) and name not in _LOOKED_INTO:
            values = value if isinstance(value, tuple) else (value,)
            yield from ((name, path) for path in values if path is not None)


def _mirror(folder: Path) -> Iterator[str]:
    if not folder.is_dir() and (folder.exists() or not folder.absolute().parent.is_dir()):
        yield f"mirror.folder: expected a folder at {folder}, or one around it in which it can be made, got neither"


def _store(path: Path) -> Iterator[str]:
    folder = path.absolute().parent
    if path.is_dir():
        yield f"store: expected a DuckDB file at {path}, got a folder"
    elif not folder.is_dir():
        yield f"store: expected the folder {folder} for the store, found none; make it first"
    elif not os.access(folder, os.W_OK | os.X_OK):
        yield f"store: expected a folder that we may write to, got {folder}; its owner has to let us"
    elif path.exists() and not os.access(path, os.R_OK | os.W_OK):
        yield f"store: expected a file that we may read and write, got {path}; its owner has to let us"


def _file(name: str, path: Path) -> Iterator[str]:
    last = name.rpartition(".")[2]
    try:
        if last in _SECRET_LINES:
            for line in read_secret_lines(path):
                _SECRET_LINES[last](line)
        elif last in ("password_file", "secret_file"):
            read_secret(path)
        elif last == "key_file" and path.stat().st_mode & stat.S_IRWXO:
            mode = stat.S_IMODE(path.stat().st_mode)
            yield (
                f"{name}: expected a private key that others can't read (mode 0600 or 0640), got {path} of mode "
                f"{mode:04o}; run `chmod 600 {path}`"
            )
        elif last.endswith(("_dir", "_dirs")):
            if not path.is_dir():
                yield f"{name}: expected a folder at {path}, found none"
        elif last not in _OF_TLS:
            with path.open("rb"):
                pass
    except (SecretFileError, SecretError) as problem:
        yield f"{name}: {problem}"
    except OSError as problem:
        yield f"{name}: expected to read {path}, got {problem.strerror}"


def _sections(settings: BaseModel, before: str = "") -> Iterator[tuple[str, Any]]:
    """Yield every section that can have TLS, with its dotted name."""
    for name in type(settings).model_fields:
        value = getattr(settings, name)
        for number, one in enumerate(value if isinstance(value, tuple) else (value,)):
            if isinstance(one, BaseModel):
                where = f"{before}{name}.{number}" if isinstance(value, tuple) else f"{before}{name}"
                if "ca_file" in type(one).model_fields:
                    yield where, one
                yield from _sections(one, f"{where}.")


def _tls(where: str, section: Any) -> Iterator[str]:
    if section.ca_file is None:
        return
    try:
        context = ssl.create_default_context(cafile=str(section.ca_file))
    except OSError as problem:
        yield f"{where}.ca_file: expected certificates in PEM at {section.ca_file}, got {problem.strerror or problem}"
        return
    if section.certificate_file is not None and section.key_file is not None:
        try:
            context.load_cert_chain(section.certificate_file, section.key_file)
        except OSError as problem:
            yield (
                f"{where}.certificate_file: expected a certificate and its key in PEM at {section.certificate_file} "
                f"and {section.key_file}, got {problem.strerror or problem}"
            )
