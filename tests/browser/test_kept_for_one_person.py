"""What a phone keeps belongs to one person: gone when they sign out, sealed for whoever signs in after them."""

from __future__ import annotations

from collections.abc import Iterator

import commands
import pytest
from cutting_proxy import CuttingProxy, cutting
from looks import comes, is_kept_here, is_right, told
from playwright.sync_api import Browser, Dialog, Page, expect
from processes import bare_environment, served

PASSWORD = "lantern gravel outboard tuesday"
KEPT = """async () => {
  const asked = indexedDB.open("kb-kept");
  const base = await new Promise((done) => { asked.onsuccess = () => done(asked.result); });
  const found = { pages: (await caches.keys()).filter((name) => name.startsWith("pages-")).length };
  for (const name of ["keys", "drafts", "queue"]) {
    const count = base.transaction(name).objectStore(name).count();
    found[name] = await new Promise((done) => { count.onsuccess = () => done(count.result); });
  }
  base.close();
  return found;
}"""
# Holds when neither the key nor a page of anybody is left.
IS_LOCKED = f"""async () => {{
  const found = await ({KEPT})();
  return !found.keys && !found.pages;
}}"""
# Asks the service worker for a page as a page does that will be wanted sooner or later.
FETCH_AHEAD = """(path) => {
  const person = document.querySelector('meta[name="kept-for"]').content;
  navigator.serviceWorker.controller.postMessage({ ahead: [], again: [path], person });
}"""
AHEAD_IS_KEPT = """async () => {
  for (const path of ["/waiting", "/families", "/cases/new", "/bench", "/diagnose"])
    if (!(await caches.match(path))) return false;
  return Boolean(navigator.serviceWorker.controller);
}"""
NO_PAGE_IS_KEPT = "async () => !(await caches.keys()).some((name) => name.startsWith('pages-'))"
# How many pages come to be kept while the device is asked so often that a worker at work is done meanwhile.
COMES_TO_BE_KEPT = """async () => {
  let most = 0;
  for (let round = 0; round < 40; round += 1) {
    const names = await caches.keys();
    most = Math.max(most, names.filter((name) => name.startsWith("pages-")).length);
    await fetch("/favicon.ico", { cache: "no-store" }).catch(() => {});
  }
  return most;
}"""
WORKER_IS_READY = "async () => { await navigator.serviceWorker.ready; }"


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[CuttingProxy]:
    """A shop where two people sign in, behind a connection that can be cut."""
    data = tmp_path_factory.mktemp("shop") / "data"
    environment = bare_environment(KB_DATA=str(data), KB_DATABASE_URL="", KB_SIGN_IN="always")
    for name, level in (("owner", "administer"), ("bench 1", "work")):
        arguments = ["person", "add", name, "--level", level, "--password"]
        assert commands.run(arguments, environment, stdin=f"{PASSWORD}\n".encode()).returncode == 0
    with served(data, KB_SIGN_IN="always") as (url, _), cutting(url) as proxy:
        yield proxy


@pytest.fixture
def phone(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 390, "height": 844}, service_workers="allow")
    yield context.new_page()
    context.close()


def sign_in(page: Page, url: str, name: str) -> None:
    page.goto(f"{url}/sign-in")
    page.locator("#f-name").fill(name)
    page.locator("#f-password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_text(f"Signed in as {name}")).to_be_visible()
    told(page, WORKER_IS_READY)


def write_a_draft(page: Page, url: str, words: str) -> None:
    page.goto(f"{url}/cases/new")
    page.get_by_label("Complaint").fill(words)
    is_kept_here(page)
    page.goto(f"{url}/waiting")
    expect(page.locator("[data-list=drafts] > li")).to_have_count(1)


def answers(page: Page, accept: bool) -> list[str]:
    """Answers what a page asks from now on; returns what it asked."""
    asked: list[str] = []

    def answer(dialog: Dialog) -> None:
        asked.append(dialog.message)
        if accept:
            dialog.accept()
        else:
            dialog.dismiss()

    page.once("dialog", answer)
    return asked


def has_pages(phone: Page, url: str, path: str = "") -> None:
    """Signs in and waits on a page until those that are wanted sooner or later are kept."""
    sign_in(phone, url, "bench 1")
    if path:
        phone.goto(f"{url}{path}")
    comes(phone, "the pages that are wanted sooner or later", AHEAD_IS_KEPT)


def deletes_all(phone: Page) -> None:
    """Presses what deletes all on the page of what waits, and waits until it is gone."""
    answers(phone, accept=True)
    phone.locator("[data-wipe]").click()
    comes(phone, "a device without pages", NO_PAGE_IS_KEPT)


def test_signing_out_asks_and_then_leaves_nothing(phone: Page, shop: CuttingProxy) -> None:
    sign_in(phone, shop.url, "bench 1")
    write_a_draft(phone, shop.url, "hums at night")
    is_right(phone)
    asked = answers(phone, accept=False)
    phone.get_by_role("button", name="Sign out").click()
    assert asked[0].startswith("1 thing that you wrote here did not reach the server.")
    assert told(phone, KEPT)["drafts"] == 1
    answers(phone, accept=True)
    phone.get_by_role("button", name="Sign out").click()
    expect(phone.get_by_role("heading", name="Sign in")).to_be_visible()
    assert told(phone, KEPT) == {"pages": 0, "keys": 0, "drafts": 0, "queue": 0}
    sign_in(phone, shop.url, "bench 1")
    phone.goto(f"{shop.url}/cases/new")
    expect(phone.get_by_label("Complaint")).to_be_visible()
    expect(phone.get_by_text("You wrote this on")).to_have_count(0)


def test_who_signs_in_next_sees_nothing_and_the_first_finds_it_again(phone: Page, shop: CuttingProxy) -> None:
    sign_in(phone, shop.url, "bench 1")
    write_a_draft(phone, shop.url, "hums at night")
    phone.context.clear_cookies()  # the session is over, and nobody pressed Sign out
    phone.goto(f"{shop.url}/cases")
    expect(phone.get_by_role("heading", name="Sign in")).to_be_visible()
    expect(phone.locator("#kept")).to_be_hidden()
    comes(phone, "a device without key and pages", IS_LOCKED)
    assert told(phone, KEPT)["drafts"] == 1  # sealed, and nothing here can open it
    sign_in(phone, shop.url, "owner")
    phone.goto(f"{shop.url}/cases/new")
    expect(phone.get_by_label("Complaint")).to_have_value("")
    phone.goto(f"{shop.url}/waiting")
    expect(phone.get_by_text("No form was left with something in it.")).to_be_visible()
    shop.cut()
    phone.goto(f"{shop.url}/families/HX-210")
    expect(phone.get_by_role("heading", name="The server is away")).to_be_visible()
    shop.mend()
    phone.context.clear_cookies()
    sign_in(phone, shop.url, "bench 1")
    phone.goto(f"{shop.url}/cases/new")
    expect(phone.get_by_text("You wrote this on")).to_be_visible()
    answers(phone, accept=True)
    phone.get_by_role("button", name="Throw it away").click()


def test_a_page_asked_for_before_the_session_ended_is_not_kept_after_it(
    phone: Page, shop: CuttingProxy
) -> None:
    has_pages(phone, shop.url)
    with shop.held("/help") as answered:
        phone.evaluate(FETCH_AHEAD, "/help")
        answered()
        phone.context.clear_cookies()
        phone.goto(f"{shop.url}/cases")
        expect(phone.get_by_role("heading", name="Sign in")).to_be_visible()
        comes(phone, "a device without key and pages", IS_LOCKED)
    assert told(phone, COMES_TO_BE_KEPT) == 0


def test_a_page_asked_for_before_all_was_deleted_is_not_kept_after_it(
    phone: Page, shop: CuttingProxy
) -> None:
    has_pages(phone, shop.url, "/waiting")
    with shop.held("/help") as answered:
        phone.evaluate(FETCH_AHEAD, "/help")
        answered()
        deletes_all(phone)
        expect(phone.get_by_text("No form was left with something in it.")).to_be_visible()
    assert told(phone, COMES_TO_BE_KEPT) == 0


def test_pages_that_were_still_to_be_asked_for_when_all_was_deleted_are_not_asked_for(
    phone: Page, shop: CuttingProxy
) -> None:
    has_pages(phone, shop.url, "/waiting")
    with shop.held("/help") as answered:
        phone.evaluate(FETCH_AHEAD.replace("[path]", "[path, '/families']"), "/help")
        answered()
        deletes_all(phone)
    assert told(phone, COMES_TO_BE_KEPT) == 0


def test_a_page_on_which_all_was_deleted_asks_for_no_pages_any_more(phone: Page, shop: CuttingProxy) -> None:
    has_pages(phone, shop.url)
    phone.add_init_script("""
      const register = navigator.serviceWorker.register.bind(navigator.serviceWorker);
      navigator.serviceWorker.register = async (...given) => {
        while (!window.mayRegister) await new Promise((done) => setTimeout(done, 10));
        return register(...given);
      };
    """)
    phone.goto(f"{shop.url}/waiting")
    deletes_all(phone)
    phone.evaluate("() => { window.mayRegister = true; }")
    assert told(phone, COMES_TO_BE_KEPT) == 0


def test_what_was_queued_waits_for_the_session_and_goes_when_its_owner_signs_in_again(
    phone: Page, shop: CuttingProxy
) -> None:
    sign_in(phone, shop.url, "bench 1")
    phone.goto(f"{shop.url}/cases/new")
    phone.get_by_label("Board family").fill("SI-9")
    phone.get_by_label("Complaint").fill("queued, then signed out")
    shop.cut()
    phone.get_by_role("button", name="Save the case").click()
    expect(phone.get_by_role("alert")).to_contain_text("kept on this device")
    phone.context.clear_cookies()
    shop.mend()
    phone.evaluate("dispatchEvent(new Event('online'))")
    expect(phone.locator("#kept")).to_contain_text("Sign in again: 1 thing waits on this device")
    sign_in(phone, shop.url, "bench 1")
    phone.goto(f"{shop.url}/waiting")
    # The family is unknown here, so the server says so; nothing is dropped.
    expect(phone.locator("[data-list=queue] > li .field__error")).to_contain_text("SI-9")
