"""A reading is spoken into Chromium's own microphone for tests, read back, and kept with a key."""

from __future__ import annotations

import wave
from collections.abc import Iterator
from pathlib import Path

import needs
import numpy as np
import pytest
from looks import ARGUMENTS, PATIENT_MS, Held, comes, follow, is_right
from playwright.sync_api import Browser, Page, expect
from speech.sounds import RATE, spoken

MICROPHONE = ["--use-fake-ui-for-media-stream", "--use-fake-device-for-media-stream"]


def said(path: Path, text: str) -> Path:
    """A file for the microphone: silence until a slow page listens, the text, and silence until nobody listens."""
    from scipy.signal import resample_poly  # a second and a half, for who needs it

    samples = np.concatenate([np.zeros(4 * RATE), spoken(text, "en-us", 140), np.zeros(40 * RATE)])
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


# A microphone that hears a tone when the test wants it, and is given when the test lets it.
TONE = """
  window.asked = 0;
  window.isGiven = true;
  navigator.mediaDevices.getUserMedia = async () => {
    window.asked += 1;
    while (!window.isGiven) await new Promise((done) => setTimeout(done, 10));
    const context = new AudioContext();
    const [gain, tone] = [context.createGain(), context.createOscillator()];
    const ear = context.createMediaStreamDestination();
    gain.gain.value = 0;
    tone.connect(gain).connect(ear);
    tone.start();
    window.sound = () => {
      gain.gain.setValueAtTime(0.5, context.currentTime + 0.1);
      gain.gain.setValueAtTime(0, context.currentTime + 0.6);
    };
    return ear.stream;
  };
"""


@pytest.fixture
def toned(page: Page, demo_url: str) -> Page:
    """The form of a new case with that microphone."""
    page.add_init_script(TONE)
    page.route("**/api/speech/ready", lambda route: route.fulfill(json={}))
    page.goto(f"{demo_url}/cases/new?family=HX-210")
    return page


def test_a_microphone_that_is_stopped_and_started_while_it_opens_is_opened_once(toned: Page) -> None:
    said = toned.locator("[data-speak-says]")
    toned.evaluate("() => { window.isGiven = false; }")
    for _ in range(3):  # speak, stop, speak
        toned.keyboard.press("F9")
    toned.evaluate("() => { window.isGiven = true; }")
    expect(said).to_have_text("Listening.")
    assert toned.evaluate("window.asked") == 1


def test_what_was_confirmed_by_key_is_not_kept_again_by_a_yes_that_is_recognised_late(toned: Page) -> None:
    entry = {"field": "reading", "text": "5VSB 5.02 standby", "say": "5.02 volts"}
    heard = Held(toned, "**/api/speech/heard")
    toned.keyboard.press("F9")
    expect(toned.locator("[data-speak-says]")).to_have_text("Listening.")
    toned.evaluate("window.sound()")
    heard.wait().fulfill(json={"outcome": "wait", "words": "five", "say": "5.02 volts?", "entry": entry})
    expect(toned.locator("[data-speak-says]")).to_have_text("5.02 volts? Say yes or no.")
    toned.evaluate("window.sound()")
    late = heard.wait(2)
    toned.keyboard.press("F8")
    lines = toned.locator("[name^='readings.'][name$='.line']")
    expect(lines.first).to_have_value(entry["text"])
    with toned.expect_response("**/api/speech/heard"):
        late.fulfill(json={"outcome": "keep", "words": "yes", "entry": entry})
    # Had it counted, a second line would hold it by the time that the next thing is heard.
    comes(
        toned,
        "the next turn",
        "() => document.querySelector('[data-speak-says]').textContent === 'Listening.'",
    )
    toned.evaluate("window.sound()")
    heard.wait(3)
    shown = [line.input_value() for line in lines.all()]
    assert shown.count(entry["text"]) == 1
