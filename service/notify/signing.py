"""Header fields of a delivery, as the Standard Webhooks specification has them."""

import uuid
from collections.abc import Sequence
from datetime import UTC, datetime

from standardwebhooks import Webhook


def signed(delivery_id: uuid.UUID, sent_at: datetime, body: bytes, secrets: Sequence[str]) -> dict[str, str]:
    """Id, time and signatures, one for each secret, so that a receiver may change from one to the next.

    Parameters
    ----------
    sent_at : of this try, with offset; receivers refuse what is older than a few minutes
    secrets : `whsec_` and base64, the current one first
    """
    moment = sent_at.astimezone(UTC)
    signatures = (Webhook(secret).sign(str(delivery_id), moment, body.decode()) for secret in secrets)
    return {
        "webhook-id": str(delivery_id),
        "webhook-timestamp": str(int(moment.timestamp())),
        "webhook-signature": " ".join(signatures),
    }
