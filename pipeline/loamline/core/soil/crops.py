"""How deep and how dry a crop draws: FAO-56 Table 22, its adjustment, and what holds where no crop was told."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass

from loamline.core.soil.crop_table import OTHER_NAMES, TABLE_22
from loamline_schemas.registry import CropRow

#: Without a crop: FAO-56 chapter 8 says of p that 0.50 is commonly used for many crops (MEMORY).
DEFAULT_DEPLETION_FRACTION = 0.5
#: Without a crop: FAO-56 names no depth; 0.6 m is common practice for lawns and shallow-rooted field crops.
DEFAULT_ROOT_DEPTH_M = 0.6

_TABLE = "FAO-56 Table 22"


@dataclass(frozen=True)
class Crop:
    """One row of Table 22: the range of its maximum root depth, m, and p at 5 mm of evapotranspiration a day.

    FAO-56 means the greater depth for soils without a layer that stops roots.
    """

    name: str
    least_root_depth_m: float
    greatest_root_depth_m: float
    depletion_fraction: float


@dataclass(frozen=True)
class RootZone:
    """How deep (m) and to which fraction of the available water roots draw, and where each figure comes from."""

    root_depth_m: float
    depletion_fraction: float
    root_depth_origin: str
    depletion_fraction_origin: str


CROPS: dict[str, Crop] = {name: Crop(name, *figures) for name, figures in TABLE_22.items()}


def crop_named(name: str) -> Crop:
    """Return the row of a crop, whatever its capitals and punctuation; ValueError with close names if there is none."""
    plain = _plain(name)
    known = _PLAIN.get(plain)
    if known is None:
        raise ValueError(f"expected a crop of {_TABLE}, got {name!r}; {_advice(plain)}")
    return CROPS[known]


def root_zone_of(row: CropRow | None) -> RootZone:
    """Return what holds for a crop's row: its own figures, else Table 22's greatest root depth and p.

    A crop that the table doesn't have is welcome with both figures of its own, else ValueError. None: no crop told.
    """
    if row is None:
        return RootZone(
            DEFAULT_ROOT_DEPTH_M,
            DEFAULT_DEPLETION_FRACTION,
            "no crop told: common practice",
            "no crop told: FAO-56 chapter 8, commonly used for many crops",
        )
    own = f"told for {row.crop}"
    if row.root_depth_m is not None and row.depletion_fraction is not None:
        return RootZone(row.root_depth_m, row.depletion_fraction, own, own)
    try:
        crop = crop_named(row.crop)
    except ValueError as error:
        raise ValueError(f"{error}; or give root_depth_m and depletion_fraction of its own") from None
    tabled = f"{_TABLE}, {crop.name}"
    return RootZone(
        crop.greatest_root_depth_m if row.root_depth_m is None else row.root_depth_m,
        crop.depletion_fraction if row.depletion_fraction is None else row.depletion_fraction,
        tabled if row.root_depth_m is None else own,
        tabled if row.depletion_fraction is None else own,
    )


def _plain(name: str) -> str:
    return " ".join(re.findall(r"[a-z0-9%]+", name.lower()))


_PLAIN = {_plain(name): crop for name, crop in (*zip(TABLE_22, TABLE_22, strict=True), *OTHER_NAMES.items())}


def _advice(plain: str) -> str:
    """Say which names come close: those that share a word, then those spelt alike."""
    words = set(plain.split())
    sharing = [name for name in CROPS if words & set(_plain(name).split())]
    close = [_PLAIN[alike] for alike in difflib.get_close_matches(plain, _PLAIN, n=3)]
    names = list(dict.fromkeys((*sharing, *close)))[:6]
    return f"close to it are {', '.join(names)}" if names else "none of its names comes close"
