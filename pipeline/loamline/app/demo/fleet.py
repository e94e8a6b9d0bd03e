"""The demo's invented fleet, as tables: sites, gateways, probes, curves. No grower, firm or place here exists.

Identifiers are invented inside ranges that nobody is given: EUI-64 with the "locally administered" bit set (first
octet 02, IEEE 802), DevAddr under NwkID 0, which LoRaWAN leaves to private and experimental networks.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Literal

from loamline.app.demo.soil import USDA_SOILS, Ground, Irrigation, Soil
from loamline.app.demo.transducer import InversePolynomial, Transducer
from loamline.app.demo.weather import Climate
from loamline.core.calibration import TOPP_1980

HISTORY_DAYS = 60
#: The end of history unless another is asked for: fixed, so that every run tells the same story.
HISTORY_END = datetime(2025, 10, 29, tzinfo=UTC)

Character = Literal[
    "healthy",
    "stuck",  # the count freezes while the soil's temperature moves on
    "spiking",  # single samples fly off
    "dying battery",  # the supply falls to about 2.4 V
    "weak link",  # about a quarter of its uplinks drown in noise
    "tilted",  # knocked over by a mower
    "unknown",  # in no registry
    "silent",  # stopped
    "rejoined",  # power-up and a new session
    "moved",  # dug out and put in beside another tree
]
#: When each character shows, in days before the end of history.
STUCK_SINCE_DAYS = 12.0
DYING_SINCE_DAYS = 25.0
TILTED_SINCE_DAYS = 17.6
SILENT_SINCE_DAYS = 9.0
REJOINED_SINCE_DAYS = 28.3
MOVED_SINCE_DAYS = 31.5


@dataclass(frozen=True, slots=True)
class Curve:
    """A calibration curve as curves.toml writes it; `applies_to` is its `for`."""

    id: str
    step: Literal["transducer", "soil"]
    kind: Literal["polynomial", "topp1980"]
    coefficients: tuple[float, ...]
    domain: tuple[float, float]
    applies_to: str
    source: str
    #: In the unit of the output.
    standard_error: float | None = None

    def inverse(self) -> InversePolynomial:
        """Return the curve run backwards."""
        return InversePolynomial(self.coefficients or TOPP_1980, self.domain)


_BENCH = "the demo's invented bench record: air, five fluids and water at 20 degC"
TRANSDUCER_CURVES = {
    "P1": Curve("p1-2019", "transducer", "polynomial", (1.0, 19.0, 60.1), (-0.02, 1.02), "P1", _BENCH),
    "P2": Curve("p2-2021", "transducer", "polynomial", (1.02, 15.2, 20.0, 43.9), (-0.02, 1.02), "P2", _BENCH),
    "P3": Curve("p3-2022", "transducer", "polynomial", (0.98, 24.6, 54.5), (-0.02, 1.02), "P3", _BENCH),
}
TOPP = Curve(
    "topp-1980", "soil", "topp1980", (), (1.8, 81.0), "*",
    "Topp, Davis & Annan 1980, Water Resources Research 16(3):574-582",
)  # fmt: skip
COMPOST_BED = Curve(
    "nimbleby-compost-bed", "soil", "polynomial", (0.018, 0.0272, -4.0e-4, 2.6e-6), (1.8, 60.0), "sandy loam",
    "the demo's invented laboratory record: bed mix dried from 0.52 to 0.06 m3/m3", 0.012,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Link:
    """One gateway antenna that may hear a site, `loss_db` weaker than the site's best."""

    gateway: str
    antenna: int
    latitude_deg: float
    longitude_deg: float
    loss_db: float


@dataclass(frozen=True, slots=True)
class Site:
    """A place: whose it is, its soil and weather, and who hears it."""

    site: str
    customer: str
    time_zone: str
    texture: str
    climate: Climate
    ground: Ground
    soil_curve: Curve
    links: tuple[Link, ...]
    network: str
    #: Conductivity of the soil water, dS/m.
    pore_water_ds_m: float = 1.2
    #: m3/m3: the placement's thresholds of the zone; None leaves them to the soil.
    thresholds: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Probe:
    """One probe. `margin_db` is its mean margin over the demodulation floor at the site's best gateway."""

    dev_eui: str
    serial: str
    hardware: str
    made_on: date
    firmware: str
    site: Site
    label: str
    depths_cm: tuple[int, ...]
    transducer: Transducer | None
    spreading_factor: int
    margin_db: float
    #: Hour of the day (UTC) after whose measurement it sends a status message; None never.
    status_hour: int | None
    character: Character
    conductivity: bool = False


_VALE = "sedge-vale"
_TOWN = "morvelin-town"
_ZONE = "Europe/Prague"
_BARN = "02A7C4F000000001"
_HILL = "02A7C4F000000002"
_PACKHOUSE = "02A7C4F000000003"
_TOWN_HALL = "02A7C4F000000004"
CELLAR = "02A7C4F000000005"
#: A power cut: (gateway, begins so many days before the end of history, lasts so many hours).
OUTAGES = ((CELLAR, 20.4, 5.0),)

FIELD = Site(
    "Pellanore Long Field", "Pellanore Farm", _ZONE, "silt loam",
    Climate(49.312, 15.268),
    Ground(USDA_SOILS["silt loam"], Irrigation(20, 6, 18.0, 0.2), 1.05, (0.35, 0.35, 0.25, 0.05)),
    TOPP,
    (
        Link(_BARN, 0, 49.3152, 15.2641, 0.0),
        Link(_BARN, 1, 49.3152, 15.2641, 3.0),
        Link(_HILL, 0, 49.3301, 15.2987, 9.0),
    ),
    _VALE, thresholds=(0.2, 0.37),
)  # fmt: skip
ORCHARD = Site(
    "Quossop Orchard", "Quossop Fruit", _ZONE, "loam",
    Climate(49.338, 15.301, mean_shift_k=0.3, surface_factor=0.75),
    Ground(USDA_SOILS["loam"], Irrigation(22, 5, 16.0, 0.2), 0.95, (0.2, 0.35, 0.35, 0.1)),
    TOPP,
    (Link(_PACKHOUSE, 0, 49.3371, 15.3052, 0.0), Link(_HILL, 0, 49.3301, 15.2987, 4.0)),
    _VALE, thresholds=(0.2, 0.34),
)  # fmt: skip
GLASSHOUSE = Site(
    "Nimbleby Glasshouse", "Nimbleby Growers", _ZONE, "sandy loam",
    Climate(49.347, 15.312, 9.0, 0.35, 0.6, 2.0e-7, rain_factor=0.0),
    # Beds with compost: the site's own figures, an invented laboratory's, wetter than the USDA class.
    Ground(Soil(0.10, 0.34, 0.60, 40.0), Irrigation(5, 2, 14.0, 0.16), 0.75, (0.45, 0.35, 0.2, 0.0)),
    COMPOST_BED,
    (Link(_PACKHOUSE, 0, 49.3371, 15.3052, 0.0), Link(_HILL, 0, 49.3301, 15.2987, 7.0)),
    _VALE, pore_water_ds_m=3.2, thresholds=(0.24, 0.4),
)  # fmt: skip
LAWN = Site(
    "Morvelin Green", "Morvelin Green Club", _ZONE, "loamy sand",
    Climate(49.361, 15.341, mean_shift_k=0.2, surface_factor=0.95, thermal_diffusivity_m2_s=8.0e-7),
    Ground(USDA_SOILS["loamy sand"], Irrigation(3, 2, 9.0, 0.25), 0.9, (0.5, 0.4, 0.1, 0.0)),
    TOPP,
    (Link(_TOWN_HALL, 0, 49.3634, 15.3447, 0.0), Link(_HILL, 0, 49.3301, 15.2987, 8.0)),
    _TOWN, thresholds=(0.08, 0.2),
)  # fmt: skip
TREES = Site(
    "Tanner Street trees", "Town of Morvelin", _ZONE, "sandy clay loam",
    Climate(49.364, 15.346, mean_shift_k=1.4, swing=0.95, surface_factor=0.7, rain_factor=0.55),
    Ground(USDA_SOILS["sandy clay loam"], None, 0.55, (0.15, 0.3, 0.4, 0.15)),
    TOPP,
    (Link(_TOWN_HALL, 0, 49.3634, 15.3447, 0.0), Link(_HILL, 0, 49.3301, 15.2987, 6.0)),
    _TOWN,
)  # fmt: skip
VINEYARD = Site(
    "Vindelow Slope", "Vindelow Wines", _ZONE, "clay loam",
    Climate(49.296, 15.231, mean_shift_k=-0.6, surface_factor=1.05),
    Ground(USDA_SOILS["clay loam"], None, 0.65, (0.15, 0.3, 0.35, 0.2)),
    TOPP,
    (Link(CELLAR, 0, 49.2974, 15.2289, 0.0), Link(_BARN, 0, 49.3152, 15.2641, 11.0)),
    _VALE,
)  # fmt: skip
SITES = (FIELD, ORCHARD, GLASSHOUSE, LAWN, TREES, VINEYARD)

_MADE_ON = {"P1": date(2019, 5, 14), "P2": date(2021, 3, 2), "P3": date(2022, 9, 20), "D4": date(2024, 4, 9)}


def _probe(
    number: int,
    hardware: str,
    firmware: str,
    site: Site,
    label: str,
    depths_cm: tuple[int, ...],
    record: tuple[int, int, float] | None,
    spreading_factor: int,
    margin_db: float,
    status_hour: int | None,
    character: Character = "healthy",
    *,
    conductivity: bool = False,
) -> Probe:
    return Probe(
        dev_eui=f"02A7C400{number:08d}",
        serial=f"{hardware}-{number:04d}",
        hardware=hardware,
        made_on=_MADE_ON[hardware],
        firmware=firmware,
        site=site,
        label=label,
        depths_cm=depths_cm,
        transducer=None if record is None else Transducer(*record),
        spreading_factor=spreading_factor,
        margin_db=margin_db,
        status_hour=status_hour,
        character=character,
        conductivity=conductivity,
    )


#: number, hardware, firmware, site, label, depths (cm), (air count, water count, counts per K), spreading factor,
#: margin (dB), hour of the status message, character.
PROBES = (
    _probe(101, "P1", "2.4", FIELD, "north end, row 8", (10,), (393, 3123, 1.05), 7, 14, None, "stuck"),
    _probe(102, "P1", "2.5", FIELD, "north end, row 30", (5,), (358, 3103, 1.23), 7, 12, None),
    _probe(103, "D4", "5.1", FIELD, "middle, pivot track", (10, 30, 60), None, 8, 15, 6),
    _probe(104, "D4", "5.2", FIELD, "middle, headland", (5, 15, 30, 60), None, 8, 13, 6),
    _probe(105, "D4", "5.1", FIELD, "south end, row 12", (10, 30), None, 9, 11, 7, "silent"),
    _probe(106, "P1", "2.5", FIELD, "south end, row 44", (20,), (364, 3178, 1.29), 7, 10, None),
    _probe(107, "P3", "4.0", FIELD, "low corner", (20,), (359, 3214, 0.82), 9, 12, 5),
    _probe(108, "D4", "5.2", FIELD, "by the ditch", (10, 30, 60), None, 8, 12, 6, conductivity=True),
    _probe(201, "P2", "3.1", ORCHARD, "block A, tree 4", (10, 30), (356, 3107, 1.10), 8, 12, None, "spiking"),
    _probe(202, "P2", "3.1", ORCHARD, "block A, tree 61", (10, 30), (405, 3102, 0.85), 8, 14, None),
    _probe(203, "P2", "3.0", ORCHARD, "block B, tree 9", (20, 40), (363, 3226, 1.09), 8, 11, None),
    _probe(204, "P2", "3.1", ORCHARD, "block B, tree 77", (20, 40), (359, 3229, 0.70), 9, 13, None),
    _probe(205, "P1", "2.5", ORCHARD, "block C, tree 15", (20,), (380, 3246, 1.35), 7, 12, None),
    _probe(206, "D4", "5.2", ORCHARD, "block C, tree 40", (20, 40, 60), None, 8, 14, 4),
    _probe(207, "P3", "4.1", ORCHARD, "block D, tree 3", (30,), (426, 3100, 1.28), 9, 9, 4),
    _probe(301, "D4", "5.2", GLASSHOUSE, "bay 1, bed 2", (10, 25), None, 7, 20, 3, conductivity=True),
    _probe(302, "D4", "5.2", GLASSHOUSE, "bay 2, bed 5", (10, 25), None, 7, 18, 3, "rejoined", conductivity=True),
    _probe(303, "D4", "5.1", GLASSHOUSE, "bay 3, bed 1", (10, 25), None, 7, 19, 3, conductivity=True),
    _probe(304, "P1", "2.5", GLASSHOUSE, "bay 3, bed 6", (10,), (426, 3186, 0.61), 7, 17, None),
    _probe(305, "P2", "3.1", GLASSHOUSE, "bay 4, bed 2", (10, 25), (380, 3096, 1.26), 7, 18, None),
    _probe(306, "P1", "2.4", GLASSHOUSE, "bay 4, bed 8", (15,), (369, 3159, 1.08), 7, 16, None),
    _probe(401, "P1", "2.5", LAWN, "rink 1", (5,), (370, 3223, 0.70), 7, 13, None),
    _probe(402, "P1", "2.5", LAWN, "rink 3", (8,), (425, 3163, 1.26), 7, 12, None),
    _probe(403, "P2", "3.1", LAWN, "rink 4", (5, 15), (375, 3111, 1.29), 7, 12, None, "tilted"),
    _probe(404, "P2", "3.1", LAWN, "rink 6", (5, 15), (425, 3248, 0.79), 8, 12, None),
    _probe(405, "P3", "4.1", LAWN, "west bank", (10,), (399, 3109, 1.25), 8, 11, 2),
    _probe(406, "P1", "2.3", LAWN, "not in the registry", (10,), (360, 3229, 0.62), 7, 11, None, "unknown"),
    _probe(501, "P2", "3.0", TREES, "lime 7", (20, 40), (431, 3137, 1.18), 10, 10, None, "dying battery"),
    _probe(502, "P3", "4.1", TREES, "lime 12", (30,), (420, 3194, 0.95), 10, 10, 2),
    _probe(503, "P3", "4.0", TREES, "maple 3", (30,), (411, 3234, 1.13), 10, 11, 2, "moved"),
    _probe(504, "P3", "4.1", TREES, "maple 9", (30,), (398, 3161, 0.86), 9, 9, 2),
    _probe(505, "P3", "4.1", TREES, "hornbeam 2", (25,), (375, 3147, 0.65), 10, 12, 3),
    _probe(506, "D4", "5.1", TREES, "hornbeam 5", (20, 40), None, 9, 11, 3),
    _probe(507, "P1", "2.5", TREES, "plane 1", (30,), (425, 3161, 1.22), 9, 9, None),
    _probe(601, "P3", "4.0", VINEYARD, "terrace 9, far end", (25,), (415, 3172, 1.12), 12, 2, 5, "weak link"),
    _probe(602, "P3", "4.1", VINEYARD, "terrace 2", (25,), (388, 3240, 0.64), 10, 10, 5),
    _probe(603, "P3", "4.1", VINEYARD, "terrace 5", (40,), (367, 3216, 1.08), 10, 9, 5),
    _probe(604, "D4", "5.2", VINEYARD, "terrace 6, profile pit", (10, 30, 60, 90), None, 9, 11, 4),
    _probe(605, "P1", "2.5", VINEYARD, "terrace 1, frost hollow", (5,), (373, 3172, 0.74), 9, 12, None),
    _probe(606, "P2", "3.1", VINEYARD, "terrace 4", (15, 40), (414, 3192, 0.60), 9, 11, None),
    _probe(607, "D4", "5.1", VINEYARD, "terrace 8", (15, 40), None, 9, 10, 4),
)
