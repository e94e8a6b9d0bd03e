"""`loamline fleet --problems`: of a store that is free, and of one that the real daemon has open, with its events."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import httpx
import pytest

from loamline.edges.store.connection import Store
from loamline.edges.store.registry import save_state
from loamline_schemas.events_settings import EventsSettings
from tests.support.daemon import Daemon, until
from tests.support.event_receiver import http_receiver
from tests.support.mosquitto import free_port

STRANGER = "02BB0000000000FF"


@pytest.fixture
def problems(loamline):
    """Return a function that gives `loamline fleet --problems --json`."""

    def told(store, *arguments):
        result = loamline("fleet", "--store", store, "--problems", "--json", *arguments)
        assert result.exit_code == 0, result.output
        return json.loads(result.stdout)

    return told


@pytest.fixture
def start(tmp_path):
    """Return a function that starts a daemon that takes uplinks by its webhook; what is left of them is killed."""
    lives = []

    def started(events):
        config = tmp_path / "loamline.toml"
        config.write_text(f"[webhook]\nport = 0\n[events]\n{events}\n")
        lives.append(Daemon(None, tmp_path / "soil.duckdb", "--config", str(config)))
        return lives[-1]

    yield started
    for daemon in lives:
        daemon.kill()


def registered(stores):
    path = stores.folder / "soil.duckdb"
    with Store.open(path, create=True) as store:
        save_state(store, stores.registry(), "test")
    return path


def post(daemon, *uplinks):
    body = json.dumps([json.loads(uplink.model_dump_json()) for uplink in uplinks])
    answer = httpx.post(f"{daemon.wait_for('listening')['url']}/uplinks", content=body, timeout=30)
    assert answer.status_code < 300, answer.text


def just_now(stores, dev_eui, fcnt=1):
    uplink = stores.v1(dev_eui, 0, 1800, fcnt=fcnt)
    return uplink.model_copy(update={"heard_at": datetime.now(UTC) - timedelta(minutes=1)})


# A store that is free --------------------------------------------------------------------------------


def test_the_gravest_come_first_each_with_since_when_and_what_to_do(stores, problems, season_store):
    """The season ended in May, so that nothing at all is heard since."""
    told = problems(season_store)["problems"]
    assert [one["kind"] for one in told] == ["nothing heard", "frost", "not registered", "mixed firmware"]
    assert told[0]["since"] == "2026-05-05T23:00:00Z"
    assert (told[1]["subject"], told[1]["serial"]) == (f"probe/{stores.PEARS}", "S-0002")
    assert (told[1]["site"], told[1]["label"]) == ("Pear orchard", "row 7")
    assert told[2]["subject"] == f"probe/{STRANGER}"
    assert all(one["what_to_do"] for one in told)


def test_a_site_has_the_problems_of_its_own_probes(problems, season_store, loamline):
    told = problems(season_store, "--site", "pear orchard")["problems"]
    assert [one["kind"] for one in told] == ["frost"]
    assert problems(season_store, "--site", "North field")["problems"] == []
    result = loamline("fleet", "--store", season_store, "--problems", "--site", "Pear")
    assert result.exit_code == 1
    assert result.stderr == "expected a site in the store, got 'Pear'; near it: Pear orchard\n"


def test_the_table_says_the_same_in_words(loamline, season_store):
    result = loamline("fleet", "--store", season_store, "--problems")
    assert result.exit_code == 0
    for told in ("nothing heard", "frost", "S-0002", "Pear orchard, row 7", "2026-05-05T00:00:00Z",
                 "comes back after the thaw", "4 problems; as of "):  # fmt: skip
        assert told in result.stdout, told


def test_problems_as_of_another_instant_are_refused(loamline, season_store):
    result = loamline("fleet", "--store", season_store, "--problems", "--as-of", "2026-05-03")
    assert result.exit_code == 2
    assert result.stderr == "expected one of --problems and --as-of, got both: problems are told as of now\n"


def test_an_empty_store_has_no_problems(stores, problems):
    path = stores.make(registry=type(stores.registry())())
    told = problems(path)
    assert told == {"problems": [], "events": {"events_waiting": 0, "oldest_made_at": None, "receiver": None}}


# A running daemon ------------------------------------------------------------------------------------


def test_the_daemon_tells_problems_and_posts_their_onset_and_end(stores, start, problems, loamline):
    path = registered(stores)
    with http_receiver() as receiver:
        daemon = start(f'url = "{receiver.url}"\nsource = "/test"')
        post(daemon, just_now(stores, STRANGER))
        until(lambda: receiver.taken)
        told = problems(path)["problems"]
        assert [(one["kind"], one["subject"]) for one in told] == [("not registered", f"probe/{STRANGER}")]
        until(lambda: problems(path)["events"]["events_waiting"] == 0)
        assert "not registered" in loamline("fleet", "--store", path, "--problems").stdout
        assert daemon.terminate() == 0
        assert [posted.event["type"] for posted in receiver.requests] == ["loamline.problem.began"]
        with Store.open(path) as store:
            state = stores.registry()
            known = state.probes[0].model_copy(update={"dev_eui": STRANGER, "serial": "S-0099"})
            save_state(store, type(state)(**{**vars(state), "probes": (*state.probes, known)}), "the stranger, too")
        daemon = start(f'url = "{receiver.url}"\nsource = "/test"')
        until(lambda: len(receiver.taken) == 2)
        assert daemon.terminate() == 0
        began, ended = (posted.event for posted in receiver.requests)
        assert ended["type"] == "loamline.problem.ended"
        assert ended["data"]["problem_id"] == began["data"]["problem_id"]


def test_a_dead_receiver_stops_no_uplink_and_is_shown_until_it_is_back_even_after_a_kill(
    stores, start, problems, loamline
):
    """Events wait through a kill, and what could not be sent is told beside the problems."""
    port = free_port()
    path, url = registered(stores), f"http://127.0.0.1:{port}/in"
    events = f'url = "{url}"\nlongest_pause_s = 0.1'
    daemon = start(events)
    post(daemon, just_now(stores, STRANGER))
    until(lambda: (problems(path)["events"]["receiver"] or {}).get("failing_since"))
    post(daemon, just_now(stores, stores.BARLEY), just_now(stores, stores.PEARS))
    until(lambda: daemon.committed("accepted") == 3)
    told = problems(path)["events"]
    assert (told["events_waiting"], told["receiver"]["receiver"]) == (1, url)
    assert "Connection refused" in told["receiver"]["last_error"]
    shown = loamline("fleet", "--store", path, "--problems").stdout
    assert "Events can't be sent since" in shown
    assert "1 events wait" in shown
    daemon.kill()
    with http_receiver(port) as receiver:
        daemon = start(events)
        until(lambda: receiver.taken)
        assert daemon.terminate() == 0
        assert receiver.subjects() == [f"probe/{STRANGER}"]


# Settings --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("told", "sentence"),
    [
        ({"url": "http://h/", "mqtt": {}}, "expected one of url and mqtt, got url and mqtt"),
        ({"secret": "whsec_x"}, "expected url beside secret, got none"),
        ({"url": "http://h/", "secret": "a", "secret_file": "b"}, "expected one of secret and secret_file"),
        ({"url": "ftp://h/"}, "expected http:// or https://"),
        ({"url": "http://user@h/"}, "expected http:// or https://"),
        ({"url": "http://h:99999/"}, "expected http:// or https://"),
        ({"mqtt": {"topic": "a/#"}}, "expected a topic without"),
        ({"mqtt": {"password": "x"}}, "expected username beside password, got none"),
        ({"mqtt": {"certificate_file": "x"}}, "expected certificate_file and key_file both or neither"),
    ],
)
def test_settings_that_contradict_each_other_are_refused_with_both_names(told, sentence):
    with pytest.raises(ValueError, match=sentence):
        EventsSettings.model_validate(told)


def test_a_secret_that_can_not_be_one_stops_the_start_with_a_sentence(stores, start):
    registered(stores)
    daemon = start('url = "http://127.0.0.1:1/"\nsecret = "whsec_short"')
    assert daemon.process.wait(timeout=30) == 2
    (line,) = [line["event"] for line in daemon.events() if "events.secret" in line["event"]]
    assert line.startswith("events.secret: expected whsec_ and the base64 of 24 to 64 bytes")
    assert "short" not in line
