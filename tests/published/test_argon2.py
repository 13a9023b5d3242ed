"""Passwords: the hash held against RFC 9106, and the rules against what is published about passwords."""

from __future__ import annotations

import re
import unicodedata

import argon2
import pytest
from argon2.low_level import Type, ffi, lib

from kb.errors import BadInput
from kb.service.accounts import passwords


def test_the_library_gives_the_tag_of_rfc_9106_section_5_3() -> None:
    """Argon2id with 3 passes, 32 KiB, 4 lanes, a secret and associated data, as the RFC's test vector."""
    tag, password = ffi.new("uint8_t[32]"), ffi.new("uint8_t[32]", b"\x01" * 32)
    salt, secret = ffi.new("uint8_t[16]", b"\x02" * 16), ffi.new("uint8_t[8]", b"\x03" * 8)
    more = ffi.new("uint8_t[12]", b"\x04" * 12)
    context = ffi.new(
        "argon2_context *",
        {
            "version": 0x13,
            "out": tag,
            "outlen": 32,
            "pwd": password,
            "pwdlen": 32,
            "salt": salt,
            "saltlen": 16,
            "secret": secret,
            "secretlen": 8,
            "ad": more,
            "adlen": 12,
            "t_cost": 3,
            "m_cost": 32,
            "lanes": 4,
            "threads": 1,
            "allocate_cbk": ffi.NULL,
            "free_cbk": ffi.NULL,
            "flags": lib.ARGON2_DEFAULT_FLAGS,
        },
    )
    assert argon2.low_level.core(context, Type.ID.value) == 0
    assert bytes(ffi.buffer(tag)).hex() == (
        "0d640df58d78766c08c037a34a8b53c9d01ef0452d75b65eb52520e96b01e659"
    )


def test_what_is_kept_is_the_second_recommended_choice_of_rfc_9106_section_4() -> None:
    """3 passes over 64 MiB in 4 lanes, a salt of 128 bits and a tag of 256 bits."""
    kept = passwords.hashed("lantern gravel outboard tuesday")
    found = argon2.extract_parameters(kept)
    assert found == argon2.profiles.RFC_9106_LOW_MEMORY
    assert (found.time_cost, found.memory_cost, found.parallelism) == (3, 65_536, 4)
    assert (found.salt_len, found.hash_len) == (16, 32)
    assert kept != passwords.hashed("lantern gravel outboard tuesday")


def test_only_the_password_itself_matches() -> None:
    kept = passwords.hashed("lantern gravel outboard tuesday")
    assert passwords.matches(kept, "lantern gravel outboard tuesday")
    for other in ("lantern gravel outboard Tuesday", "lantern gravel outboard tuesday ", "", "x" * 5000):
        assert not passwords.matches(kept, other)
    assert not passwords.matches("", "")
    assert not passwords.matches("no hash", "no hash")


def test_a_letter_composed_otherwise_is_the_same_letter() -> None:
    """NIST SP 800-63B, 5.1.1.2 (from memory): normalise with NFKC or NFKD before hashing."""
    composed, decomposed = "Möwe über Überlingen", unicodedata.normalize("NFD", "Möwe über Überlingen")
    assert composed != decomposed
    assert passwords.matches(passwords.hashed(composed), decomposed)


# ASVS 4.0.3 2.1.1, 2.1.2, 2.1.4, 2.1.7 and 2.1.9, from memory: at least 12 characters, 64 and more allowed and
# over 128 refused, any characters, none of the commonest, no rules about kinds of characters.
@pytest.mark.parametrize(
    "password",
    [
        "lantern gravel outboard tuesday",
        "fjord kelp 9 winch",
        "кот ходит по причалу",
        "🛶⚓🐟🪝🦀🧭🛟🌊⛵🐙🦑🦞",
        "sevenhorseswalkslowlyuphill",
        "7281 0046 9913 5527 8846",
        "one lantern hangs over the slip where two old ferries wait for parts that nobody "
        "has made for years, so we mend the old ones 7x",
        "lantern  gravel  outboard",
    ],
)
def test_long_passwords_of_any_characters_are_taken(password: str) -> None:
    assert passwords.check(password, "owner", "the harbour bench")


@pytest.mark.parametrize(
    ("password", "why"),
    [
        ("", "0 of at least 12"),
        ("password password", "guessed"),
        ("elevenchars", "11 of at least 12"),
        ("x" * 129, "longer than 128"),
        ("q9!" * 43, "longer than 128"),
        ("passwordpassword", "guessed"),
        ("password12345", "guessed"),
        ("123456789012", "guessed"),
        ("qwertyuiop123", "guessed"),
        ("aaaaaaaaaaaaaaaaaaaa", "guessed"),
        ("abcabcabcabcabc", "guessed"),
        ("iloveyou12345", "guessed"),
        ("harbour bench", "guessed"),
        ("boardfaultbook", "guessed"),
        ("ownerowner2026", "guessed"),
    ],
)
def test_short_common_and_obvious_passwords_are_refused(password: str, why: str) -> None:
    with pytest.raises(BadInput, match=re.escape(why)) as told:
        passwords.check(password, "owner", "the harbour bench")
    assert told.value.field == "password"
    assert told.value.remedy


def test_the_commonest_passwords_that_are_long_enough_are_all_refused() -> None:
    """The list of the library that estimates, taken from passwords that leaked (its own source says so)."""
    from zxcvbn.frequency_lists import FREQUENCY_LISTS

    common = [word for word in FREQUENCY_LISTS["passwords"] if len(word) >= passwords.SHORTEST]
    assert len(common) > 200
    assert [word for word in common if passwords.strength(word) >= 3] == []
