"""`loamline init`: a folder that works as it is, whose settings are the models' own, and that overwrites nothing."""

from __future__ import annotations

import json
import re
import stat
import tomllib
from pathlib import Path
from typing import Any

import pytest

from loamline.app.example_folder import DEV_EUI, TOLD
from loamline.app.settings import load_settings
from loamline.app.settings_example import example_toml
from loamline.app.settings_shape import flat
from loamline.edges.envelopes.map_file import read_map
from loamline.edges.envelopes.mapped import mapped_reader
from loamline.edges.messages import Accepted
from loamline.edges.publisher import Publisher
from loamline_schemas.settings import BrokerSettings, Settings
from tests.support.command import run
from tests.support.daemon import Daemon, until
from tests.support.mosquitto import a_broker


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder as `init` makes it."""
    made = tmp_path / "soil"
    told = run("init", made)
    assert told.exit_code == 0, told.output
    return made


def test_what_it_writes_is_sound(folder: Path) -> None:
    """Settings, registry and map are read as the daemon reads them."""
    assert run("config", "check", folder / "loamline.toml").output == "the settings are sound\n"


def test_what_is_not_told_in_it_is_the_default(folder: Path) -> None:
    settings = load_settings(folder / "loamline.toml", {})
    told = {name: value for name, _, value in flat(settings)}
    default = {name: value for name, _, value in flat(Settings())}
    assert {name for name in told if told[name] != default[name]} == {"registry_dir", "maps_dir", "store"}
    assert told["store"] == folder / "loamline.duckdb"


def test_what_is_commented_out_shows_the_defaults_themselves() -> None:
    """With the comment signs of settings and sections taken away, the file is TOML and its values are the defaults."""
    lines = example_toml(TOLD).splitlines()
    is_setting = re.compile(r"# (\w+ = (?!\"\.\.\.\").*|\[[a-z.]+\])$")
    opened = [match[1] if (match := is_setting.fullmatch(line)) else line for line in lines]
    told = tomllib.loads("\n".join(opened))
    assert told["broker"]["keepalive_s"] == BrokerSettings().keepalive_s
    assert told["batch"] == Settings().batch.model_dump()
    assert told["webhook"]["port"] == 8420


def test_every_setting_stands_in_it_with_what_it_means_and_its_unit() -> None:
    """Made from the models, so that none can be forgotten."""
    text = example_toml({})
    for name, _, _ in flat(Settings()):
        assert re.search(rf"^# {name.rpartition('.')[2]} = ", text, re.MULTILINE), name
    assert "# Of silence, before either side asks. Seconds, 5 to 3600.\n# keepalive_s = 30\n" in text


def test_the_example_map_reads_the_message_that_it_shows(folder: Path) -> None:
    path = folder / "maps" / "example.toml"
    shown = re.search(r"\{.*\}", re.sub("\n#", "", path.read_text()))
    assert shown is not None
    (read,) = mapped_reader(read_map(path), "example")(shown[0].encode(), "topic")
    assert isinstance(read, Accepted), read
    assert (read.uplink.dev_eui, read.uplink.spreading_factor, read.uplink.bandwidth_hz) == (DEV_EUI, 9, 125_000)


def test_secrets_have_a_folder_that_only_the_owner_reads_and_that_stays_out_of_version_control(folder: Path) -> None:
    assert stat.S_IMODE((folder / "secrets").stat().st_mode) == 0o700
    assert "secrets/" in (folder / ".gitignore").read_text().splitlines()


def test_nothing_is_overwritten_and_then_nothing_is_written(tmp_path: Path) -> None:
    """One of its files is there already: it stays, and no other comes."""
    (tmp_path / "registry").mkdir()
    mine = tmp_path / "registry" / "sites.csv"
    mine.write_text("mine\n")
    told = run("init", tmp_path)
    assert told.exit_code == 1
    assert "got registry/sites.csv" in told.stderr
    assert mine.read_text() == "mine\n"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["registry"]


@pytest.mark.broker
def test_it_works_as_it_is_against_a_broker_on_this_machine(folder: Path, tmp_path: Path) -> None:
    """init, ingest, publish the example: the fleet shows the probe at its place, with a figure."""
    config, store = folder / "loamline.toml", folder / "loamline.duckdb"
    with a_broker(tmp_path) as broker:
        # The port alone is another one than 1883, so that tests can run side by side.
        daemon = Daemon(broker, store, "--config", str(config))
        try:
            daemon.wait_for("subscribed")
            with Publisher(host=broker.host, port=broker.port) as publisher:
                publisher.publish("loamline/uplinks/example", (folder / "example-uplink.json").read_bytes())
            until(lambda: daemon.committed("accepted") == 1)
        finally:
            assert daemon.terminate() == 0
    told: list[dict[str, Any]] = json.loads(run("fleet", "--store", store, "--json").stdout)
    probe = next(row for row in told if row["dev_eui"] == DEV_EUI)
    assert (probe["serial"], probe["site"], probe["verdicts"]["pass"]) == ("EX-0001", "Long Strip", 1)
