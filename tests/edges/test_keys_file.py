"""Files of session keys: for their owner's eyes alone, refused by line, and never shown."""

import copy
import logging
import pickle
import traceback

import pytest
from cryptography.hazmat.primitives.keywrap import aes_key_wrap
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from loamline.edges.keys_file import Keys, KeysError
from tests.support.lorawan_frames import NEIGHBOUR, SESSION, shapes_of, write_keys

KEK = bytes(range(100, 132))
HEADER = "dev_eui,dev_addr,nwk_s_key,app_s_key"
APP = SESSION.app_s_key.hex()
NWK = SESSION.nwk_s_key.hex()
SECRETS = shapes_of(SESSION.nwk_s_key, SESSION.app_s_key, NEIGHBOUR.nwk_s_key, NEIGHBOUR.app_s_key, KEK)


def written(path, text, mode=0o600):
    path.write_text(text)
    path.chmod(mode)
    return path


def refusal(path, kek_path=None):
    with pytest.raises(KeysError) as problem:
        Keys.load(path, kek_path)
    told = "".join(traceback.format_exception(problem.value))
    assert [secret for secret in SECRETS if secret in told] == []
    return str(problem.value)


def wrapped(session, kek=KEK):
    return {**session.row, "app_s_key": aes_key_wrap(kek, session.app_s_key).hex()}


# --- what is found -------------------------------------------------------------------------------------------------


def test_each_session_has_its_own_keys(tmp_path):
    keys = Keys.load(write_keys(tmp_path / "keys.csv", [SESSION.row, NEIGHBOUR.row]))
    for session in (SESSION, NEIGHBOUR):
        assert keys.app_s_key(session.dev_eui, session.dev_addr) == session.app_s_key
        assert keys.nwk_s_key(session.dev_eui, session.dev_addr) == session.nwk_s_key
    assert [found.dev_eui for found in keys.sessions_at(SESSION.dev_addr)] == [SESSION.dev_eui, NEIGHBOUR.dev_eui]


def test_identifiers_and_keys_are_hex_of_either_case_with_space_around_it(tmp_path):
    lower = {name: f" {value.lower()} " for name, value in SESSION.row.items()}
    keys = Keys.load(write_keys(tmp_path / "keys.csv", [lower]))
    for dev_eui, dev_addr in [(SESSION.dev_eui.lower(), SESSION.dev_addr.lower()), (SESSION.dev_eui, SESSION.dev_addr)]:
        assert keys.app_s_key(dev_eui, dev_addr) == SESSION.app_s_key


def test_the_keys_of_a_session_come_before_those_for_every_session_of_the_probe(tmp_path):
    every = {**NEIGHBOUR.row, "dev_eui": SESSION.dev_eui, "dev_addr": ""}
    keys = Keys.load(write_keys(tmp_path / "keys.csv", [every, SESSION.row]))
    assert keys.app_s_key(SESSION.dev_eui, SESSION.dev_addr) == SESSION.app_s_key
    assert keys.app_s_key(SESSION.dev_eui, "00000001") == NEIGHBOUR.app_s_key
    assert keys.app_s_key(SESSION.dev_eui, None) == NEIGHBOUR.app_s_key


def test_a_message_without_a_dev_addr_means_a_probes_only_session_and_none_of_several(tmp_path):
    second = {**SESSION.row, "dev_addr": "26011BDB"}
    one = Keys.load(write_keys(tmp_path / "one.csv", [SESSION.row]))
    two = Keys.load(write_keys(tmp_path / "two.csv", [SESSION.row, second]))
    assert one.app_s_key(SESSION.dev_eui, None) == SESSION.app_s_key
    assert two.app_s_key(SESSION.dev_eui, None) is None


def test_a_probe_or_session_that_is_not_there_has_no_keys(tmp_path):
    keys = Keys.load(write_keys(tmp_path / "keys.csv", [SESSION.row]))
    for known in (keys, Keys.none()):
        assert known.app_s_key(NEIGHBOUR.dev_eui, NEIGHBOUR.dev_addr) is None
        assert known.nwk_s_key(SESSION.dev_eui, "00000001") is None
        assert known.sessions_at("00000001") == ()


def test_columns_may_come_in_any_order_and_those_that_need_not_be_may_be_missing(tmp_path):
    path = written(tmp_path / "keys.csv", f"\ufeffapp_s_key,dev_eui\r\n{APP},{SESSION.dev_eui}\r\n\r\n")
    keys = Keys.load(path)
    assert keys.app_s_key(SESSION.dev_eui, SESSION.dev_addr) == SESSION.app_s_key
    assert keys.nwk_s_key(SESSION.dev_eui, SESSION.dev_addr) is None


@pytest.mark.parametrize("length", [16, 24, 32])
def test_a_wrapped_key_is_unwrapped_by_the_second_file_and_may_stand_beside_plain_ones(tmp_path, length):
    rows = [wrapped(SESSION, KEK[:length]), NEIGHBOUR.row]
    kek = written(tmp_path / "kek", KEK[:length].hex() + "\n")
    keys = Keys.load(write_keys(tmp_path / "keys.csv", rows), kek)
    assert keys.app_s_key(SESSION.dev_eui, SESSION.dev_addr) == SESSION.app_s_key
    assert keys.app_s_key(NEIGHBOUR.dev_eui, NEIGHBOUR.dev_addr) == NEIGHBOUR.app_s_key


# --- what is refused -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644, 0o620, 0o601])
def test_a_file_that_others_may_touch_is_refused_with_what_to_do(tmp_path, mode):
    path = write_keys(tmp_path / "keys.csv", [SESSION.row], mode)
    assert refusal(path) == (
        f"expected {path} to be readable by its owner alone (mode 0600), got mode {mode:04o}; run `chmod 600 {path}`"
    )


def test_a_key_encryption_key_that_others_may_read_is_refused_too(tmp_path):
    kek = written(tmp_path / "kek", KEK.hex(), 0o644)
    told = refusal(write_keys(tmp_path / "keys.csv", [wrapped(SESSION)]), kek)
    assert told.endswith(f"got mode 0644; run `chmod 600 {kek}`")


def test_a_file_that_is_not_there_or_no_text_is_told(tmp_path):
    assert refusal(tmp_path / "none.csv") == f"expected to read {tmp_path / 'none.csv'}, got No such file or directory"
    path = tmp_path / "keys.csv"
    path.write_bytes(HEADER.encode() + b"\n\xff\xfe" + APP.encode())
    path.chmod(0o600)
    assert refusal(path) == f"expected text in {path}, got bytes that are not UTF-8"


EUI = SESSION.dev_eui
NAMES = "keys.csv:1: expected a header of dev_eui, dev_addr, nwk_s_key, app_s_key"
AGAIN = "which line 2 has; keep the line of the session that is in use"
NO_KEK = (
    "expected the key encryption key that this key is wrapped by, got none; "
    "name its file (key_encryption_key_file in the settings)"
)
KEY_FORM = "expected 32 hex digits, or 48 of a wrapped key (RFC 3394)"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            f"dev_eui,app_s_key,note\n{EUI},{APP},x\n",
            f"{NAMES}, got another name in column 3; take the column out, or name it as here",
        ),
        (
            f"{EUI},,{NWK},{APP}\n",
            f"{NAMES}, got another name in column 1; take the column out, or name it as here",
        ),
        (f"dev_eui,dev_eui,app_s_key\n{EUI},{EUI},{APP}\n", f"{NAMES}, got dev_eui twice; leave one of them"),
        (f"dev_eui,nwk_s_key\n{EUI},{NWK}\n", f"{NAMES}, got no app_s_key; add the column"),
        (f"{HEADER}\n{EUI},{APP}\n", "keys.csv:2: expected 4 cells, as the header has, got 2"),
        (f"{HEADER}\n{EUI}F,,,{APP}\n", "keys.csv:2: dev_eui: expected 16 hex digits, got 17 hex digits"),
        (f"{HEADER}\n{APP},,,{EUI}\n", "keys.csv:2: dev_eui: expected 16 hex digits, got 32 hex digits"),
        (f"{HEADER}\n,,,{APP}\n", "keys.csv:2: dev_eui: expected 16 hex digits, got nothing"),
        (f"{HEADER}\n{EUI},{APP},,{APP}\n", "keys.csv:2: dev_addr: expected 8 hex digits, got 32 hex digits"),
        (
            f"{HEADER}\n{EUI},0x26011B,,{APP}\n",
            "keys.csv:2: dev_addr: expected 8 hex digits, got 8 characters that are not all hex",
        ),
        (f"{HEADER}\n{EUI},,,{APP[:-1]}\n", f"keys.csv:2: app_s_key: {KEY_FORM}, got 31 hex digits"),
        (f"{HEADER}\n{EUI},,{NWK}00,{APP}\n", f"keys.csv:2: nwk_s_key: {KEY_FORM}, got 34 hex digits"),
        (
            f"{HEADER}\n{EUI},,,{APP[:-1]}x\n",
            f"keys.csv:2: app_s_key: {KEY_FORM}, got 32 characters that are not all hex",
        ),
        (
            f"{HEADER}\n{EUI},26011BDA,,\n",
            "keys.csv:2: expected a key in app_s_key or nwk_s_key, got none; delete the line, or fill it in",
        ),
        (
            f"{HEADER}\n{EUI},,,{APP}\n\n{EUI.lower()},,,{NWK}\n",
            f"keys.csv:4: expected each session once, got {EUI} without a dev_addr again, {AGAIN}",
        ),
        (
            f"{HEADER}\n{EUI},26011BDA,,{APP}\n{EUI},26011bda,,{APP}\n",
            f"keys.csv:3: expected each session once, got {EUI} with dev_addr 26011BDA again, {AGAIN}",
        ),
        (
            f'{HEADER}\n{EUI},,,"{APP}\n',
            "keys.csv:2: expected comma-separated values (RFC 4180), got unexpected end of data",
        ),
        (
            f"{HEADER}\n{EUI},,,{APP}{APP[:16]}\n",
            f"keys.csv:2: app_s_key: {NO_KEK}",
        ),
    ],
)
def test_a_line_that_is_not_right_is_told_with_its_number_and_without_what_stands_there(tmp_path, text, expected):
    """A key may stand in the wrong column, or in the header's place."""
    assert refusal(written(tmp_path / "keys.csv", text)) == expected


def test_a_key_that_another_key_wrapped_is_told_by_line(tmp_path):
    kek = written(tmp_path / "kek", KEK[::-1].hex())
    assert refusal(write_keys(tmp_path / "keys.csv", [NEIGHBOUR.row, wrapped(SESSION)]), kek) == (
        "keys.csv:3: app_s_key: expected a key wrapped by this key encryption key (RFC 3394), "
        "got one wrapped by another, or damaged"
    )


@pytest.mark.parametrize(
    ("text", "came"),
    [(KEK.hex()[:-2], "62 hex digits"), ("kek-of-ours", "11 characters that are not all hex")],
)
def test_a_key_encryption_key_of_another_length_or_form_is_refused(tmp_path, text, came):
    kek = written(tmp_path / "kek", text)
    assert refusal(write_keys(tmp_path / "keys.csv", [wrapped(SESSION)]), kek) == (
        f"kek: expected a key encryption key of 32, 48 or 64 hex digits, got {came}"
    )


# --- what is never shown -------------------------------------------------------------------------------------------


def test_no_key_shows_where_keys_are_printed_formatted_or_logged(tmp_path, caplog):
    keys = Keys.load(write_keys(tmp_path / "keys.csv", [SESSION.row, NEIGHBOUR.row]))
    sessions = keys.sessions_at(SESSION.dev_addr)
    logging.getLogger("keys").warning("%s %r %s", keys, keys, sessions)
    shown = [repr(keys), str(keys), f"{keys}", repr(sessions), str(sessions[0]), caplog.text, repr([{"keys": keys}])]
    assert [secret for secret in SECRETS if any(secret in told for told in shown)] == []
    assert repr(keys) == "Keys(2 sessions of 2 probes)"
    assert not hasattr(keys, "__dict__")


@pytest.mark.parametrize("protocol", range(pickle.HIGHEST_PROTOCOL + 1))
def test_keys_are_not_pickled_or_copied(tmp_path, protocol):
    keys = Keys.load(write_keys(tmp_path / "keys.csv", [SESSION.row]))
    for kept in (keys, *keys.sessions_at(SESSION.dev_addr)):
        with pytest.raises(TypeError, match=r"^expected keys to stay in the process"):
            pickle.dumps(kept, protocol)
        with pytest.raises(TypeError, match=r"^expected keys to stay in the process"):
            copy.deepcopy(kept)


cells = st.sampled_from(
    ["", APP, NWK, EUI, "26011BDA", APP + APP[:16], APP[1:], '"', "\r", "\0", "dev_eui", "app_s_key", "ä"]
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(st.lists(cells, max_size=5).map(",".join), max_size=5), headed=st.booleans())
def test_whatever_the_file_holds_it_is_read_or_refused_with_a_sentence_that_tells_no_key(tmp_path, rows, headed):
    path = tmp_path / "any.csv"
    path.write_bytes("\n".join([HEADER, *rows] if headed else rows).encode())
    path.chmod(0o600)
    try:
        told = repr(Keys.load(path))
    except KeysError as problem:
        told = "".join(traceback.format_exception(problem))
    assert [secret for secret in SECRETS if secret in told] == []
