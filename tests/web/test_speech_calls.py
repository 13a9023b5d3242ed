"""What the page of a spoken reading gets: its answer, or one clear sentence why there is none. No browser."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from factories import a_family, bring, fresh_shop
from speech.sounds import as_bytes, pink, spoken, workshop
from web_client import Client, error_of

from kb.service.speech import hearing
from kb.speech import recogniser

RATE = 16_000
FAMILY = a_family("SP-1")


@pytest.fixture
def client() -> Iterator[Client]:
    made = Client(fresh_shop())
    assert bring(made.shop, FAMILY).saved
    yield made
    made.close()


def asked(sound: bytes, **more: object) -> dict[str, object]:
    return {"page": "lines", "family": "SP-1", "sound": base64.b64encode(sound).decode(), **more}


def said(text: str) -> bytes:
    """The text in an ordinary room: noise 30 dB below it, half a second of quiet around it."""
    return as_bytes(workshop(spoken(text), snr_db=30, clicks=0, before_s=0.5, after_s=0.5, seed=1))


def test_a_spoken_reading_waits_for_its_yes_and_nothing_is_stored(client: Client) -> None:
    ready = client.post("/api/speech/ready", json={"page": "lines", "family": "SP-1"})
    assert ready.status_code == 200
    assert "five volts standby" in ready.json()["places"]
    heard = client.post(
        "/api/speech/heard", json=asked(said("five volt standby, four point seven volts"))
    ).json()
    assert (heard["outcome"], heard["entry"]["text"]) == ("wait", "5VSB 4.7 V")
    kept = client.post("/api/speech/heard", json=asked(said("yes"), waiting=heard["entry"])).json()
    assert (kept["outcome"], kept["entry"]["text"]) == ("keep", "5VSB 4.7 V")
    refused = client.post("/api/speech/heard", json=asked(said("no"), waiting=heard["entry"])).json()
    assert (refused["outcome"], refused["entry"]) == ("again", None)


@pytest.mark.parametrize("seconds", [2, 11])
def test_noise_is_no_reading(client: Client, seconds: int) -> None:
    noise = as_bytes(pink(seconds * RATE, np.random.default_rng(3)) * 0.05)
    heard = client.post("/api/speech/heard", json=asked(noise)).json()
    assert (heard["outcome"], heard["say"]) == ("again", hearing.QUIET)


def test_another_language_is_asked_again_or_read_back_and_never_kept(client: Client) -> None:
    german = as_bytes(workshop(spoken("fünf Volt Bereitschaft, vier Komma sieben", "de"), snr_db=30, clicks=0,
                               before_s=0.5, after_s=0.5, seed=2))  # fmt: skip
    heard = client.post("/api/speech/heard", json=asked(german)).json()
    assert heard["outcome"] in ("again", "wait", "do")
    assert heard["outcome"] != "keep"


def test_a_shout_of_thirty_seconds_is_refused_with_a_sentence(client: Client) -> None:
    shout = as_bytes(np.ones(30 * RATE) * 0.9)
    refused = client.post("/api/speech/heard", json=asked(shout))
    assert refused.status_code == 422
    shorter = client.post("/api/speech/heard", json=asked(shout[: 13 * RATE * 2]))
    assert shorter.status_code == 422
    assert error_of(shorter)["message"] == "The sound is longer than 12 s."


def test_what_is_no_sound_is_refused(client: Client) -> None:
    assert error_of(client.post("/api/speech/heard", json=asked(b"x" * 33)))["field"] == "sound"
    refused = client.post("/api/speech/heard", json={"page": "lines", "sound": "%%%"})
    assert error_of(refused)["message"] == "The sound is not in base 64."


PAGES = ("/diagnose", "/cases/new", "/families/SP-1/good-boards")


@pytest.mark.parametrize("page", PAGES)
def test_the_microphone_is_for_pages_that_listen_only(client: Client, page: str) -> None:
    assert "microphone=(self)" in client.get(page).headers["Permissions-Policy"]
    assert "microphone=()" in client.get("/help").headers["Permissions-Policy"]


@pytest.mark.parametrize("page", PAGES)
def test_pages_say_in_a_sentence_what_is_missing(
    client: Client, page: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "data-speak=" in client.get(page).text
    monkeypatch.setattr(recogniser, "is_installed", lambda: False)
    shown = client.get(page)
    assert shown.status_code == 200
    assert hearing.NOT_INSTALLED in shown.text
    assert "data-speak=" not in shown.text
    refused = client.post("/api/speech/heard", json=asked(said("yes")))
    assert (refused.status_code, error_of(refused)["message"]) == (422, hearing.NOT_INSTALLED)


def test_a_wrong_model_folder_is_named_on_the_page(
    client: Client, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        client.shop, "settings", client.shop.settings.model_copy(update={"speech_model": str(tmp_path)})
    )
    assert f"has no acoustic/mdef in {tmp_path}" in client.get("/diagnose").text
