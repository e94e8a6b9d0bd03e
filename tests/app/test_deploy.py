"""The files for running the daemon as a service: filled in, accepted by the tools that read them, without root."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from configparser import ConfigParser
from importlib.metadata import version
from pathlib import Path

import pytest
from typer.testing import CliRunner

from loamline.app.cli import app


def run(*arguments: str, code: int = 0) -> str:
    done = CliRunner().invoke(app, ["deploy", *arguments])
    assert done.exit_code == code, done.output
    return done.output


def unit(text: str) -> ConfigParser:
    told = ConfigParser(strict=True, interpolation=None)
    told.optionxform = str  # type: ignore[assignment,method-assign]
    told.read_string(text)
    return told


def test_the_unit_names_program_settings_user_and_the_only_folder_that_can_be_written() -> None:
    text = run(
        "systemd", "--config", "/etc/soil.toml", "--user", "soil", "--state", "soil", "--program", "/opt/l/loamline"
    )
    service = unit(text)["Service"]
    assert service["ExecStart"] == "/opt/l/loamline ingest --config /etc/soil.toml"
    assert service["ExecReload"] == "/bin/kill -HUP $MAINPID"
    assert (service["User"], service["StateDirectory"], service["ProtectSystem"]) == ("soil", "soil", "strict")
    assert (service["Type"], service["NotifyAccess"]) == ("notify", "main")
    assert int(service["TimeoutStopSec"]) > 10


def test_the_watchdog_waits_longer_than_the_daemons_own_idea_of_being_alive() -> None:
    """Or a long commit would be taken for a hang."""
    from loamline.edges.pulse import ALIVE_WITHIN_S

    assert int(unit(run("systemd"))["Service"]["WatchdogSec"]) > ALIVE_WITHIN_S


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="expected systemd-analyze to check the unit with")
def test_systemd_finds_nothing_wrong_with_the_unit(tmp_path: Path) -> None:
    program = tmp_path / "loamline"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    file = tmp_path / "loamline.service"
    run("systemd", "--user", "daemon", "--program", str(program), "--out", str(file))
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(file)], capture_output=True, text=True, check=False
    )
    about_us = [line for line in done.stderr.splitlines() if "loamline.service" in line]
    assert (done.returncode, about_us) == (0, [])


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("--user", "root; x"), "--user: expected a name of a-z, 0-9, _ and -"),
        (("--state", "../etc"), "--state: expected a name of a-z, 0-9, _ and -"),
        (("--config", "/etc/with space.toml"), "config: expected an absolute path without spaces"),
        (("--program", "/opt/%i/loamline"), "loamline: expected an absolute path without spaces"),
    ],
)
def test_what_systemd_would_read_otherwise_is_refused(arguments: tuple[str, str], sentence: str) -> None:
    """Its own quoting and specifiers (systemd.unit(5)) are not for paths to guess at."""
    assert sentence in " ".join(run("systemd", *arguments, code=2).split())


def test_the_image_has_no_root_a_health_check_that_runs_and_this_version() -> None:
    text = run("container")
    lines = [line for line in text.replace("\\\n", " ").splitlines() if line and not line.startswith("#")]
    words = {line.split()[0] for line in lines}
    assert words == {
        "FROM", "ARG", "RUN", "USER", "WORKDIR", "VOLUME", "ENV", "HEALTHCHECK", "STOPSIGNAL", "ENTRYPOINT", "CMD",
    }  # fmt: skip
    assert f'ARG LOAMLINE="loamline=={version("loamline")}"' in lines
    assert lines.index("USER 10001") < next(n for n, line in enumerate(lines) if line.startswith("ENTRYPOINT"))
    script = re.search(r'HEALTHCHECK.*?"-c", "(.*?)"\]', " ".join(lines))
    assert script is not None
    done = subprocess.run([sys.executable, "-c", script[1]], capture_output=True, text=True, check=False)
    assert done.returncode == 1  # nobody listens here
    assert "refused" in done.stderr


def test_a_placeholder_that_is_left_would_be_seen() -> None:
    for text in (run("systemd"), run("container")):
        assert set(re.findall(r"\$\{?\w+\}?", text)) <= {"$MAINPID", "${LOAMLINE}"}
