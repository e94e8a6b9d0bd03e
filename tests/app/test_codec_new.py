"""`loamline codec new`: a declaration and golden cases that pass as they are, and that every command then reads."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from loamline.edges.publisher import Publisher
from loamline_codecs import Message, builtin_codecs, load_codecs
from tests.support.daemon import Daemon
from tests.support.mosquitto import a_broker

Run = Callable[..., Any]
_ORDINARY = "010007 3A05DC 0E10 10 002A".replace(" ", "")


@pytest.fixture(autouse=True)
def _no_private_codecs_of_whoever_runs_the_tests(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("LOAMLINE_CODEC_DIRS", raising=False)


@pytest.fixture
def folder(loamline: Run, tmp_path: Path) -> Path:
    """Return a folder with one new codec in it."""
    folder = tmp_path / "my codecs"
    done = loamline("codec", "new", "soil-stake", "--dir", folder)
    assert (done.exit_code, done.stderr) == (0, "")
    return folder


def refused(result: Any) -> str:
    """Return the one sentence in which a command was refused as wrong use."""
    assert (result.exit_code, result.stdout) == (2, "")
    return str(result.stderr).strip()


def test_it_tells_what_it_wrote_and_what_to_do_next(loamline: Run, tmp_path: Path) -> None:
    done = loamline("codec", "new", "soil-stake", "--dir", tmp_path)
    lines = done.stdout.splitlines()
    written = [Path(line.removeprefix("wrote ")) for line in lines if line.startswith("wrote ")]
    assert written == [
        tmp_path / "soil_stake_v1.py",
        *(
            tmp_path / "replay_fixtures" / "soil-stake-v1" / f"{case}.txt"
            for case in ("ordinary", "fault_codes", "highest_values", "lowest_values")
        ),
    ]
    assert all(path.is_file() for path in written)
    assert f"  loamline codec check soil-stake-v1 --codec-dir {tmp_path} --update-goldens" in lines


def test_what_it_wrote_passes_codec_check(loamline: Run, folder: Path) -> None:
    done = loamline("codec", "check", "soil-stake-v1", "--codec-dir", folder, "--payloads", 500, "--json")
    told = json.loads(done.stdout)
    assert done.exit_code == 0
    (codec,) = told["codecs"]
    assert (codec["codec"], codec["passed"]) == ("soil-stake-v1", True)
    assert {check["verdict"] for check in codec["checks"]} == {"ok"}


@pytest.mark.parametrize(("case", "meant"), [("highest_values", (4095, 85.0)), ("lowest_values", (0, -40.0))])
def test_its_cases_of_the_ends_are_read_as_meant_and_one_more_is_not(
    folder: Path, case: str, meant: tuple[float, float]
) -> None:
    codecs = load_codecs([folder])
    told = (folder / "replay_fixtures" / "soil-stake-v1" / f"{case}.txt").read_text()
    payload = bytes.fromhex(next(line.split(maxsplit=1)[1] for line in told.splitlines() if "hex " in line))
    message = codecs.parse(codecs.codecs[-1].match.fport, payload)
    assert isinstance(message, Message)
    figures = message.samples[0].figures
    assert (figures["moisture_count"], figures["soil_temperature_degc"]) == meant


def test_an_fport_that_nobody_reads_is_chosen(folder: Path) -> None:
    taken = {codec.match.fport for codec in builtin_codecs().codecs}
    assert load_codecs([folder]).codecs[-1].match.fport == max(taken) + 1


def test_the_next_version_of_a_name_comes_on_the_same_fport(loamline: Run, folder: Path) -> None:
    assert loamline("codec", "new", "soil-stake-v2", "--dir", folder).exit_code == 0
    assert loamline("codec", "new", "other", "--dir", folder).exit_code == 0
    private = load_codecs([folder]).codecs[len(builtin_codecs().codecs) :]
    assert [(codec.name, codec.match.fport, codec.match.value) for codec in private] == [
        ("other-v1", 13, 1),
        ("soil-stake-v1", 12, 1),
        ("soil-stake-v2", 12, 2),
    ]


def test_port_and_version_can_be_chosen_and_shared_with_the_built_in_codecs(loamline: Run, tmp_path: Path) -> None:
    done = loamline("codec", "new", "guest", "--dir", tmp_path, "--port", 10, "--version", 96)
    assert done.exit_code == 0
    assert loamline("codec", "check", "--codec-dir", tmp_path, "--payloads", 100).exit_code == 0


def test_another_codecs_match_is_refused_before_anything_is_written(loamline: Run, tmp_path: Path) -> None:
    told = refused(loamline("codec", "new", "guest", "--dir", tmp_path / "new", "--port", 10, "--version", 0x21))
    assert "expected messages of its own, got FPort 10 with byte 0 = 0x21, which codec measurement-v2 reads" in told
    assert told.endswith("nothing was written: choose another --port, --version or NAME")
    assert not (tmp_path / "new").exists()


def test_a_match_of_a_private_codec_elsewhere_is_refused_too(loamline: Run, folder: Path, tmp_path: Path) -> None:
    arguments = ("codec", "new", "guest", "--dir", tmp_path / "other", "--port", 12)
    assert "which codec soil-stake-v1 reads" in refused(loamline(*arguments, "--codec-dir", folder))
    assert loamline(*arguments).exit_code == 0


def test_nothing_is_ever_overwritten(loamline: Run, folder: Path) -> None:
    path = folder / "soil_stake_v1.py"
    path.write_text("precious")
    told = refused(loamline("codec", "new", "soil-stake", "--dir", folder))
    assert told == f"expected no {path} yet, got one: nothing was written; choose another --version"
    assert path.read_text() == "precious"
    path.unlink()
    assert "replay_fixtures" in refused(loamline("codec", "new", "soil-stake", "--dir", folder))
    assert not path.exists()


@pytest.mark.parametrize("name", ["Soil-stake", "soil_stake", "soil stake", "-stake", "stake-", "a--b", "1st", "", "é"])
def test_a_name_of_other_characters_is_refused(loamline: Run, tmp_path: Path, name: str) -> None:
    told = refused(loamline("codec", "new", "--dir", tmp_path, "--", name))
    expected = "expected lower-case letters, digits and single hyphens, such as soil-stake"
    assert told == f"NAME: {expected}, got {name!r}"


@pytest.mark.parametrize(
    ("name", "more", "expected"),
    [
        ("soil-stake-v2", ["--version", "3"], "-v3"),
        ("soil-stake-v256", [], "a version of 0 to 255"),
    ],
)
def test_a_name_that_tells_another_version_is_refused(
    loamline: Run, tmp_path: Path, name: str, more: list[str], expected: str
) -> None:
    told = refused(loamline("codec", "new", name, "--dir", tmp_path, *more))
    assert told == f"NAME: expected it to end with {expected}, got {name!r}"


def test_a_folder_that_can_not_be_made_is_told_in_a_sentence(loamline: Run, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    done = loamline("codec", "new", "soil-stake", "--dir", tmp_path / "file")
    assert (done.exit_code, done.stdout) == (1, "")
    assert done.stderr.startswith(f"expected to write {tmp_path / 'file' / 'soil_stake_v1.py'}, got ")


def test_dissect_reads_it_by_flag_and_by_environment(
    loamline: Run, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    arguments = ("codec", "dissect", "--port", 12, _ORDINARY, "--json")
    assert loamline(*arguments).exit_code == 1
    told = json.loads(loamline(*arguments, "--codec-dir", folder).stdout)
    assert (told["codec"], told["samples"][0]["moisture_count"]) == ("soil-stake-v1", 1850)
    monkeypatch.setenv("LOAMLINE_CODEC_DIRS", json.dumps([str(folder)]))
    assert json.loads(loamline(*arguments).stdout) == told


def test_list_shows_it_beside_the_built_in_codecs(loamline: Run, folder: Path) -> None:
    told = json.loads(loamline("codec", "list", "--codec-dir", folder, "--json").stdout)
    assert [codec["name"] for codec in told] == [*(codec.name for codec in builtin_codecs().codecs), "soil-stake-v1"]


@pytest.mark.parametrize("told", ["./codecs", "{}", "[1]", ""])
def test_an_environment_that_is_no_list_of_folders_is_refused(
    loamline: Run, monkeypatch: pytest.MonkeyPatch, told: str
) -> None:
    monkeypatch.setenv("LOAMLINE_CODEC_DIRS", told)
    assert refused(loamline("codec", "dissect", "--port", 12, _ORDINARY)) == (
        f'LOAMLINE_CODEC_DIRS: expected a JSON list of folders such as ["./codecs"], got {told!r}'
    )


def test_a_private_codec_that_can_not_be_loaded_is_one_sentence_for_every_command(
    loamline: Run, folder: Path, tmp_path: Path
) -> None:
    path = folder / "broken.py"
    path.write_text("CODEC = Codec()\n")
    uplinks = tmp_path / "uplinks.ndjson"
    uplinks.touch()
    store = tmp_path / "soil.duckdb"
    for command in (
        ("codec", "dissect", "--port", 12, _ORDINARY),
        ("import", uplinks, "--store", store),
        ("explain", "02BB000000000001", "2026-05-01T10:00:00Z", "--store", store),
        ("ingest", "--store", store),
        ("codec", "new", "other", "--dir", tmp_path / "other"),
    ):
        told = refused(loamline(*command, "--codec-dir", folder))
        assert told == f"{path}, line 1: expected a declaration, got NameError: name 'Codec' is not defined"
    assert not store.exists()


def test_import_and_explain_read_a_private_codecs_messages(
    loamline: Run, folder: Path, stores: Any, tmp_path: Path
) -> None:
    """Without the folder the message is set aside; with it, it is a reading that names the codec."""
    store = stores.make()
    uplink = stores.uplink(stores.BARLEY, _ORDINARY, stores.START, fport=12)
    file = tmp_path / "one.ndjson"
    file.write_text(json.dumps(uplink.model_dump(mode="json", exclude_none=True)) + "\n")
    done = loamline("import", file, "--store", store, "--codec-dir", folder, "--json")
    assert json.loads(done.stdout)["set_aside"] == 0, done.stdout + done.stderr
    instant = stores.START.isoformat().replace("+00:00", "Z")
    told = loamline("explain", stores.BARLEY, instant, "--store", store, "--codec-dir", folder)
    assert told.exit_code == 0, told.stderr
    assert "soil-stake-v1" in told.stdout


@pytest.mark.broker
def test_the_daemon_reads_a_private_codecs_messages(loamline: Run, folder: Path, stores: Any, tmp_path: Path) -> None:
    """From the broker into the store: the reading cites the private codec."""
    store = stores.make()
    uplink = stores.uplink(stores.BARLEY, _ORDINARY, stores.START, fport=12)
    body = json.dumps(uplink.model_dump(mode="json", exclude_none=True)).encode()
    with a_broker(tmp_path) as broker:
        daemon = Daemon(broker, store, "--codec-dir", str(folder))
        try:
            daemon.wait_for("subscribed")
            with Publisher(host=broker.host, port=broker.port, protocol="5") as publisher:
                publisher.publish("loamline/uplinks/test", body)
            committed = daemon.wait_for("committed")
            assert (committed["accepted"], committed["set_aside"]) == (1, 0)
        finally:
            assert daemon.terminate() == 0
    instant = stores.START.isoformat().replace("+00:00", "Z")
    told = loamline("explain", stores.BARLEY, instant, "--store", store, "--codec-dir", folder)
    assert "soil-stake-v1" in told.stdout
