"""`loamline config`: every fault of settings and their files at once; which layer each setting came from; no secret."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.support.command import run


def settings_file(folder: Path, content: str) -> Path:
    path = folder / "loamline.toml"
    path.write_text(content)
    return path


def secret_file(folder: Path, name: str, content: str, mode: int = 0o600) -> Path:
    path = folder / name
    path.write_text(content)
    path.chmod(mode)
    return path


def test_sound_settings_are_called_sound(tmp_path: Path) -> None:
    secret_file(tmp_path, "password", "s3cret\n")
    path = settings_file(tmp_path, "[broker]\nusername = 'u'\npassword_file = 'password'\n")
    told = run("config", "check", path)
    assert (told.exit_code, told.stdout) == (0, "the settings are sound\n")
    assert json.loads(run("config", "check", path, "--json").stdout) == {"sound": True, "faults": []}


def test_every_fault_of_every_layer_is_told_at_once(tmp_path: Path) -> None:
    """Two that are wrong by themselves, in two layers, and a pair that contradicts itself."""
    path = settings_file(
        tmp_path, "[broker]\nport = 0\npassword_file = 'p'\n[webhook]\ntoken = 'a'\ntoken_file = 'b'\n"
    )
    told = run("config", "check", path, LOAMLINE_BATCH__MESSAGES="many")
    assert told.exit_code == 2
    assert told.stderr.splitlines() == [
        f"settings in {path}: broker.port: expected greater than or equal to 1, got 0",
        f"settings in {path}: webhook: expected one of token and token_file, got token and token_file",
        "settings in the environment: batch.messages: expected a whole number, got 'many'",
        f"settings in {path}: broker: expected username beside password_file, got none",
        "4 faults",
    ]


def test_a_broken_file_hides_no_fault_of_the_environment(tmp_path: Path) -> None:
    told = run("config", "check", settings_file(tmp_path, "[broker\n"), LOAMLINE_LOG_FORMAT="xml")
    assert "expected TOML, got" in told.stderr
    assert "settings in the environment: log_format: expected one of" in told.stderr


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("store = 'absent/s.duckdb'\n", "store: expected the folder {folder}/absent for the store, found none"),
        (
            "[mirror]\nfolder = 'absent/mirror'\n",
            "mirror.folder: expected a folder at {folder}/absent/mirror, or one around it in which it can be made",
        ),
        ("maps_dir = 'absent'\n", "maps_dir: expected a folder of envelope maps at {folder}/absent, found none"),
        ("codec_dirs = ['absent']\n", "codec_dirs: "),
        ("registry_dir = 'absent'\n", "registry_dir: expected a registry folder at {folder}/absent, found none"),
        ("keys_file = 'open'\n", "keys_file: "),
        ("[broker]\nenvelope = 'absent.toml'\n", "expected an envelope map at {folder}/absent.toml, found none"),
        ("[broker]\nenvelope = 'no-such'\n", "envelope: expected one of canonical, ts002, phypayload"),
        ("[broker]\nca_file = 'open'\n", "broker.ca_file: expected certificates in PEM at {folder}/open, got "),
        (
            "[broker]\nca_file = 'absent'\n",
            "broker.ca_file: expected certificates in PEM at {folder}/absent, got No such file",
        ),
        (
            "[broker]\nusername = 'u'\npassword_file = 'open'\n",
            "broker.password_file: expected {folder}/open to be readable by its owner alone (mode 0600), got mode 0644",
        ),
        ("[webhook]\ntoken_file = 'absent'\n", "webhook.token_file: expected to read {folder}/absent"),
        ("[webhook]\nsecrets_file = 'own'\n", "webhook.secrets_file: "),
    ],
)
def test_a_file_that_the_daemon_could_not_use_is_told_with_its_setting(
    tmp_path: Path, content: str, sentence: str
) -> None:
    """There, readable, of a mode that keeps secrets, and what it has to be."""
    secret_file(tmp_path, "open", "x\n", 0o644)
    secret_file(tmp_path, "own", "no secret\n")
    told = run("config", "check", settings_file(tmp_path, content))
    assert told.exit_code == 2
    assert sentence.format(folder=tmp_path) in told.stderr


def test_a_private_key_that_others_can_read_is_refused(tmp_path: Path) -> None:
    secret_file(tmp_path, "key.pem", "x\n", 0o644)
    content = "[broker]\nca_file = 'key.pem'\ncertificate_file = 'key.pem'\nkey_file = 'key.pem'\n"
    told = run("config", "check", settings_file(tmp_path, content))
    assert "broker.key_file: expected a private key that others can't read (mode 0600 or 0640)" in told.stderr


def test_each_fault_of_the_registry_folder_is_told(tmp_path: Path) -> None:
    (tmp_path / "registry").mkdir()
    told = run("config", "check", settings_file(tmp_path, "registry_dir = 'registry'\n"))
    assert told.stderr.count("registry_dir: ") == 5  # sites, probes, placements, curves, limits


def test_each_setting_is_shown_with_its_layer_and_no_secret_is(tmp_path: Path) -> None:
    content = "maps_dir = 'maps'\n[[brokers]]\nport = 1\nusername = 'u'\npassword = 's3cret'\n[webhook]\n"
    path = settings_file(tmp_path, content)
    told = run("config", "show", path, "--json", LOAMLINE_WEBHOOK__SECRETS='["whsec_s3cret"]')
    assert "s3cret" not in told.output
    rows = {row["setting"]: (row["value"], row["told"]) for row in json.loads(told.stdout)}
    assert rows["maps_dir"] == (str(tmp_path / "maps"), str(path))
    assert rows["brokers.0.port"] == (1, str(path))
    assert rows["brokers.0.host"] == ("127.0.0.1", "default")
    assert rows["brokers.0.password"] == ("(secret)", str(path))
    assert rows["webhook.secrets"] == (["(secret)"], "the environment")
    assert rows["log_format"] == ("console", "default")
    assert "s3cret" not in run("config", "show", path).output


def test_broken_settings_are_not_shown(tmp_path: Path) -> None:
    told = run("config", "show", settings_file(tmp_path, "[broker]\nport = 'x'\n"))
    assert (told.exit_code, told.stdout) == (2, "")
    assert "broker.port: expected a whole number" in told.stderr
