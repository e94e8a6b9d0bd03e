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
        ({"broker": {"password_file": "pw"}}, "broker: expected username beside password_file, got none"),
        (
            {"broker": {"username": "u", "password": "well kept", "password_file": "pw"}},
            "broker: expected one of password and password_file, got password and password_file",
        ),
        (
            {"broker": {"dev_eui_level": 3, "topics": ["farm/+/#", "farm/#", "a/b/c", "farm/up"]}},
            "broker: expected topics with at least the 3 levels of dev_eui_level, got farm/up with 2",
        ),
        ({"broker": {}, "brokers": [{}]}, "expected either broker or brokers, got both"),
        (
            {"brokers": [{"client_id": "a"}, {"client_id": "b"}, {"client_id": "a", "topics": ["x"]}]},
            (
                "expected another client_id in each of the brokers at 127.0.0.1:1883, got a in brokers.0 and "
                "brokers.2: they would hang up on each other"
            ),
        ),
        (
            {"webhook": {"host": "192.0.2.9"}},
            (
                "webhook: expected secrets_file, secrets, token_file or token beside host 192.0.2.9, "
                "which other machines can reach, got none of them"
            ),
        ),
        (
            {"webhook": {"secrets": ["whsec_x"], "secrets_file": "f"}},
            "webhook: expected one of secrets and secrets_file, got secrets and secrets_file",
        ),
        (
            {"webhook": {"token": "x", "token_file": "f"}},
            "webhook: expected one of token and token_file, got token and token_file",
        ),
        ({"webhook": {"port": 65536}}, "webhook.port: expected less than or equal to 65535, got 65536"),
        ({"key_encryption_key_file": "k"}, "expected keys_file beside key_encryption_key_file, got none"),
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


def test_one_broker_several_or_none_beside_a_webhook():
    """Nobody waits for a broker that was not told, where another way in was."""

    def ports(**told):
        return [broker.port for broker in Settings.model_validate(told).all_brokers]

    assert ports() == [1883]
    assert ports(broker={"port": 1}) == [1]
    assert ports(brokers=[{"port": 1}, {"port": 2}]) == [1, 2]
    assert ports(webhook={}) == []
    assert ports(webhook={}, broker={"port": 1}) == [1]
    assert ports(webhook={}, brokers=[{"port": 1}, {"port": 2}]) == [1, 2]


@pytest.mark.parametrize("host", ["127.0.0.1", "127.8.8.8", "::1", "localhost"])
def test_without_a_secret_the_webhook_listens_to_this_machine_alone(host):
    assert Settings().webhook is None
    assert Settings.model_validate({"webhook": {"host": host}}).webhook.host == host


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "", "192.0.2.7", "probes.example"])  # noqa: S104 - refused
def test_open_to_others_it_wants_a_secret_or_token(host):
    assert "got none of them" in refusal(webhook={"host": host, "secrets": [], "token": ""})
    for guard in ({"secrets_file": "f"}, {"secrets": ["whsec_x"]}, {"token_file": "f"}, {"token": "x"}):
        assert Settings.model_validate({"webhook": {"host": host, **guard}}).webhook.guarded


def test_secrets_and_tokens_of_the_webhook_are_not_shown():
    settings = Settings.model_validate({"webhook": {"secrets": ["whsec_kept"], "token": "also-kept"}})
    assert "kept" not in f"{settings!r} {settings} {settings.model_dump_json()}"
