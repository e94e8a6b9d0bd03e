"""The folder, the points and the refusals of `loamline curve`."""

import pytest

from tests.app.curve.given import CURVES, POINTS
from tests.app.test_registry_command import FOLDER


@pytest.fixture
def folder(tmp_path):
    """Return a registry folder with a soil curve and a transducer's."""
    place = tmp_path / "registry"
    place.mkdir()
    for name, content in {**FOLDER, "curves.toml": CURVES}.items():
        (place / name).write_text(content)
    return place


@pytest.fixture
def points(tmp_path):
    """Return a function that writes a file of laboratory points."""

    def writer(content=POINTS):
        file = tmp_path / "bed-a.csv"
        file.write_text(content)
        return file

    return writer


@pytest.fixture
def refused(loamline, folder):
    """Return a function that runs a command, is sure that nothing was written, and gives code and sentence."""

    def runner(*arguments):
        before = (folder / "curves.toml").read_bytes()
        done = loamline("curve", *arguments)
        assert done.exit_code != 0
        assert done.stdout == ""
        assert (folder / "curves.toml").read_bytes() == before
        return done.exit_code, done.stderr.strip()

    return runner
