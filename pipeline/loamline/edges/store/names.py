"""Probes and sites by the names that people type; an unknown one is told with the names nearest to it."""

from __future__ import annotations

from difflib import get_close_matches

from loamline.edges.store.connection import Store


class UnknownNameError(Exception):
    """A name that the store doesn't hold; the message lists near ones."""


def find_probe(store: Store, name: str) -> tuple[str, ...]:
    """Return the dev_eui of every probe that `name` means: a dev_eui, or a serial of any registry state.

    More than one only where a serial was registered under several. Raises UnknownNameError.
    """
    rows = store.con.sql("SELECT dev_eui FROM probe_identity ORDER BY dev_eui").fetchall()
    heard = [str(dev_eui) for (dev_eui,) in rows]
    if name.upper() in heard:
        return (name.upper(),)
    serials = store.con.sql("SELECT DISTINCT serial, dev_eui FROM probe ORDER BY serial, dev_eui").fetchall()
    found = tuple(str(dev_eui) for serial, dev_eui in serials if str(serial).casefold() == name.casefold())
    if not found:
        known = list(dict.fromkeys([*(str(serial) for serial, _ in serials), *heard]))
        raise UnknownNameError(_unknown("the dev_eui or serial of a probe", name, known))
    return found


def find_site(store: Store, name: str) -> str:
    """Return the site that `name` means, upper and lower case alike. Raises UnknownNameError."""
    rows = store.con.sql("SELECT site FROM site UNION SELECT site FROM placement ORDER BY site").fetchall()
    known = [str(site) for (site,) in rows]
    if name in known:
        return name
    alike = [site for site in known if site.casefold() == name.casefold()]
    if len(alike) != 1:
        raise UnknownNameError(_unknown("a site", name, known))
    return alike[0]


def _unknown(what: str, name: str, known: list[str]) -> str:
    if not known:
        return f"expected {what} in the store, got {name!r}; the store holds none"
    folded: dict[str, str] = {}
    for other in known:
        folded.setdefault(other.casefold(), other)
    near = [folded[key] for key in get_close_matches(name.casefold(), list(folded), n=5, cutoff=0.5)]
    near += [other for key, other in folded.items() if name.casefold() in key and other not in near]
    if near:
        return f"expected {what} in the store, got {name!r}; near it: {', '.join(near[:5])}"
    more = f" and {len(known) - 5} more" if len(known) > 5 else ""
    return f"expected {what} in the store, got {name!r}; known: {', '.join(known[:5])}{more}"


def find_curve(store: Store, name: str) -> str:
    """Return the id of the curve that `name` means, of any registry state. Raises UnknownNameError."""
    rows = store.con.sql("SELECT DISTINCT id FROM curve ORDER BY id").fetchall()
    known = [str(found) for (found,) in rows]
    if name not in known:
        raise UnknownNameError(_unknown("the id of a curve", name, known))
    return name
