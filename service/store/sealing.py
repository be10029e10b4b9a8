"""Secrets at rest: what the service must be able to read again, sealed with a key that the database does not hold."""

from collections.abc import Sequence

from cryptography.fernet import Fernet, InvalidToken, MultiFernet

from service.errors import AirsideError

_PLAIN, _SEALED = b"plain:", b"fernet:"


class SealBroken(AirsideError):
    """A sealed secret cannot be opened with the keys at hand."""


class Seal:
    """Seals with Fernet (AES-128 in CBC mode with HMAC-SHA-256) under the first key, opens with any of them.

    Without a key secrets are kept as they are, so that who reads the database reads them too. What was kept so
    before there was a key can still be read.

    Parameters:
        keys: each 32 octets in URL-safe base64, the newest first.
    """

    def __init__(self, keys: Sequence[str] = ()) -> None:
        self._fernet = MultiFernet([Fernet(key) for key in keys]) if keys else None

    def seal(self, secret: str) -> bytes:
        """The secret as it is kept."""
        if self._fernet is None:
            return _PLAIN + secret.encode()
        return _SEALED + self._fernet.encrypt(secret.encode())

    def open(self, sealed: bytes) -> str:
        """The secret again.

        Raises:
            SealBroken: none of the keys fits.
        """
        if sealed.startswith(_PLAIN):
            return sealed.removeprefix(_PLAIN).decode()
        if self._fernet is None or not sealed.startswith(_SEALED):
            raise SealBroken
        try:
            return self._fernet.decrypt(sealed.removeprefix(_SEALED)).decode()
        except InvalidToken:
            raise SealBroken from None
