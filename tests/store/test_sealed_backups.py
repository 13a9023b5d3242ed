"""Backups sealed with a passphrase: every change of the file is noticed, and each fault has its sentence."""

from __future__ import annotations

import base64
import json
import random
import tomllib
from pathlib import Path
from typing import Any

import commands
import pytest
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
from factories import a_case, a_family, bring, settings_in, shop_in
from processes import bare_environment

from kb.errors import BadInput
from kb.service import Shop
from kb.service.operate import backup_files
from kb.store.portable import sealed
from kb.store.portable.sealed import CHUNK_BYTES, MAGIC, is_sealed, key_of, seal, unseal

pytestmark = pytest.mark.once("files, whatever database they come from")
PASSPHRASE = "lantern gravel outboard tuesday"
LITTLE_WORK = 1 << 14  # the least that is taken, so that hundreds of keys do not take minutes
VECTORS: dict[str, list[dict[str, Any]]] = tomllib.loads(
    (Path(__file__).parents[1] / "published" / "data" / "sealing_vectors.toml").read_text(encoding="utf-8")
)


def parameters(given: dict[str, Any]) -> bytes:
    return bytes.fromhex(given.replace(" ", "")) if isinstance(given, str) else b""


@pytest.mark.parametrize("vector", VECTORS["scrypt"], ids=lambda vector: f"N={vector['n']}")
def test_the_key_is_scrypt_of_rfc_7914(vector: dict[str, Any]) -> None:
    made = key_of(
        vector["password"],
        vector["salt"].encode(),
        work=vector["n"],
        length=64,
        r=vector["r"],
        p=vector["p"],
    )
    assert made == bytes.fromhex(vector["key"])


def test_the_cipher_is_that_of_rfc_8439() -> None:
    (vector,) = VECTORS["chacha20_poly1305"]
    cipher = ChaCha20Poly1305(bytes.fromhex(vector["key"]))
    sent = cipher.encrypt(
        bytes.fromhex(vector["nonce"]), vector["plaintext"].encode(), bytes.fromhex(vector["aad"])
    )
    assert sent == bytes.fromhex(vector["ciphertext"]) + bytes.fromhex(vector["tag"])


@pytest.fixture(scope="module")
def sealed_file(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, bytes]:
    """(what was sealed: three whole chunks and a bit, the sealed file)."""
    folder = tmp_path_factory.mktemp("sealed")
    plain = random.Random(11).randbytes(3 * CHUNK_BYTES + 777)
    (folder / "plain").write_bytes(plain)
    seal(folder / "plain", folder / "sealed", PASSPHRASE, work=LITTLE_WORK)
    return plain, (folder / "sealed").read_bytes()


def opened(folder: Path, content: bytes, passphrase: str = PASSPHRASE) -> bytes:
    (folder / "given").write_bytes(content)
    unseal(folder / "given", folder / "out", passphrase)
    return (folder / "out").read_bytes()


@pytest.mark.parametrize("size", [0, 1, CHUNK_BYTES - 1, CHUNK_BYTES, CHUNK_BYTES + 1, 2 * CHUNK_BYTES])
def test_what_was_sealed_comes_out_whatever_its_size(tmp_path: Path, size: int) -> None:
    plain = random.Random(size).randbytes(size)
    (tmp_path / "plain").write_bytes(plain)
    seal(tmp_path / "plain", tmp_path / "sealed", PASSPHRASE, work=LITTLE_WORK)
    content = (tmp_path / "sealed").read_bytes()
    assert is_sealed(tmp_path / "sealed")
    assert not is_sealed(tmp_path / "plain")
    assert opened(tmp_path, content) == plain
    assert (tmp_path / "sealed").stat().st_mode & 0o077 == 0
    assert size < 16 or plain[:16] not in content


def test_anybody_can_open_it_who_follows_the_format(sealed_file: tuple[bytes, bytes]) -> None:
    """Read as kb/store/backup/README.md describes it, with the standard library's scrypt."""
    import hashlib

    plain, content = sealed_file
    assert content.startswith(b"kb sealed 1\n")
    end = content.index(b"\n", 12) + 1
    head = json.loads(content[12:end])
    made = hashlib.scrypt(
        PASSPHRASE.encode(),
        salt=base64.b64decode(head["salt"]),
        n=head["n"],
        r=8,
        p=1,
        maxmem=1 << 28,
        dklen=48,
    )
    assert made[32:] == base64.b64decode(head["check"])
    rest, found, number = content[end:], b"", 0
    while rest:
        chunk, rest = rest[: 65_536 + 16], rest[65_536 + 16 :]
        nonce = number.to_bytes(11, "big") + (b"\0" if rest else b"\1")
        found += ChaCha20Poly1305(made[:32]).decrypt(nonce, chunk, content[:end])
        number += 1
    assert found == plain


def test_a_wrong_passphrase_is_called_that(sealed_file: tuple[bytes, bytes], tmp_path: Path) -> None:
    _, content = sealed_file
    for wrong in (PASSPHRASE.upper(), PASSPHRASE + " ", ""):
        with pytest.raises(BadInput, match="not the passphrase") as caught:
            opened(tmp_path, content, wrong)
        assert caught.value.field == "passphrase"
        assert not (tmp_path / "out").exists()


def test_letters_written_in_another_way_are_the_same_passphrase(tmp_path: Path) -> None:
    (tmp_path / "plain").write_bytes(b"records")
    seal(tmp_path / "plain", tmp_path / "sealed", "Fähre über Ærø", work=LITTLE_WORK)
    assert opened(tmp_path, (tmp_path / "sealed").read_bytes(), "Fa\u0308hre u\u0308ber Ærø") == b"records"


def test_no_byte_can_be_changed_unseen(
    sealed_file: tuple[bytes, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every byte of the head, and some hundred of the content; the key is worked out once for each salt."""
    _, content = sealed_file
    known: dict[tuple[Any, ...], bytes] = {}
    real = sealed.key_of

    def once(passphrase: str, salt: bytes, **options: int) -> bytes:
        key = (passphrase, salt, *sorted(options.items()))
        if key not in known:
            known[key] = real(passphrase, salt, **options)  # type: ignore[arg-type]
        return known[key]

    monkeypatch.setattr(sealed, "key_of", once)
    head = content.index(b"\n", len(MAGIC)) + 1
    chance = random.Random(12)
    places = [*range(head), *(chance.randrange(head, len(content)) for _ in range(200)), len(content) - 1]
    told: dict[str, int] = {}
    for place in places:
        bad = bytearray(content)
        bad[place] ^= 1 << chance.randrange(8)
        with pytest.raises(BadInput) as caught:
            opened(tmp_path, bytes(bad))
        kind = caught.value.message.partition("given")[2][:40] or caught.value.message[:40]
        told[kind] = told.get(kind, 0) + 1
        assert not (tmp_path / "out").exists()
    assert sum(count for kind, count in told.items() if "not what was sealed" in kind) >= 200


def test_chunks_cannot_be_left_out_exchanged_repeated_cut_off_or_added(
    sealed_file: tuple[bytes, bytes], tmp_path: Path
) -> None:
    _, content = sealed_file
    head = content.index(b"\n", len(MAGIC)) + 1
    size = CHUNK_BYTES + 16
    first, second, third, last = (content[head + n * size : head + (n + 1) * size] for n in range(4))
    start = content[:head]
    for made, told in {
        start + second + third + last: "changed within",
        start + second + first + third + last: "changed within",
        start + first + first + second + third + last: "changed within",
        start + first + second + third: "it is cut off",
        start + first: "it is cut off",
        start: "cut off, or was changed near its end",
        content[:-1]: "cut off, or was changed near its end",
        content[: head + size + 5]: "cut off, or was changed near its end",
        content + b"x": "changed near its end",
        content + last: "changed near its end",
        content + content[head:]: "changed within",
    }.items():
        with pytest.raises(BadInput, match="is not what was sealed") as caught:
            opened(tmp_path, made)
        assert told in caught.value.message, caught.value.message


def test_a_head_that_asks_for_too_much_or_too_little_is_refused(
    sealed_file: tuple[bytes, bytes], tmp_path: Path
) -> None:
    _, content = sealed_file
    end = content.index(b"\n", len(MAGIC)) + 1
    head = json.loads(content[len(MAGIC) : end])
    for changes in (
        {"n": 1 << 24},
        {"n": 1 << 10},
        {"n": 3 << 14},
        {"n": "many"},
        {"r": 1_000},
        {"chunk": 1},
        {"cipher": "none"},
        {"salt": "AA=="},
    ):
        raw = MAGIC + json.dumps({**head, **changes}).encode() + b"\n"
        with pytest.raises(BadInput, match="The beginning of"):
            opened(tmp_path, raw + content[end:])


def test_a_short_passphrase_is_refused(tmp_path: Path) -> None:
    (tmp_path / "plain").write_bytes(b"records")
    with pytest.raises(BadInput, match="7 of at least 12"):
        seal(tmp_path / "plain", tmp_path / "sealed", "seaweed")
    assert not (tmp_path / "sealed").exists()


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    made = shop_in(tmp_path / "data")
    assert bring(made, a_family(), a_case("one")).saved
    return made


def test_a_sealed_backup_is_restored_with_its_passphrase_only(shop: Shop, tmp_path: Path) -> None:
    target = tmp_path / "away.sealed"
    manifest = backup_files.back_up(shop.settings, target, passphrase=PASSPHRASE)
    shop.close()
    assert manifest.counts["case"] == 1
    assert b"PK\x03\x04" not in target.read_bytes()[:2_000]
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []
    elsewhere = settings_in(tmp_path / "elsewhere")
    with pytest.raises(BadInput, match="is sealed"):
        backup_files.restore(elsewhere, target)
    with pytest.raises(BadInput, match="not the passphrase"):
        backup_files.restore(elsewhere, target, lambda: "another one altogether")
    assert not elsewhere.store_file.exists()
    backup_files.restore(elsewhere, target, lambda: PASSPHRASE)
    again = Shop.open(elsewhere)
    assert again.store.identity == shop.store.identity
    again.close()


def test_the_commands_ask_for_the_passphrase(shop: Shop, tmp_path: Path) -> None:
    shop.close()
    environment = bare_environment(
        KB_DATA=str(shop.settings.data), KB_DATABASE_URL=shop.settings.database_url
    )
    target = str(tmp_path / "away.sealed")
    typed = f"{PASSPHRASE}\n".encode()
    done = commands.run(["backup", target, "--passphrase"], environment, stdin=typed)
    assert done.returncode == 0, done.stderr
    wrong = commands.run(["restore", target], environment, stdin=b"something else entirely\n")
    assert wrong.returncode == 1
    assert b"not the passphrase" in wrong.stderr
    assert len(wrong.stderr.splitlines()) == 1
    right = commands.run(["restore", target], environment, stdin=typed)
    assert right.returncode == 0, right.stderr
