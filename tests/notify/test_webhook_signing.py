"""Signatures held against the specification's reference library and against an HMAC by the standard library."""

import base64
import hashlib
import hmac
import uuid
from datetime import UTC, datetime, timedelta, timezone

import pytest
from standardwebhooks import Webhook, WebhookVerificationError

from service.notify.signing import signed
from service.store.sealing import Seal, SealBroken
from service.store.webhooks import new_secret

DELIVERY = uuid.UUID("019f5b7c-2f60-7c3e-9a51-6d2f8e4b1a07")


def test_the_library_signs_as_the_specifications_other_libraries_do():
    """Vector of the JavaScript library of Standard Webhooks (`webhook.test.ts`, "sign function works"), version 1."""
    expected = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
    webhook = Webhook("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
    moment = datetime.fromtimestamp(1614265330, UTC)
    assert webhook.sign("msg_p5jXN8AQM9LWM0D4loKWxJek", moment, '{"test": 2432232314}') == expected


@pytest.mark.parametrize("offset", [0, -7, 5.5])
def test_header_fields_are_the_hmac_that_the_specification_describes(offset):
    """Worked by `hmac` and `hashlib` from the text of the specification: `{id}.{timestamp}.{body}`, by the octets that
    the secret stands for; whatever the offset of the time."""
    secrets = [new_secret(), new_secret()]
    sent_at = datetime(2026, 7, 14, 16, 2, 11, 318204, UTC).astimezone(timezone(timedelta(hours=offset)))
    body = '{"type":"webhook.ping","note":"24 °C"}'.encode()
    headers = signed(DELIVERY, sent_at, body, secrets)
    assert headers["webhook-id"] == str(DELIVERY)
    assert headers["webhook-timestamp"] == "1784044931"  # date -u -d 2026-07-14T16:02:11Z +%s
    told = str(DELIVERY).encode() + b".1784044931." + body
    expected = [
        b"v1," + base64.b64encode(hmac.digest(base64.b64decode(secret.removeprefix("whsec_")), told, hashlib.sha256))
        for secret in secrets
    ]
    assert headers["webhook-signature"].encode() == b" ".join(expected)


def test_the_library_verifies_with_either_secret_and_with_no_other():
    secrets, body = [new_secret(), new_secret()], b'{"type":"webhook.ping"}'
    headers = signed(DELIVERY, datetime.now(UTC), body, secrets)
    for secret in secrets:
        assert Webhook(secret).verify(body, headers) == {"type": "webhook.ping"}
    with pytest.raises(WebhookVerificationError):
        Webhook(new_secret()).verify(body, headers)
    with pytest.raises(WebhookVerificationError):
        Webhook(secrets[0]).verify(body + b" ", headers)


def test_a_secret_is_as_long_as_the_specification_asks():
    """24 to 64 octets."""
    secret = new_secret()
    assert secret.startswith("whsec_")
    assert 24 <= len(base64.b64decode(secret.removeprefix("whsec_"), validate=True)) <= 64
    assert new_secret() != secret


def test_sealed_secrets_open_under_old_and_new_keys_only():
    old, new = (base64.urlsafe_b64encode(bytes([number]) * 32).decode() for number in (1, 2))
    secret = new_secret()
    plain, sealed = Seal().seal(secret), Seal([old]).seal(secret)
    assert secret.encode() in plain
    assert secret.encode() not in sealed
    assert base64.b64decode(secret.removeprefix("whsec_")) not in sealed
    assert Seal([new, old]).open(sealed) == secret
    assert Seal([new]).open(plain) == secret
    for seal in (Seal(), Seal([new])):
        with pytest.raises(SealBroken):
            seal.open(sealed)
    assert Seal([new]).open(Seal([new, old]).seal(secret)) == secret
