"""What the store may know: patients and facts as keyed hashes, free text and decisions only encrypted."""

from __future__ import annotations

import hashlib
import hmac
import json
import secrets
from collections.abc import Mapping
from typing import Any

from cryptography.fernet import Fernet, InvalidToken, MultiFernet
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from cds.settings import StoreSettings
from rules.errors import NuqueError


class SecrecyError(NuqueError):
    """A key is missing or cannot be used."""


class Secrecy:
    """The site's secrets at work."""

    def __init__(self, settings: StoreSettings, *, made_up: bool) -> None:
        """``made_up``: a pseudonym key may be made up where none is set; hashes then mean nothing after a restart.

        Raises SecrecyError.
        """
        if settings.pseudonym_key is not None:
            self._key = settings.pseudonym_key.get_secret_value().encode()
        elif made_up:
            self._key = secrets.token_bytes(32)
        else:
            raise SecrecyError(
                "NUQUE_PSEUDONYM_KEY: needed unless NUQUE_TRUST is 'open'; a secret of at least 32 characters, the same in "
                "every worker and kept: without it nobody can tell which entries are of one patient"
            )
        try:
            keys = [Fernet(key.get_secret_value()) for key in settings.record_keys]
        except ValueError as error:
            raise SecrecyError(f"NUQUE_RECORD_KEYS: {error} docs/settings.md says how to make one") from error
        self._sealer = MultiFernet(keys) if keys else None

    @property
    def seals(self) -> bool:
        """Whether there is a key to encrypt with."""
        return self._sealer is not None

    def patient(self, namespace: str, patient_id: str) -> str:
        """The keyed hash of the patient ``patient_id`` of ``namespace``."""
        return self._hash("patient", namespace, patient_id)

    def text(self, text: str) -> str:
        """The keyed hash of a ``text`` that may be anything: a name, or a number that could be tried out."""
        return self._hash("text", text)

    def facts(self, facts: Mapping[str, Any]) -> str:
        """The keyed hash of ``facts`` (plain JSON values); unkeyed, the few possible values could be tried out."""
        return self._hash("facts", json.dumps(facts, sort_keys=True, default=str))

    def derived(self, purpose: str) -> bytes:
        """A key for one ``purpose``, from the same secret and so shared by all workers; it tells nothing of the secret."""
        return HKDF(SHA256(), 32, salt=None, info=f"nuque {purpose}".encode()).derive(self._key)

    def _hash(self, *parts: str) -> str:
        message = "\0".join(parts).encode("utf-8", "surrogatepass")
        return hmac.new(self._key, message, hashlib.sha256).hexdigest()

    def seal(self, text: str) -> bytes | None:
        """``text`` encrypted, or None where there is no key."""
        return None if self._sealer is None else self._sealer.encrypt(text.encode())

    def unseal(self, sealed: bytes) -> str:
        """The text in ``sealed``. Raises SecrecyError where no key fits."""
        if self._sealer is None:
            raise SecrecyError("NUQUE_RECORD_KEYS: needed to read what is encrypted")
        try:
            return self._sealer.decrypt(sealed).decode()
        except InvalidToken as error:
            raise SecrecyError("NUQUE_RECORD_KEYS: no key fits this record") from error
