"""The cookies: who is signed in, the mark of a browser in which somebody has signed in before, and that of the
browser that a one-time address let in.

They are signed (itsdangerous), so that a forged one is refused before the store is asked. Behind TLS
they are Secure and their names begin with `__Host-`, which a browser then takes from this host alone.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
from pathlib import Path

from itsdangerous import BadSignature, Signer, TimestampSigner
from starlette.datastructures import Headers

from kb import system
from kb.errors import StoreTrouble

_DEVICE_S = 400 * 86_400
_TICKET_S = 300


class Cookies:
    """Writes and reads the cookies. `key` signs them; `tls` says whether browsers come by HTTPS."""

    def __init__(self, key: str, *, tls: bool, session_s: int) -> None:
        prefix = "__Host-" if tls else ""
        self.owner_name = f"{prefix}kb_owner"
        self.session_name, self.device_name = f"{prefix}kb_session", f"{prefix}kb_browser"
        self._tls = tls
        self._session_s = session_s
        self._session = TimestampSigner(
            key, salt="session", key_derivation="hmac", digest_method=hashlib.sha256
        )
        self._device = Signer(key, salt="browser", key_derivation="hmac", digest_method=hashlib.sha256)
        self._ticket = TimestampSigner(
            key, salt="ticket", key_derivation="hmac", digest_method=hashlib.sha256
        )
        self._owner = Signer(key, salt="owner", key_derivation="hmac", digest_method=hashlib.sha256)

    def session_in(self, headers: Headers) -> str | None:
        """The key of the session that a request carries, None where it carries none we have signed."""
        try:
            signed = self._value(headers, self.session_name)
            return self._session.unsign(signed, max_age=self._session_s).decode("ascii")
        except (BadSignature, UnicodeError):
            return None

    def session(self, key: str) -> str:
        """A Set-Cookie header; the cookie ends with the browser."""
        return self._set(self.session_name, self._session.sign(key).decode("ascii"))

    def no_session(self) -> str:
        """A Set-Cookie header that takes the cookie away."""
        return self._set(self.session_name, "", 0)

    def device_in(self, headers: Headers, person_id: int | None) -> str:
        """The mark of a browser that has signed in to that account before, "" for any other."""
        try:
            text = self._device.unsign(self._value(headers, self.device_name)).decode("ascii")
        except (BadSignature, UnicodeError):
            return ""
        owner, _, mark = text.partition(".")
        return mark if person_id is not None and owner == str(person_id) else ""

    def device(self, person_id: int, mark: str = "") -> str:
        """A Set-Cookie header that marks a browser for an account."""
        text = f"{person_id}.{mark or secrets.token_urlsafe(16)}"
        return self._set(self.device_name, self._device.sign(text).decode("ascii"), _DEVICE_S)

    def ticket(self, person_id: int, password_hash: str) -> str:
        """What a page carries between the password and the code: that the password of an account was right."""
        return self._ticket.sign(f"{person_id}.{_mark(password_hash)}").decode("ascii")

    def person_of_ticket(self, ticket: str) -> tuple[int, str] | None:
        """(account, mark of the password it had), None for a ticket that is not ours or is too old."""
        try:
            text = self._ticket.unsign(ticket, max_age=_TICKET_S).decode("ascii")
            person_id, _, mark = text.partition(".")
            return int(person_id), mark
        except (BadSignature, UnicodeError, ValueError):
            return None

    @staticmethod
    def has_mark(password_hash: str, mark: str) -> bool:
        """Whether the account still has the password that was typed."""
        return hmac.compare_digest(_mark(password_hash), mark)

    def is_owner(self, headers: Headers) -> bool:
        """Whether the browser was let in by the one-time address."""
        return self._owner.validate(self._value(headers, self.owner_name))

    def owner(self) -> str:
        """A Set-Cookie header that lets a browser in for good."""
        signed = self._owner.sign(secrets.token_urlsafe(16)).decode("ascii")
        return self._set(self.owner_name, signed, _DEVICE_S)

    def _set(self, name: str, value: str, max_age: int | None = None) -> str:
        parts = [f"{name}={value}", "Path=/", "HttpOnly", "SameSite=Lax"]
        parts += ["Secure"] if self._tls else []
        parts += [] if max_age is None else [f"Max-Age={max_age}"]
        return "; ".join(parts)

    @staticmethod
    def _value(headers: Headers, name: str) -> str:
        pairs = [
            part.strip().partition("=") for header in headers.getlist("cookie") for part in header.split(";")
        ]
        found = [value.strip() for given, _, value in pairs if given == name]
        # Two of one name come from somebody who plants cookies; neither is believed.
        return found[0] if len(found) == 1 and found[0].isascii() else ""


def _mark(password_hash: str) -> str:
    return hashlib.sha256(password_hash.encode()).hexdigest()[:32]


def signing_key(file: Path) -> str:
    """The key kept in a file, made at the first start for its owner's eyes only.

    Several servers that share one database use the same file. Raises StoreTrouble where it cannot be
    read or made, or is no key.
    """
    try:
        file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        if not file.exists():
            _make_key(file)
        if file.stat().st_mode & 0o077:
            file.chmod(0o600)
        key = file.read_text(encoding="ascii").strip()
    except (OSError, UnicodeError) as error:
        raise StoreTrouble(
            f"The key that signs sign-ins cannot be read or made: {file}.",
            remedy="Give this user the right to write to the data folder.",
        ) from error
    if len(key) < 32:
        raise StoreTrouble(
            f"The file {file} holds no key.", remedy="Delete it; everybody signs in again then."
        )
    return key


def _make_key(file: Path) -> None:
    """Makes the file whole or not at all; of two servers that start at once, both use the first one's."""
    part = file.with_name(f"{file.name}.{secrets.token_hex(4)}")
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(handle, "w", encoding="ascii", newline="\n") as made:
            made.write(secrets.token_urlsafe(48) + "\n")
            made.flush()
            system.sync(made.fileno())
        system.put_in_free_place(part, file)
    finally:
        part.unlink(missing_ok=True)
