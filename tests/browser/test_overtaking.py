"""What overtakes what: an answer that comes late, a press before the scripts are there, two pages at once.

Each test holds what would come first and lets it go when the other is done, so that the order does not depend on how
busy the machine is. No published source: the orders are those that a slow radio and a busy phone give.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from looks import Held, comes, follow, is_kept_here, press
from playwright.sync_api import Browser, BrowserContext, Dialog, Page, expect

DRAFT_IS_KEPT = "() => Object.keys(sessionStorage).some((name) => name.startsWith('drafts-under-'))"
# Sealing or opening what the device keeps waits while `window.isHeld` says which.
SLOW_SEALS = """
  for (const name of ["encrypt", "decrypt"]) {
    const plain = crypto.subtle[name].bind(crypto.subtle);
    window.held = 0;
    crypto.subtle[name] = async (...given) => {
      window.held += 1;
      while (window.isHeld === name) await new Promise((done) => setTimeout(done, 10));
      window.held -= 1;
      return plain(...given);
    };
  }
"""
REFUSED = {
    "status": 422,
    "content_type": "text/html",
    "body": "<main id=main><h1>It lacks something</h1></main>",
}


@pytest.fixture
def device(browser: Browser) -> Iterator[BrowserContext]:
    """A phone without a service worker, whose requests tests can hold."""
    context = browser.new_context(viewport={"width": 390, "height": 844})
    yield context
    context.close()


@pytest.fixture
def phone(device: BrowserContext) -> Iterator[Page]:
    """A page of it; whatever a script stumbles over fails the test."""
    page = device.new_page()
    stumbled: list[str] = []
    page.on("pageerror", lambda error: stumbled.append(str(error)))
    yield page
    assert stumbled == []


def leave(page: Page, address: str) -> list[str]:
    """Goes to another page, whatever this one asks; returns what it asked."""
    asked: list[str] = []

    def answer(dialog: Dialog) -> None:
        asked.append(dialog.type)
        dialog.accept()

    page.on("dialog", answer)
    page.goto(address)
    page.remove_listener("dialog", answer)
    return asked


def count_of(page: Page, url: str, name: str, number: int) -> None:
    """Looks at the list of drafts or of the queue."""
    page.goto(f"{url}/waiting")
    expect(page.locator(f"[data-list={name}] > li")).to_have_count(number)


# -- what is typed before the scripts are there ---------------------------------------------------------------


def test_what_is_typed_before_the_scripts_are_there_is_a_draft_and_is_read(
    phone: Page, demo_url: str
) -> None:
    scripts = Held(phone, "**/static/js/*.js*")
    phone.goto(f"{demo_url}/cases/new", wait_until="commit")
    phone.get_by_label("Complaint").fill("hums, relay ticks")
    scripts.wait()
    scripts.let_go()
    comes(phone, "the draft", DRAFT_IS_KEPT)
    is_kept_here(phone)
    expect(phone.locator("#read .fact", has_text="relay clicks repeatedly")).to_be_visible()
    assert leave(phone, f"{demo_url}/cases/new") == ["beforeunload"]
    expect(phone.get_by_role("region", name="What you wrote before")).to_be_visible()


def test_the_ranking_shows_what_was_typed_before_its_script_was_there(phone: Page, demo_url: str) -> None:
    scripts = Held(phone, "**/static/js/*.js*")
    phone.goto(f"{demo_url}/diagnose", wait_until="commit")
    phone.get_by_label("Complaint").fill("relay ticks")
    scripts.wait()
    scripts.let_go()
    expect(phone).to_have_url(re.compile("text=relay"))


def test_what_the_browser_brings_back_into_a_form_does_not_end_its_draft(phone: Page, demo_url: str) -> None:
    phone.goto(f"{demo_url}/cases/new")
    phone.get_by_label("Complaint").fill("hums when warm")
    comes(phone, "the draft", DRAFT_IS_KEPT)
    is_kept_here(phone)
    leave(phone, f"{demo_url}/help")
    phone.go_back()
    # It stands in the form again, or is offered beside it.
    comes(
        phone,
        "what was written",
        "() => document.querySelector('[name=complaint]').value === 'hums when warm'"
        " || document.querySelector('.kept-offer') !== null",
    )
    is_kept_here(phone)
    leave(phone, f"{demo_url}/help")
    count_of(phone, demo_url, "drafts", 1)


def test_a_page_asks_before_it_takes_along_what_is_not_kept_yet(phone: Page, demo_url: str) -> None:
    keys = Held(phone, "**/waiting/key")
    phone.goto(f"{demo_url}/cases/new")
    keys.wait()
    phone.get_by_label("Complaint").fill("typed at once")
    phone.on("dialog", lambda one: one.dismiss())
    with phone.expect_event("dialog") as dialog:
        phone.evaluate("() => { setTimeout(() => { location.href = '/help'; }); }")
    assert dialog.value.type == "beforeunload"
    keys.let_go()
    comes(phone, "the draft", DRAFT_IS_KEPT)


def test_two_pages_that_go_on_with_one_draft_write_two(
    device: BrowserContext, phone: Page, demo_url: str
) -> None:
    phone.goto(f"{demo_url}/cases/new")
    phone.get_by_label("Complaint").fill("hums")
    comes(phone, "the draft", DRAFT_IS_KEPT)
    is_kept_here(phone)
    other = device.new_page()
    other.goto(f"{demo_url}/cases/new")
    other.get_by_role("button", name="Take it").click()
    other.get_by_label("Complaint").fill("hums, on the other page")
    is_kept_here(other)
    comes(other, "the draft", DRAFT_IS_KEPT)
    phone.get_by_label("Complaint").fill("hums, on the first page")
    is_kept_here(phone)
    other.on("dialog", lambda dialog: dialog.accept())
    count_of(other, demo_url, "drafts", 2)
    for words in ("on the other page", "on the first page"):
        expect(other.locator("[data-list=drafts]")).to_contain_text(words)


# -- while a form is on its way -------------------------------------------------------------------------------


def test_what_stands_in_a_form_while_it_is_on_its_way_is_what_is_saved(phone: Page, demo_url: str) -> None:
    phone.goto(f"{demo_url}/cases/new?family=HX-210")
    revision = phone.get_by_label("Revision")
    revision.fill("B")
    saving = Held(phone, "**/cases", "POST")
    revision.focus()
    phone.keyboard.press("Enter")
    saving.wait()
    phone.keyboard.type("7")
    shown = revision.input_value()
    saving.let_go()
    expect(phone.get_by_text("The case is saved.")).to_be_visible()
    expect(phone.locator("main")).to_contain_text(f"revision {shown}")


def test_a_second_press_while_the_first_is_being_queued_makes_no_second_entry(
    phone: Page, demo_url: str
) -> None:
    phone.add_init_script(SLOW_SEALS)
    phone.goto(f"{demo_url}/cases/new?family=HX-210")
    phone.get_by_label("Complaint").fill("pressed twice")
    is_kept_here(phone)
    phone.context.route(
        "**/cases", lambda route: route.abort() if route.request.method == "POST" else route.fallback()
    )
    phone.evaluate("window.isHeld = 'encrypt'")
    press(phone, "Save the case")
    comes(phone, "the entry of the queue", "() => window.held > 0")
    press(phone, "Save the case")
    phone.evaluate("window.isHeld = ''")
    expect(phone.get_by_role("alert")).to_contain_text("kept on this device")
    count_of(phone, demo_url, "queue", 1)


def test_a_server_that_never_answers_is_away_after_half_a_minute(phone: Page, demo_url: str) -> None:
    phone.clock.install()
    phone.goto(f"{demo_url}/cases/new?family=HX-210")
    phone.get_by_label("Complaint").fill("lost on the way")
    is_kept_here(phone)
    saving = Held(phone, "**/cases", "POST")
    press(phone, "Save the case")
    saving.wait()
    phone.clock.fast_forward(31_000)
    expect(phone.get_by_role("alert")).to_contain_text("kept on this device")


def test_a_page_that_comes_back_after_its_form_was_saved_is_asked_for_again(
    phone: Page, demo_url: str
) -> None:
    phone.goto(f"{demo_url}/cases/new?family=HX-210")
    phone.get_by_label("Complaint").fill("saved, and back")
    is_kept_here(phone)
    # The page that it leads to does not come, so that this one stays as the browser's memory would hold it.
    phone.route("**/cases/*?saved=new", lambda route: route.fulfill(status=204))
    with phone.expect_request("**/cases/*?saved=new"):
        press(phone, "Save the case")
    phone.evaluate("dispatchEvent(new PageTransitionEvent('pageshow', { persisted: true }))")
    expect(phone.get_by_label("Complaint")).to_have_value("")
    assert phone.locator("form[inert]").count() == 0


# -- the words beside a form ----------------------------------------------------------------------------------


def read_words(phone: Page, demo_url: str) -> None:
    phone.goto(f"{demo_url}/cases/new?family=HX-210")
    phone.get_by_label("Complaint").fill("relay ticks, no picture")
    expect(phone.get_by_role("button", name="Leave out: no picture")).to_be_visible()


def test_typing_on_does_not_undo_a_press_whose_answer_is_not_there(phone: Page, demo_url: str) -> None:
    read_words(phone, demo_url)
    reading = Held(phone, "**/cases/read*")
    press(phone, "Leave out: no picture")
    reading.wait()
    phone.get_by_label("Complaint").fill("relay ticks, no picture, fuse blown")
    reading.wait(2)
    reading.let_go(2)
    expect(phone.locator("#read .fact", has_text="fuse blown")).to_be_visible()
    expect(phone.get_by_role("button", name=re.compile("^Take in ?: no picture$"))).to_be_visible()


def test_what_was_left_out_stays_out_of_a_case_that_is_saved_at_once(phone: Page, demo_url: str) -> None:
    read_words(phone, demo_url)
    reading = Held(phone, "**/cases/read*")
    press(phone, "Leave out: no picture")
    reading.wait()
    follow(phone.get_by_role("button", name="Save the case"))
    expect(phone.get_by_text("The case is saved.")).to_be_visible()
    kept = phone.request.get(phone.url.partition("?")[0].replace("/cases/", "/api/cases/")).json()
    assert [one["name"] for one in kept["symptoms"]] == ["relay clicks repeatedly"]


def test_a_link_pressed_while_the_ranking_is_behind_is_followed_though_more_is_typed(
    phone: Page, demo_url: str
) -> None:
    phone.goto(f"{demo_url}/diagnose?family=HX-210")
    asking = Held(phone, "**/diagnose/ranking*")
    phone.get_by_label("Complaint").fill("stays dark")
    asking.wait()
    link = phone.locator("#ranking a[href^='/cases/new']").first
    link.dispatch_event("click")
    asking.wait(2)
    phone.get_by_label("Complaint").fill("stays dark, hums")
    asking.wait(3)
    asking.let_go(3)
    phone.wait_for_url("**/cases/new?*")
    expect(phone.get_by_label("Complaint")).to_have_value("stays dark, hums")


def test_a_ranking_whose_answer_does_not_come_is_said_to_be_old(phone: Page, demo_url: str) -> None:
    phone.clock.install()
    phone.goto(f"{demo_url}/diagnose?family=HX-210")
    asking = Held(phone, "**/diagnose/ranking*")
    phone.get_by_label("Complaint").fill("stays dark")
    phone.clock.fast_forward(1_000)
    asking.wait()
    old = phone.get_by_text("this ranking is not current")
    expect(old).to_be_hidden()
    phone.clock.fast_forward(6_000)
    expect(old).to_be_visible()
    asking.let_go()
    expect(old).to_be_hidden()


# -- two pages and one queue ----------------------------------------------------------------------------------


def queue_a_case(page: Page, url: str, complaint: str) -> Held:
    """A case that waits on the device, since nothing comes through; what holds it when it is sent again."""
    page.goto(f"{url}/cases/new")
    sending = Held(page, "**/cases", "POST")
    sending.is_cut = True
    page.get_by_label("Board family").fill("HX-210")
    page.get_by_label("Complaint").fill(complaint)
    press(page, "Save the case")
    expect(page.get_by_role("alert")).to_contain_text("kept on this device")
    sending.is_cut = False
    return sending


def opened(device: BrowserContext, url: str) -> Page:
    """The list of what waits on another page of the phone, which hears nothing of what the first one does."""
    other = device.new_page()
    other.add_init_script("delete window.BroadcastChannel")
    other.goto(f"{url}/waiting")
    return other


def test_what_is_thrown_away_while_it_is_being_sent_does_not_come_back(
    device: BrowserContext, phone: Page, demo_url: str
) -> None:
    sending = queue_a_case(phone, demo_url, "thrown away")
    phone.evaluate("dispatchEvent(new Event('online'))")
    sending.wait()
    other = opened(device, demo_url)
    other.on("dialog", lambda dialog: dialog.accept())
    other.get_by_role("button", name="Throw away").click()
    expect(other.locator("[data-list=queue] > li")).to_have_count(0)
    sending.routes[-1].fulfill(**REFUSED)
    expect(phone.locator("#kept")).to_be_hidden()
    other.reload()
    expect(other.get_by_text("Nothing waits: the server has everything")).to_be_visible()


def test_what_is_being_sent_is_not_opened_as_a_form(
    device: BrowserContext, phone: Page, demo_url: str
) -> None:
    sending = queue_a_case(phone, demo_url, "on its way")
    phone.evaluate("dispatchEvent(new Event('online'))")
    sending.wait().fulfill(**REFUSED)
    expect(phone.locator("#kept")).to_contain_text("1 was not taken")
    other = opened(device, demo_url)
    expect(other.get_by_role("button", name="Open as a form")).to_be_visible()
    phone.goto(f"{demo_url}/waiting")
    press(phone, "Send again")
    again = sending.wait(2)
    press(other, "Open as a form")
    expect(other.locator("[data-list=queue] > li")).to_contain_text("waits for the server")
    again.fulfill(**REFUSED)
    expect(phone.locator("[data-list=queue] > li")).to_contain_text("not taken by the server")
    count_of(other, demo_url, "drafts", 0)


def test_a_list_that_was_read_first_is_not_shown_last(
    device: BrowserContext, phone: Page, demo_url: str
) -> None:
    phone.add_init_script(SLOW_SEALS)
    queue_a_case(phone, demo_url, "overtaken")
    strip = phone.locator("#kept")
    expect(strip).to_contain_text("1 thing waits")
    other = device.new_page()
    other.goto(f"{demo_url}/waiting")
    phone.evaluate("window.isHeld = 'decrypt'")
    other.evaluate("new BroadcastChannel('kb-kept').postMessage('queue')")
    comes(phone, "the older list", "() => window.held > 0")
    other.on("dialog", lambda dialog: dialog.accept())
    other.get_by_role("button", name="Throw away").click()
    expect(strip).to_be_hidden()
    phone.evaluate("window.isHeld = ''")
    comes(phone, "the end of reading it", "() => window.held === 0")
    expect(strip).to_be_hidden()


def test_what_waits_is_sent_for_who_wrote_it(phone: Page, demo_url: str) -> None:
    sending = queue_a_case(phone, demo_url, "for one person")
    mine = phone.locator("meta[name=kept-for]").get_attribute("content")
    phone.evaluate("dispatchEvent(new Event('online'))")
    assert sending.wait().request.headers["kept-for"] == mine


# -- waiting without end --------------------------------------------------------------------------------------


def test_a_job_is_asked_again_where_its_answer_never_comes(phone: Page, demo_url: str) -> None:
    shown = """<main data-job="made" data-over="{}"><p data-job-words>begun</p><progress></progress></main>
      <script type="module" src="/static/js/jobs.js"></script>"""
    phone.clock.install()
    phone.route(
        "**/jobs/made", lambda route: route.fulfill(content_type="text/html", body=shown.format("no"))
    )
    state = Held(phone, "**/jobs/made/state")
    phone.goto(f"{demo_url}/jobs/made")
    phone.clock.fast_forward(1_000)
    state.wait()
    phone.clock.fast_forward(25_000)
    phone.clock.fast_forward(5_000)
    state.wait(2).fulfill(json={"over": False, "state": "running", "total": 9, "done": 7, "unit": "rows"})
    expect(phone.get_by_text("Under way: 7 of 9 rows")).to_be_visible()
