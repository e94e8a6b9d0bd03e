"""What `loamline init` writes beside the settings: a small registry, an envelope map, notes. All of it is invented."""

from __future__ import annotations

import json
from datetime import datetime

from loamline.app.settings_example import example_toml
from loamline.core.rfc3339 import rfc3339
from loamline_codecs import builtin_codecs

TOPIC = "loamline/uplinks/#"
DEV_EUI = "02A7C400000000E1"

#: What is in force in the settings; all else stands there as a comment.
TOLD = {
    "store": "loamline.duckdb",
    "registry_dir": "registry",
    "maps_dir": "maps",
    "broker.host": "127.0.0.1",
    "broker.port": 1883,
    "broker.topics": [TOPIC],
    "broker.client_id": "loamline-ingest",
}

_SITES = """\
site,customer,latitude_deg,longitude_deg,time_zone
Long Strip,Example Growers,52.31,10.42,Europe/Berlin
"""
_PROBES = f"""\
dev_eui,serial,hardware,made_on,air_count,water_count,count_per_k
{DEV_EUI},EX-0001,P1,2025-03-01,512,3480,-0.8
02A7C400000000E2,EX-0002,P1,2025-03-01,498,3502,-0.7
"""
_PLACEMENTS = f"""\
dev_eui,depth_index,site,label,depth_cm,texture,valid_from,valid_to
{DEV_EUI},0,Long Strip,gate end,10,loam,2025-04-01T00:00:00Z,
02A7C400000000E2,0,Long Strip,wood end,30,loam,2025-04-01T00:00:00Z,
"""
_CURVES = """\
# Each curve holds from `valid_from` on; add a later one instead of changing what stands here, then
# `loamline reload`, and `loamline replay preview` shows what that would change in history.

# From the normalised count, 0 in air to 1 in water, to relative permittivity: your probes' own laboratory curve.
[[curve]]
id = "transducer"
step = "transducer"
kind = "polynomial"
coefficients = [1, 30, 49]
domain = [0, 1]
valid_from = 2025-01-01T00:00:00Z

# From permittivity to volumetric water content, m3/m3: Topp, Davis & Annan 1980, for mineral soils.
[[curve]]
id = "topp1980"
step = "soil"
kind = "topp1980"
domain = [1.8, 81]
valid_from = 2025-01-01T00:00:00Z
"""
_LIMITS = """\
# Thresholds of the plausibility checks. What stands here overrides the shipped defaults, the narrower table last:
# [limits], [texture."silt loam"], [site."Long Strip"], [probe."02A7C400000000E1"].
[limits]
"""
_MAP = """\
# An envelope map: where in a server's JSON messages each field of an uplink stands (JSON Pointer, RFC 6901). Told as
# `envelope = "example"` in [broker] or [webhook]. This one reads messages such as
#   {"probe": "02A7C400000000E1", "port": 10, "number": 7, "content": "AQc6BdygJQAq", "at": "2026-05-01T10:00:03Z",
#    "radio": {"mhz": 868.1, "rate": "SF9 BW125"}, "heard_by": [{"gateway": "gate-1", "rssi": -104, "snr": 3.5}]}
# `loamline envelope suggest` drafts a map from a message of yours, `loamline envelope try` shows what it reads.
about = "an example; nothing uses it until an envelope setting names it"

[uplink]
dev_eui = { at = "/probe" }
fport = { at = "/port" }
fcnt = { at = "/number" }
payload = { at = "/content", encoding = "base64" }
heard_at = { at = "/at", format = "rfc3339" }
frequency_hz = { at = "/radio/mhz", factor = 1_000_000 }
spreading_factor = { at = "/radio/rate", after = "SF" }
bandwidth_hz = { at = "/radio/rate", after = "BW", factor = 1_000 }

[reception]
list_at = "/heard_by"
gateway = { at = "/gateway" }
rssi_dbm = { at = "/rssi" }
snr_db = { at = "/snr" }
"""
_GITIGNORE = """\
# Secrets stay out of version control, and so does the store. Keep secrets in the folder secrets/, one file each, of
# mode 0600: passwords (password_file), signing secrets (secrets_file), bearer tokens (token_file), private keys
# (key_file), the probes' LoRaWAN keys (keys_file, key_encryption_key_file).
secrets/
*.key
*.duckdb*
"""
_SECRETS = """\
Secrets go into this folder, one file each, readable by the account that the daemon runs under alone: `chmod 600 FILE`.
The settings name them, for instance: password_file = "secrets/broker-password"
"""


def example_files(now: datetime) -> dict[str, str]:
    """Return the files of the folder by their path in it. The example uplink was heard at `now`."""
    return {
        "loamline.toml": example_toml(TOLD),
        "registry/sites.csv": _SITES,
        "registry/probes.csv": _PROBES,
        "registry/placements.csv": _PLACEMENTS,
        "registry/curves.toml": _CURVES,
        "registry/limits.toml": _LIMITS,
        "maps/example.toml": _MAP,
        "secrets/README": _SECRETS,
        ".gitignore": _GITIGNORE,
        "example-uplink.json": _uplink(now),
    }


def _uplink(now: datetime) -> str:
    told = {"supply_v": 3.6, "firmware": "1.4", "sample_counter": 7}
    sample = {"moisture_count": 1850, "soil_temperature_degc": 14.5}
    payload = builtin_codecs().by_name("measurement-v1").build(uplink=told, samples=[sample])
    uplink = {
        "dev_eui": DEV_EUI,
        "fcnt": 7,
        "fport": 10,
        "payload_hex": payload.hex().upper(),
        "heard_at": rfc3339(now.replace(microsecond=0)),
    }
    return json.dumps(uplink, indent=2) + "\n"
