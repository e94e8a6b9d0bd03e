"""Signatures after the Standard Webhooks specification 1.0.0, and bearer tokens after RFC 6750.

The two vectors of codes are ours: made once with `openssl dgst -sha256 -mac HMAC -macopt hexkey:KEY -binary | base64`
over `ID.TIMESTAMP.BODY`, in the shape that the specification gives. That HMAC-SHA256 itself is right is shown by test
case 2 of RFC 4231.
"""

from __future__ import annotations

import base64
import hashlib
import hmac

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loamline.edges.webhook_signature import (
    Guard,
    NotProvenError,
    Proof,
    SecretError,
    parse_secret,
    parse_token,
    sign,
)

NOW_S = 1_780_000_000
#: Ours: the bytes 0 to 31, and 32 to 63.
SECRET = "whsec_AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8="  # noqa: S105 - known to nobody else
OTHER = "whsec_ICEiIyQlJicoKSorLC0uLzAxMjM0NTY3ODk6Ozw9Pj8="
BODY = b'{"dev_eui": "02BB000000000001"}'
TOKEN = "0123456789abcdef0123456789abcdef"  # noqa: S105


def signed(
    secret: str = SECRET, body: bytes = BODY, at_s: int = NOW_S, webhook_id: str = "uplink-1", signature: str = ""
) -> Proof:
    return Proof(
        None, webhook_id.encode(), str(at_s).encode(), (signature or sign(secret, webhook_id, at_s, body)).encode()
    )


def guard(*secrets: str, tokens: tuple[str, ...] = (), tolerance_s: int = 300) -> Guard:
    return Guard(tuple(map(parse_secret, secrets)), tuple(map(parse_token, tokens)), tolerance_s)


def let_in(guard: Guard, proof: Proof, body: bytes = BODY, now_s: float = NOW_S) -> None:
    if guard.before_the_body(proof, now_s):
        guard.check_body(proof, body)


def refused(guard: Guard, proof: Proof, body: bytes = BODY, now_s: float = NOW_S) -> str:
    with pytest.raises(NotProvenError) as problem:
        let_in(guard, proof, body, now_s)
    return str(problem.value)


def test_hmac_sha256_gives_test_case_2_of_rfc_4231() -> None:
    """Key "Jefe", the question of Hamlet's; the code as printed there."""
    code = hmac.digest(b"Jefe", b"what do ya want for nothing?", hashlib.sha256).hex()
    assert code == "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"


@pytest.mark.parametrize(
    ("secret", "webhook_id", "at_s", "body", "expected"),
    [
        (SECRET, "uplink-1", NOW_S, BODY, "v1,xtWxLYka4Nb8NLUdamZgIXW3NV17DlXnvk64kHXWApQ="),
        (OTHER, "a", 1, b"", "v1,P3ftnacgTExtr1XURIF4M7Fi1mr7pbtTJ5g/IwVuRKY="),
    ],
)
def test_a_code_is_that_of_an_independent_program(
    secret: str, webhook_id: str, at_s: int, body: bytes, expected: str
) -> None:
    """Our vectors, by openssl."""
    assert sign(secret, webhook_id, at_s, body) == expected


def test_what_is_signed_with_a_known_secret_comes_in() -> None:
    let_in(guard(SECRET), signed())


@pytest.mark.parametrize("secret", [SECRET, OTHER])
def test_while_secrets_change_the_old_and_the_new_are_good(secret: str) -> None:
    let_in(guard(OTHER, SECRET), signed(secret))


def test_one_good_signature_among_several_is_enough() -> None:
    """Also beside those of other versions, and beside garbage."""
    good = sign(SECRET, "uplink-1", NOW_S, BODY)
    bad = sign(OTHER, "uplink-1", NOW_S, BODY)
    let_in(guard(SECRET), signed(signature=f"v1a,{bad[3:]} v1,%%% {bad} v1 {good}"))


@given(st.binary(max_size=60), st.binary(max_size=60), st.integers(0, 2**40), st.text("abc.-", min_size=1))
def test_a_signature_is_good_for_the_very_bytes_alone(body: bytes, other: bytes, at_s: int, webhook_id: str) -> None:
    proof = signed(body=body, at_s=at_s, webhook_id=webhook_id)
    let_in(guard(SECRET), proof, body, at_s)
    if other != body:
        assert "that are not" in refused(guard(SECRET), proof, other, at_s)


def test_a_signature_is_good_for_its_id_and_time_alone() -> None:
    """Both are part of what is signed."""
    signature = sign(SECRET, "uplink-1", NOW_S, BODY)
    refused(guard(SECRET), signed(signature=signature, webhook_id="uplink-2"))
    refused(guard(SECRET), signed(signature=signature, at_s=NOW_S + 1))


@pytest.mark.parametrize("off_s", [-300, 0, 300])
def test_a_signature_is_good_for_five_minutes(off_s: int) -> None:
    let_in(guard(SECRET), signed(), now_s=NOW_S + off_s)


@pytest.mark.parametrize(("off_s", "side"), [(301, "behind"), (-301, "ahead of")])
def test_no_longer_and_no_sooner(off_s: int, side: str) -> None:
    assert refused(guard(SECRET), signed(), now_s=NOW_S + off_s) == (
        f"expected webhook-timestamp within 300 s of our clock, got 301 s {side} it; "
        "check both clocks, and that each attempt is signed anew"
    )


@pytest.mark.parametrize("told", [b"", b"-1", b"1e9", b"1.5", b" 1", b"9" * 16, b"\xd9\xa1", b"\xff"])
def test_a_time_that_is_no_unix_seconds_is_refused(told: bytes) -> None:
    assert "webhook-timestamp" in refused(guard(SECRET), Proof(None, b"a", told, b"v1,AAAA"))


def test_what_is_missing_is_named() -> None:
    assert refused(guard(SECRET), Proof()) == (
        "expected the headers webhook-id, webhook-timestamp, webhook-signature, "
        "got no webhook-id, no webhook-timestamp, no webhook-signature"
    )
    assert "or Authorization with a bearer token" in refused(guard(SECRET, tokens=(TOKEN,)), Proof())
    assert refused(guard(tokens=(TOKEN,)), Proof()) == "expected the header Authorization with a bearer token, got none"


def test_a_bearer_token_comes_in_whatever_the_body() -> None:
    """The scheme's name is in any case (RFC 9110, 11.1)."""
    for scheme in (b"Bearer ", b"bearer  ", b"BEARER "):
        let_in(guard(SECRET, tokens=("f" * 16, TOKEN)), Proof(scheme + TOKEN.encode()))


@pytest.mark.parametrize(
    "told", [b"", b"Bearer", b"Bearer ", b"Basic " + TOKEN.encode(), b"Bearer " + b"f" * 32, b"\xff"]
)
def test_another_token_is_refused(told: bytes) -> None:
    refused(guard(tokens=(TOKEN,)), Proof(told))


def test_a_token_that_is_refused_does_not_spoil_a_good_signature() -> None:
    """A proxy may put an Authorization of its own there."""
    good = signed()
    let_in(
        guard(SECRET, tokens=(TOKEN,)),
        Proof(b"Basic x", good.webhook_id, good.webhook_timestamp, good.webhook_signature),
    )


def test_without_secrets_and_tokens_anybody_comes_in() -> None:
    assert Guard().open
    let_in(Guard(), Proof())


@pytest.mark.parametrize(
    ("text", "got"),
    [
        ("whsec_%%%%", "text that is not base64"),
        ("whsec_" + base64.b64encode(bytes(23)).decode(), "23 bytes"),
        ("whsec_" + base64.b64encode(bytes(65)).decode(), "65 bytes"),
        ("whsec_é", "text that is not base64"),
        ("", "0 bytes"),
    ],
)
def test_a_weak_or_broken_secret_is_refused_without_being_shown(text: str, got: str) -> None:
    """24 to 64 bytes, as the specification asks."""
    with pytest.raises(SecretError) as problem:
        parse_secret(text)
    assert f"got {got};" in str(problem.value)
    assert len(text) < 10 or text not in str(problem.value)


@pytest.mark.parametrize("text", ["short", "with a blank in the middle", "ümlaut-ümlaut-ümlaut"])
def test_a_token_that_is_none_is_refused_without_being_shown(text: str) -> None:
    with pytest.raises(SecretError) as problem:
        parse_token(text)
    assert text not in str(problem.value)


def test_nothing_shows_a_secret_a_token_or_a_signature() -> None:
    """Neither what holds them nor any refusal."""
    known = guard(SECRET, tokens=(TOKEN,))
    proof = signed(OTHER)
    shown = f"{known} {known!r} {proof} {refused(known, proof)} {refused(known, Proof(b'Bearer ' + b'x' * 16))}"
    key = parse_secret(SECRET)
    for secret in (SECRET[6:], TOKEN, repr(key), key.hex(), (proof.webhook_signature or b"").decode(), "xxxx"):
        assert secret not in shown
