"""The keys of LoRaWAN sessions, from a file that nobody but its owner may read.

    dev_eui,dev_addr,nwk_s_key,app_s_key
    02BB000000000001,26011BDA,<32 hex digits>,<32 hex digits>

CSV, since it is one line a session, which a spreadsheet or a script writes for thousands of probes, and since every
fault has a line to be told by. The columns come in any order; `dev_addr` and `nwk_s_key` may be missing:

- without `dev_addr` the keys hold for every session of the probe that has no line of its own;
- without `nwk_s_key` nothing can be checked, only deciphered.

A key is 32 hex digits, or 48 where it is wrapped after RFC 3394 by the key encryption key of a second file (32, 48 or
64 hex digits). Both files have mode 0600. No message here tells what stands in a cell that is not right: it may be a
key in the wrong column.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn, Self

from loamline.core.lorawan.aes import KEY_BYTES
from loamline.core.lorawan.key_wrap import KEK_BYTES, WRAPPED_BYTES, KeyUnwrapError, unwrap_key
from loamline.edges.secret_file import SecretFileError, read_secret

COLUMNS = ("dev_eui", "dev_addr", "nwk_s_key", "app_s_key")
_NEEDED = ("dev_eui", "app_s_key")
_HEX = re.compile(r"(?:[0-9A-Fa-f]{2})+", re.ASCII)


class KeysError(Exception):
    """Files of keys that can't be used; the message says what was expected, what came and where, and tells no key."""


class _Kept:
    """Keeps what holds keys out of pickles and copies, which end up in files and other processes."""

    __slots__ = ()

    def __reduce__(self) -> NoReturn:
        raise TypeError("expected keys to stay in the process that read them, got an attempt to pickle or copy them")


@dataclass(frozen=True, slots=True, eq=False)
class SessionKeys(_Kept):
    """The keys of one probe's session; `dev_addr` is None for every session without keys of its own."""

    dev_eui: str
    dev_addr: str | None
    nwk_s_key: bytes | None = field(repr=False)
    app_s_key: bytes | None = field(repr=False)


class Keys(_Kept):
    """Session keys by probe and session; it never shows them. DevEUI and DevAddr are hex of either case."""

    __slots__ = ("_by_dev_addr", "_by_dev_eui")

    def __init__(self, sessions: Iterable[SessionKeys] = ()) -> None:
        self._by_dev_eui: dict[str, dict[str | None, SessionKeys]] = {}
        self._by_dev_addr: dict[str, list[SessionKeys]] = {}
        for session in sorted(sessions, key=lambda told: (told.dev_eui, told.dev_addr or "")):
            self._by_dev_eui.setdefault(session.dev_eui, {})[session.dev_addr] = session
            if session.dev_addr is not None:
                self._by_dev_addr.setdefault(session.dev_addr, []).append(session)

    @classmethod
    def none(cls) -> Self:
        """Return no keys at all."""
        return cls()

    @classmethod
    def load(cls, path: Path, kek_path: Path | None = None) -> Self:
        """Return the keys of a file, unwrapped by the key of the second one where they are wrapped.

        Raises KeysError, with the line, where a file can be read by others, a column is unknown or missing, a cell is
        no EUI-64, DevAddr or key, a session is told twice, or a key can't be unwrapped.
        """
        kek = None if kek_path is None else _kek(kek_path)
        return cls(_sessions(path, _content(path), kek))

    def __len__(self) -> int:
        return sum(map(len, self._by_dev_eui.values()))

    def __repr__(self) -> str:
        return f"Keys({len(self)} sessions of {len(self._by_dev_eui)} probes)"

    def session(self, dev_eui: str, dev_addr: str | None) -> SessionKeys | None:
        """Return the keys of a probe's session: those of its own line, else of the probe's line without a DevAddr.

        Where the message tells no DevAddr, a probe's only session is meant; of several none can be chosen.
        """
        of_probe = self._by_dev_eui.get(dev_eui.upper(), {})
        own = of_probe.get(None if dev_addr is None else dev_addr.upper()) or of_probe.get(None)
        if own is None and dev_addr is None and len(of_probe) == 1:
            return next(iter(of_probe.values()))
        return own

    def sessions_at(self, dev_addr: str) -> tuple[SessionKeys, ...]:
        """Return the sessions that are told with a DevAddr, by DevEUI; several probes may share one."""
        return tuple(self._by_dev_addr.get(dev_addr.upper(), ()))

    def app_s_key(self, dev_eui: str, dev_addr: str | None) -> bytes | None:
        """Return the key that deciphers a session's payloads, 16 bytes; None where it is not known."""
        session = self.session(dev_eui, dev_addr)
        return None if session is None else session.app_s_key

    def nwk_s_key(self, dev_eui: str, dev_addr: str | None) -> bytes | None:
        """Return the key of a session's integrity codes, 16 bytes; None where it is not known."""
        session = self.session(dev_eui, dev_addr)
        return None if session is None else session.nwk_s_key


def _content(path: Path) -> str:
    try:
        return read_secret(path).removeprefix("\ufeff")
    except SecretFileError as problem:
        fault = str(problem)
    # Outside of the handler: what went wrong may carry the file's bytes along as its cause.
    raise KeysError(fault)


def _kek(path: Path) -> bytes:
    text = _content(path).strip()
    key = _bytes(text)
    if key is None or len(key) not in KEK_BYTES:
        raise KeysError(f"{path.name}: expected a key encryption key of 32, 48 or 64 hex digits, {_what_came(text)}")
    return key


def _sessions(path: Path, text: str, kek: bytes | None) -> Iterator[SessionKeys]:
    lines = _cells(path, text)
    header = [name.strip().casefold() for name in next(lines, (1, [""]))[1]]
    _refuse_strange_header(path, header)
    told: dict[tuple[str, str | None], int] = {}
    for line, cells in lines:
        where = f"{path.name}:{line}"
        if len(cells) != len(header):
            raise KeysError(f"{where}: expected {len(header)} cells, as the header has, got {len(cells)}")
        row = {name: cell.strip() for name, cell in zip(header, cells, strict=True)}
        session = _session(where, row, kek)
        first = told.setdefault((session.dev_eui, session.dev_addr), line)
        if first != line:
            at = "without a dev_addr" if session.dev_addr is None else f"with dev_addr {session.dev_addr}"
            raise KeysError(
                f"{where}: expected each session once, got {session.dev_eui} {at} again, which line {first} has; "
                "keep the line of the session that is in use"
            )
        yield session


def _session(where: str, row: dict[str, str], kek: bytes | None) -> SessionKeys:
    session = SessionKeys(
        _identifier(where, "dev_eui", row["dev_eui"], 16),
        _identifier(where, "dev_addr", row["dev_addr"], 8) if row.get("dev_addr") else None,
        _key(where, "nwk_s_key", row.get("nwk_s_key", ""), kek),
        _key(where, "app_s_key", row["app_s_key"], kek),
    )
    if session.nwk_s_key is None and session.app_s_key is None:
        raise KeysError(f"{where}: expected a key in app_s_key or nwk_s_key, got none; delete the line, or fill it in")
    return session


def _identifier(where: str, name: str, cell: str, digits: int) -> str:
    told = _bytes(cell)
    if told is None or len(cell) != digits:
        raise KeysError(f"{where}: {name}: expected {digits} hex digits, {_what_came(cell)}")
    return cell.upper()


def _key(where: str, name: str, cell: str, kek: bytes | None) -> bytes | None:
    if not cell:
        return None
    told = _bytes(cell)
    if told is not None and len(told) == KEY_BYTES:
        return told
    if told is None or len(told) != WRAPPED_BYTES:
        raise KeysError(
            f"{where}: {name}: expected 32 hex digits, or 48 of a wrapped key (RFC 3394), {_what_came(cell)}"
        )
    if kek is None:
        raise KeysError(
            f"{where}: {name}: expected the key encryption key that this key is wrapped by, got none; "
            "name its file (key_encryption_key_file in the settings)"
        )
    try:
        return unwrap_key(kek, told)
    except KeyUnwrapError as problem:
        raise KeysError(f"{where}: {name}: {problem}") from None


def _bytes(text: str) -> bytes | None:
    return bytes.fromhex(text) if _HEX.fullmatch(text) else None


def _what_came(cell: str) -> str:
    if not cell:
        return "got nothing"
    return (
        f"got {len(cell)} {'hex digits' if re.fullmatch('[0-9A-Fa-f]+', cell) else 'characters that are not all hex'}"
    )


def _cells(path: Path, text: str) -> Iterator[tuple[int, list[Any]]]:
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        for cells in reader:
            if cells:
                yield reader.line_num, cells
    except csv.Error as problem:
        raise KeysError(
            f"{path.name}:{reader.line_num}: expected comma-separated values (RFC 4180), got {problem}"
        ) from None


def _refuse_strange_header(path: Path, header: list[str]) -> None:
    expected = f"{path.name}:1: expected a header of {', '.join(COLUMNS)}"
    for at, name in enumerate(header, start=1):
        if name not in COLUMNS:
            raise KeysError(f"{expected}, got another name in column {at}; take the column out, or name it as here")
        if name in header[: at - 1]:
            raise KeysError(f"{expected}, got {name} twice; leave one of them")
    for name in _NEEDED:
        if name not in header:
            raise KeysError(f"{expected}, got no {name}; add the column")
