"""Settings: flags beat the environment, which beats the file; every fault is told with the place it stands in."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.app.output import CommandError
from loamline.app.settings import load_settings, look_at_settings


@pytest.fixture(autouse=True)
def _no_settings_of_whoever_runs_the_tests(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in os.environ if name.startswith("LOAMLINE_")]:
        monkeypatch.delenv(name)


def settings_file(folder: Path, content: str) -> Path:
    path = folder / "loamline.toml"
    path.write_text(content)
    return path


def told(path: Path | None, overrides: dict[str, Any] | None = None) -> str:
    """Return the sentences in which the settings are refused; the exit code is 2."""
    with pytest.raises(CommandError) as refused:
        load_settings(path, overrides or {})
    assert refused.value.code == 2
    return str(refused.value)


def test_without_anything_told_the_defaults_hold() -> None:
    """A daemon with no settings at all talks to a broker on this machine, in MQTT 5."""
    settings = load_settings(None, {})
    assert (settings.broker.host, settings.broker.port, settings.broker.protocol) == ("127.0.0.1", 1883, "5")


def test_flags_beat_the_environment_and_that_beats_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Layer by layer and field by field; a flag that was not given hides nothing."""
    path = settings_file(tmp_path, 'store = "file.duckdb"\n[broker]\nhost = "file"\nport = 1\nclient_id = "file"\n')
    monkeypatch.setenv("LOAMLINE_BROKER__HOST", "environment")
    monkeypatch.setenv("LOAMLINE_BROKER__PORT", "2")
    monkeypatch.setenv("LOAMLINE_BROKER__TOPICS", '["environment/#"]')
    settings = load_settings(path, {"store": None, "broker": {"host": "flag", "port": None}, "batch": {"messages": 7}})
    assert settings.store == tmp_path / "file.duckdb"
    assert settings.broker.host == "flag"
    assert settings.broker.port == 2
    assert settings.broker.client_id == "file"
    assert settings.broker.topics == ("environment/#",)
    assert settings.batch.messages == 7


def test_a_password_can_stay_in_the_environment_and_is_never_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    """A secret has no place on a command line."""
    monkeypatch.setenv("LOAMLINE_BROKER__PASSWORD", "s3cret")
    settings = load_settings(None, {"broker": {"username": "u"}})
    assert settings.broker.password is not None
    assert settings.broker.password.get_secret_value() == "s3cret"
    assert "s3cret" not in repr(settings)


def test_each_fault_is_told_with_its_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All of them at once: which layer, which setting, expected, got."""
    path = settings_file(tmp_path, '[broker]\nport = "x"\nprotokol = "5"\n')
    monkeypatch.setenv("LOAMLINE_BATCH__MESSAGES", "0")
    assert told(path, {"log_format": "xml"}).splitlines() == [
        f"settings in {path}: broker.port: expected a whole number, got 'x'",
        f"settings in {path}: broker.protokol: expected no such field, got '5'",
        "settings in the environment: batch.messages: expected greater than or equal to 1, got '0'",
        "settings in the flags: log_format: expected one of 'console' or 'json', got 'xml'",
    ]


def test_a_shared_subscription_is_refused_with_its_reason() -> None:
    """MQTT's $share leaves a dead member its part of the messages."""
    assert told(None, {"broker": {"topics": ["$share/g/uplinks/#"]}}) == (
        "settings in the flags: broker: expected a topic filter of its own, got $share/g/uplinks/#: "
        "a dead member of a share keeps its part"
    )


def test_a_wrong_password_setting_is_told_without_the_password(tmp_path: Path) -> None:
    """A refused secret must not end in a log."""
    assert "1234" not in told(settings_file(tmp_path, '[broker]\nusername = "u"\npassword = 1234\n'))
    assert "s3cret" not in told(settings_file(tmp_path, '[broker]\npassword = "s3cret"\n'))


@pytest.mark.parametrize(
    "content",
    [
        "[webhook]\ntoken = 1234\n",
        "[webhook]\nsecrets = [1234]\n",
        "[webhook]\nsecret = 'whsec_1234'\n",
        "[webhook]\nsigning = 'whsec_1234'\n",
        "[brokers]\nusername = 'u'\npassword = '1234'\n",
        "webhook = [{token = '1234'}]\n",
    ],
)
def test_a_secret_in_the_wrong_place_or_of_the_wrong_kind_is_not_shown(tmp_path: Path, content: str) -> None:
    """Also where a section of secrets stands for what should be another thing."""
    sentences = told(settings_file(tmp_path, content))
    assert "1234" not in sentences
    assert ", got something else" in sentences


def test_several_brokers_and_the_webhook_from_all_three_layers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Secrets from the environment, as for the one broker's password."""
    path = settings_file(tmp_path, '[[brokers]]\nhost = "a"\n[[brokers]]\nhost = "b"\n[webhook]\nport = 1\n')
    monkeypatch.setenv("LOAMLINE_WEBHOOK__TOKEN", "s3cret")
    monkeypatch.setenv("LOAMLINE_WEBHOOK__SECRETS", '["whsec_x", "whsec_y"]')
    settings = load_settings(path, {"webhook": {"port": None, "host": "192.0.2.9"}})
    assert [broker.host for broker in settings.all_brokers] == ["a", "b"]
    assert settings.webhook is not None
    assert (settings.webhook.port, settings.webhook.host, len(settings.webhook.secrets)) == (1, "192.0.2.9", 2)
    assert settings.webhook.token is not None
    assert settings.webhook.token.get_secret_value() == "s3cret"


def test_the_one_broker_in_the_flags_and_several_in_the_file_are_told_by_both_names(tmp_path: Path) -> None:
    path = settings_file(tmp_path, '[[brokers]]\nhost = "a"\n')
    assert told(path, {"broker": {"port": 1}}) == "settings: expected either broker or brokers, got both"


def test_an_absent_or_broken_file_is_told_by_name(tmp_path: Path) -> None:
    """With the line where TOML ends to be TOML."""
    assert told(tmp_path / "absent.toml") == (
        f"expected a settings file at {tmp_path / 'absent.toml'}, got No such file or directory"
    )
    path = settings_file(tmp_path, "store = 1\n[broker\n")
    assert told(path).startswith(f"{path}: expected TOML, got ")
    assert "line 2" in told(path)


def test_a_list_in_the_environment_must_be_json(monkeypatch: pytest.MonkeyPatch) -> None:
    """As pydantic-settings reads it; the sentence says so."""
    monkeypatch.setenv("LOAMLINE_BROKER__TOPICS", "uplinks/#")
    assert told(None).startswith("environment: expected JSON for a list or section, got ")


def test_folders_of_private_codecs_come_from_file_environment_and_flags(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The environment's JSON list is the one that every `codec` verb reads too; a later layer replaces the list."""
    assert load_settings(None, {"codec_dirs": None}).codec_dirs == ()
    path = settings_file(tmp_path, 'codec_dirs = ["file"]\n')
    assert load_settings(path, {}).codec_dirs == (tmp_path / "file",)
    monkeypatch.setenv("LOAMLINE_CODEC_DIRS", '["a", "b"]')
    assert load_settings(path, {}).codec_dirs == (Path("a"), Path("b"))
    assert load_settings(path, {"codec_dirs": [Path("flag")]}).codec_dirs == (Path("flag"),)


def test_a_relative_path_in_the_file_is_taken_from_its_folder_and_any_other_from_where_the_command_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So that a folder that holds everything can be moved, and the daemon started from anywhere."""
    content = 'maps_dir = "maps"\nstore = "/srv/s.duckdb"\n[broker]\nenvelope = "maps/a.toml"\nca_file = "ca.pem"\n'
    path = settings_file(tmp_path, content)
    monkeypatch.setenv("LOAMLINE_KEYS_FILE", "keys.toml")
    settings = load_settings(path, {"codec_dirs": [Path("codecs")]})
    assert settings.maps_dir == tmp_path / "maps"
    assert settings.store == Path("/srv/s.duckdb")
    assert settings.broker.envelope == str(tmp_path / "maps/a.toml")
    assert settings.broker.ca_file == tmp_path / "ca.pem"
    assert settings.keys_file == Path("keys.toml")
    assert settings.codec_dirs == (Path("codecs"),)


def test_contradictions_are_told_beside_what_is_wrong_by_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A wrong port hides neither the two password settings nor the missing keys."""
    monkeypatch.setenv("LOAMLINE_BROKER__PASSWORD", "x")
    content = (
        "key_encryption_key_file = 'kek'\n[broker]\nport = 'x'\nusername = 'u'\npassword_file = 'p'\nkey_file = 'k'\n"
    )
    path = settings_file(tmp_path, content)
    assert told(path).splitlines() == [
        f"settings in {path}: broker.port: expected a whole number, got 'x'",
        "settings: broker: expected certificate_file and key_file both or neither, got one of them",
        "settings: broker: expected one of password and password_file, got password and password_file",
        "settings: expected keys_file beside key_encryption_key_file, got none",
    ]


def test_what_is_wrong_by_itself_is_not_told_as_missing_too(tmp_path: Path) -> None:
    """A user name of another type was told; that it stands beside the password must not be asked for."""
    path = settings_file(tmp_path, "[broker]\nusername = 5\npassword_file = 'p'\n")
    assert told(path) == f"settings in {path}: broker.username: expected text, got '5'".replace("'5'", "5")


@pytest.mark.parametrize(
    ("content", "names"),
    [
        ("[broker]\nusername = 'u'\npassword = 'a'\npassword_file = 'b'\n", ("password", "password_file")),
        ("[broker]\npassword_file = 'b'\n", ("username", "password_file")),
        ("[broker]\nca_file = 'a'\nkey_file = 'b'\n", ("certificate_file", "key_file")),
        ("[broker]\ncertificate_file = 'a'\nkey_file = 'b'\n", ("ca_file", "certificate_file")),
        ("[broker]\nprotocol = '3.1.1'\nsession_expiry_days = 3\n", ("protocol", "session_expiry_days")),
        ("[broker]\ndev_eui_level = 4\ntopics = ['a/b']\n", ("topics", "dev_eui_level")),
        ("[webhook]\nsecrets = ['whsec_a']\nsecrets_file = 'b'\n", ("secrets", "secrets_file")),
        ("[webhook]\ntoken = 'a'\ntoken_file = 'b'\n", ("token", "token_file")),
        ("[webhook]\nhost = '0.0.0.0'\n", ("host", "secrets_file")),
        ("[batch]\nmessages = 10\nqueue_messages = 5\n", ("messages", "queue_messages")),
        ("[broker]\nport = 1\n[[brokers]]\nport = 2\n", ("broker", "brokers")),
        ("[[brokers]]\nhost = 'a'\n[[brokers]]\nhost = 'a'\n", ("brokers.0", "brokers.1")),
        ("[webhook]\nport = 9\n[metrics]\nport = 9\n", ("metrics.port", "webhook.port")),
        ("key_encryption_key_file = 'a'\n", ("keys_file", "key_encryption_key_file")),
    ],
)
def test_each_pair_that_contradicts_itself_is_refused_with_both_names(
    tmp_path: Path, content: str, names: tuple[str, str]
) -> None:
    sentences = told(settings_file(tmp_path, content))
    assert len(sentences.splitlines()) == 1
    assert all(name in sentences for name in names)


LAYERS = ("file", "environment", "flags")


@given(
    ports=st.dictionaries(st.sampled_from(LAYERS), st.integers(1, 65535)),
    counts=st.dictionaries(st.sampled_from(LAYERS), st.integers(1, 1000)),
)
def test_what_is_in_force_is_what_the_last_layer_that_told_it_said_and_that_layer_is_named(
    ports: dict[str, int], counts: dict[str, int], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Whichever layers tell a setting, and whatever they tell of the section beside it."""
    path = settings_file(
        tmp_path_factory.mktemp("layers"),
        "".join(
            f"[{section}]\n{name} = {told['file']}\n"
            for section, name, told in (("broker", "port", ports), ("batch", "messages", counts))
            if "file" in told
        ),
    )
    with pytest.MonkeyPatch.context() as environment:
        for name, told in (("BROKER__PORT", ports), ("BATCH__MESSAGES", counts)):
            if "environment" in told:
                environment.setenv(f"LOAMLINE_{name}", str(told["environment"]))
        flags = {"broker": {"port": ports.get("flags")}, "batch": {"messages": counts.get("flags")}}
        looked = look_at_settings(path, flags)
    assert looked.settings is not None
    names = {"file": f"in {path}", "environment": "in the environment", "flags": "in the flags", "": ""}
    for where, told, value, default in (
        ("broker.port", ports, looked.settings.broker.port, 1883),
        ("batch.messages", counts, looked.settings.batch.messages, 5_000),
    ):
        last = next((layer for layer in reversed(LAYERS) if layer in told), "")
        assert value == told.get(last, default)
        assert looked.teller(where) == names[last]
