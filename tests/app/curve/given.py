"""A registry folder with two curves, laboratory points, and what the tests of `loamline curve` share."""

import json

from tests.app.test_registry_command import FOLDER

CURVES = (
    "# ours; one space too  many\n"
    + FOLDER["curves.toml"]
    + """
[[curve]]
id = "bench-b"   # of the bench
step = "transducer"
kind = "polynomial"
coefficients = [1, 18, 40]
domain = [0, 1]
for = "B"
valid_from = 2026-03-01T00:00:00Z
"""
)
POINTS = """sample,permittivity,vwc_m3_m3
a,2.9,0.02
b,4,0.055
c,6.1,0.11

d,8,0.15
e,11,0.21
f,15,0.27
g,19.5,0.33
h,25,0.385
i,31,0.44
j,36,0.48
k,41,0.52
"""
OF_BED_A = ("--id", "bed-a", "--for", "loam", "--valid-from", "2026-05-01")
NEXT = "  loamline registry load {folder} --store FILE\n  loamline replay plan --store FILE\n"
MAGIC = {".png": b"\x89PNG\r\n\x1a\n", ".svg": b"<?xml"}


def as_json(loamline, *arguments):
    done = loamline("curve", *arguments, "--json")
    assert done.exit_code == 0, done.stderr
    return json.loads(done.stdout)
