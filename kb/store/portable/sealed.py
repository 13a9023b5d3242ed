"""A backup sealed with a passphrase: who does not know it can neither read it nor change it unseen.

The format is described in kb/store/backup/README.md. The key comes from the passphrase by scrypt (RFC 7914), the
content is encrypted and authenticated in chunks by ChaCha20-Poly1305 (RFC 8439); number and end of the chunks go
into their nonces, as in the STREAM construction (Hoang, Reyhanitabar, Rogaway and Vizár, Online Authenticated-
Encryption and its Nonce-Reuse Misuse-Resistance, CRYPTO 2015), so that none can be left out, put elsewhere or cut off.
"""

from __future__ import annotations

import base64
import hmac
import json
import secrets
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from kb import system
from kb.errors import BadInput
from kb.system import put_in_place

MAGIC = b"kb sealed 1\n"
CHUNK_BYTES = 1 << 16
_TAG_BYTES = 16
_SALT_BYTES, _KEY_BYTES, _CHECK_BYTES = 16, 32, 16
_LONGEST_HEAD = 1000
# 128 MB for some tenths of a second: what OWASP recommended for scrypt in 2023 (from memory). A file may ask for
# less work or four times the memory, and no more: it may come from anybody.
WORK = 1 << 17
_LEAST_WORK, _MOST_WORK = 1 << 14, 1 << 19
SHORTEST = 12


@dataclass(frozen=True, slots=True)
class _Head:
    work: int
    salt: bytes
    check: bytes
    raw: bytes


def key_of(passphrase: str, salt: bytes, *, work: int, length: int, r: int = 8, p: int = 1) -> bytes:
    """scrypt of a passphrase in Unicode's form NFKC, `length` bytes; `work` is N of RFC 7914."""
    # Loaded where it is wanted, which is seldom.
    from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

    text = unicodedata.normalize("NFKC", passphrase).encode()
    return Scrypt(salt=salt, length=length, n=work, r=r, p=p).derive(text)


def is_sealed(file: Path) -> bool:
    """Whether a file begins as sealed backups do."""
    with file.open("rb") as opened:
        return opened.read(len(MAGIC)) == MAGIC


def seal(source: Path, target: Path, passphrase: str, *, work: int = WORK) -> None:
    """Writes `source` sealed to `target`, reads it back, and then puts it in place.

    Raises BadInput for a passphrase that is too short.
    """
    if len(passphrase) < SHORTEST:
        raise BadInput(
            f"The passphrase has {len(passphrase)} of at least {SHORTEST} characters.",
            field="passphrase",
            remedy="Take some words that do not belong together.",
        )
    salt = secrets.token_bytes(_SALT_BYTES)
    made = key_of(passphrase, salt, work=work, length=_KEY_BYTES + _CHECK_BYTES)
    told = {
        "kdf": "scrypt",
        "n": work,
        "r": 8,
        "p": 1,
        "salt": base64.b64encode(salt).decode(),
        "check": base64.b64encode(made[_KEY_BYTES:]).decode(),
        "cipher": "ChaCha20-Poly1305",
        "chunk": CHUNK_BYTES,
    }
    head = MAGIC + json.dumps(told).encode() + b"\n"
    part = target.with_name(target.name + ".part")
    part.unlink(missing_ok=True)
    try:
        with source.open("rb") as plain, system.open_private(part, "wb") as sink:
            sink.write(head)
            for piece in _encrypted(plain, made[:_KEY_BYTES], head):
                sink.write(piece)
        with part.open("rb") as written, source.open("rb") as plain:
            for piece in _decrypted(part, written, passphrase):
                if plain.read(len(piece)) != piece:
                    raise BadInput("The sealed backup is not what was sealed.", remedy="Try again.")
        put_in_place(part, target)
    finally:
        part.unlink(missing_ok=True)


def unseal(file: Path, target: Path, passphrase: str) -> None:
    """Writes what a sealed backup holds to `target`. Raises BadInput for a wrong passphrase or a changed file."""
    try:
        with file.open("rb") as source, system.open_private(target, "wb") as sink:
            for piece in _decrypted(file, source, passphrase):
                sink.write(piece)
    except BadInput:
        target.unlink(missing_ok=True)
        raise


def _nonce(number: int, is_last: bool) -> bytes:
    """12 bytes: the number of the chunk, and whether it is the last. The key is that of one file only."""
    return number.to_bytes(11, "big") + bytes([is_last])


def _encrypted(plain: BinaryIO, key: bytes, head: bytes) -> Iterator[bytes]:
    from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305

    cipher, number, chunk = ChaCha20Poly1305(key), 0, plain.read(CHUNK_BYTES)
    while True:
        following = plain.read(CHUNK_BYTES)
        yield cipher.encrypt(_nonce(number, not following), chunk, head)
        if not following:
            return
        number, chunk = number + 1, following


def _decrypted(file: Path, source: BinaryIO, passphrase: str) -> Iterator[bytes]:
    from cryptography.exceptions import InvalidTag
    from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305

    head = _head_of(file, source)
    made = key_of(passphrase, head.salt, work=head.work, length=_KEY_BYTES + _CHECK_BYTES)
    if not hmac.compare_digest(made[_KEY_BYTES:], head.check):
        raise BadInput(
            f"This is not the passphrase that {file} was sealed with.",
            field="passphrase",
            remedy="Type it as it was typed then; capital letters and spaces count.",
        )
    cipher, number = ChaCha20Poly1305(made[:_KEY_BYTES]), 0
    chunk = source.read(CHUNK_BYTES + _TAG_BYTES)
    while True:
        following = source.read(CHUNK_BYTES + _TAG_BYTES)
        try:
            yield cipher.decrypt(_nonce(number, not following), chunk, head.raw)
        except InvalidTag as error:
            raise _not_whole(file, cipher, number, chunk, head.raw, bool(following)) from error
        if not following:
            return
        number, chunk = number + 1, following


def _not_whole(
    file: Path, cipher: object, number: int, chunk: bytes, head: bytes, has_more: bool
) -> BadInput:
    """What became of a file whose chunk is not what was sealed."""
    from cryptography.exceptions import InvalidTag
    from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305

    assert isinstance(cipher, ChaCha20Poly1305)
    remedy = "Choose another backup."
    try:
        cipher.decrypt(_nonce(number, has_more), chunk, head)
        what = "something was added behind its end" if has_more else "it is cut off"
    except InvalidTag:
        what = f"it was changed within the {CHUNK_BYTES:,} bytes from byte {number * CHUNK_BYTES:,} on"
        if not has_more and len(chunk) < CHUNK_BYTES + _TAG_BYTES:
            what = "it is cut off, or was changed near its end"
    return BadInput(f"{file} is not what was sealed: {what}.", field="file", remedy=remedy)


def _head_of(file: Path, source: BinaryIO) -> _Head:
    magic, line = source.read(len(MAGIC)), source.readline(_LONGEST_HEAD)
    try:
        told = json.loads(line)
        head = _Head(
            int(told["n"]),
            base64.b64decode(told["salt"], validate=True),
            base64.b64decode(told["check"], validate=True),
            magic + line,
        )
        is_ours = (
            (magic, told["kdf"], told["r"], told["p"]) == (MAGIC, "scrypt", 8, 1)
            and (told["cipher"], told["chunk"]) == ("ChaCha20-Poly1305", CHUNK_BYTES)
            and head.work in [1 << bits for bits in range(14, 20)]
            and _LEAST_WORK <= head.work <= _MOST_WORK
            and (len(head.salt), len(head.check)) == (_SALT_BYTES, _CHECK_BYTES)
        )
    except (ValueError, KeyError, TypeError) as error:
        raise _strange(file) from error
    if not is_ours:
        raise _strange(file)
    return head


def _strange(file: Path) -> BadInput:
    return BadInput(
        f"The beginning of {file} was changed, or a newer program sealed it.",
        field="file",
        remedy="Choose another backup.",
    )
