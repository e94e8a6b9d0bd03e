"""The daemon's settings: defaults that lose nothing, and what is refused before anything starts."""

import pytest
from pydantic import ValidationError

from loamline.edges.sentences import sentence
from loamline_schemas.settings import Settings


def refusal(**told):
    with pytest.raises(ValidationError) as problem:
        Settings.model_validate(told)
    return sentence(problem.value)


def test_nothing_has_to_be_told():
    settings = Settings()
    assert settings == Settings.model_validate({})
    assert (settings.broker.protocol, settings.broker.client_id) == ("5", "loamline-ingest")


def test_the_default_session_outlives_days_of_the_daemons_absence():
    assert Settings().broker.session_expiry_days >= 7


def test_a_section_told_in_part_keeps_its_other_defaults():
    settings = Settings.model_validate({"broker": {"port": 8883, "ca_file": "ca.pem"}, "batch": {"messages": 10}})
    assert (settings.broker.port, settings.broker.host) == (8883, "127.0.0.1")
    assert (settings.batch.messages, settings.batch.milliseconds) == (10, Settings().batch.milliseconds)


def test_the_password_is_not_shown():
    settings = Settings.model_validate({"broker": {"username": "probe", "password": "well kept"}})
    assert "well kept" not in f"{settings!r} {settings} {settings.model_dump_json()}"
    assert settings.broker.password.get_secret_value() == "well kept"


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        (
            {"broker": {"topics": ["$share/g/#"]}},
            "broker: expected a topic filter of its own, got $share/g/#: a dead member of a share keeps its part",
        ),
        (
            {"broker": {"certificate_file": "client.pem", "ca_file": "ca.pem"}},
            "broker: expected certificate_file and key_file both or neither, got one of them",
        ),
        (
            {"broker": {"certificate_file": "client.pem", "key_file": "client.key"}},
            "broker: expected ca_file beside certificate_file, got none",
        ),
        ({"broker": {"password": "well kept"}}, "broker: expected username beside password, got none"),
        ({"broker": {"protocol": "3.1"}}, "broker.protocol: expected one of '5' or '3.1.1', got '3.1'"),
        ({"broker": {"port": 0}}, "broker.port: expected greater than or equal to 1, got 0"),
        ({"broker": {"client_id": ""}}, "broker.client_id: expected at least 1 character, got ''"),
        ({"batch": {"messages": 0}}, "batch.messages: expected greater than or equal to 1, got 0"),
        ({"log_format": "xml"}, "log_format: expected one of 'console' or 'json', got 'xml'"),
        ({"borker": {}}, "borker: expected no such field, got {}"),
        ({"broker": {"hots": "localhost"}}, "broker.hots: expected no such field, got 'localhost'"),
    ],
)
def test_what_can_not_work_is_refused_in_one_sentence(told, expected):
    assert refusal(**told) == expected


def test_private_codecs_come_from_no_folder_unless_told():
    assert Settings().codec_dirs == ()
    assert refusal(codec_dirs="codecs").startswith("codec_dirs: expected")


def test_no_topics_are_refused():
    assert refusal(broker={"topics": []}).startswith("broker.topics: expected")
