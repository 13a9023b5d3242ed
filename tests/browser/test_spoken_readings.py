"""A reading is spoken into Chromium's own microphone for tests, read back, and kept with a key."""

from __future__ import annotations

import wave
from collections.abc import Iterator
from pathlib import Path

import needs
import numpy as np
import pytest
from looks import ARGUMENTS, PATIENT_MS, follow, is_right
from playwright.sync_api import Browser, Page, expect
from speech.sounds import RATE, spoken

MICROPHONE = ["--use-fake-ui-for-media-stream", "--use-fake-device-for-media-stream"]


def said(path: Path, text: str) -> Path:
    """A file for the microphone: a little silence, the text, and silence until nobody listens any more."""
    from scipy.signal import resample_poly  # a second and a half, for who needs it

    samples = np.concatenate([np.zeros(RATE), spoken(text, "en-us", 140), np.zeros(40 * RATE)])
    chance = np.random.default_rng(7)
    samples = samples + chance.standard_normal(len(samples)) * 0.0005
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(48_000)
        file.writeframes((np.clip(resample_poly(samples, 3, 1), -1, 1) * 32767).astype("<i2").tobytes())
    return path


@pytest.fixture
def speaking(browser: Browser, tmp_path: Path) -> Iterator[Page]:
    """A page of a browser whose microphone says “zero point three volts”."""
    file = said(tmp_path / "said.wav", "zero point three volts")
    flags = [*ARGUMENTS, *MICROPHONE, f"--use-file-for-fake-audio-capture={file}%noloop"]
    listening = browser.browser_type.launch(executable_path=needs.browser(), args=flags)
    context = listening.new_context(permissions=["microphone"])
    context.set_default_timeout(PATIENT_MS)
    yield context.new_page()
    listening.close()


def first_step(page: Page, url: str, label: str) -> None:
    page.goto(f"{url}/bench/new?family=HX-210")
    page.get_by_label("What tells it from others").fill(label)
    follow(page.get_by_role("button", name="Begin the test"))
    follow(page.get_by_role("button", name="I have read them"))
    expect(page.locator("[data-speak]")).to_be_visible()


def test_a_spoken_reading_is_read_back_and_counts_after_the_key(speaking: Page, demo_url: str) -> None:
    first_step(speaking, demo_url, "spoken")
    speaking.keyboard.press("F9")
    expect(speaking.locator("[data-speak-entry]")).to_contain_text("0.3 volts?")
    expect(speaking.locator("form.entry input[name=value]")).to_have_value("")
    is_right(speaking)
    speaking.keyboard.press("F8")
    expect(speaking.locator(".judged__head")).to_contain_text("0.3 V")
