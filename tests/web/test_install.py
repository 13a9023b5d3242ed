"""The manifest, its icons, and the photographs that a phone shares with the program.

The members of the manifest and their values are those of W3C's Web Application Manifest (from memory) and of Web Share
Target (its draft and MDN's page, read).
"""

from __future__ import annotations

import io
import json
import time
from pathlib import Path
from typing import Any

import httpx
import pictures_made as made
import pytest
from factories import a_case, a_family, bring, exported, fresh_shop
from PIL import Image
from signed_in import Office
from web_client import Client, Page

from kb import assets
from kb.errors import BadInput, NotFound
from kb.service.cases import cases, files
from kb.service.transfer import shared_pictures
from kb.web.guard.access import chosen, routes_of

# What a phone's system sends when it opens a share target: nobody's page, and a navigation.
FROM_THE_SYSTEM = {"Origin": "null", "Sec-Fetch-Site": "none", "Sec-Fetch-Mode": "navigate"}
KNOWN = {
    "background_color",
    "categories",
    "description",
    "dir",
    "display",
    "icons",
    "id",
    "lang",
    "name",
    "scope",
    "share_target",
    "short_name",
    "shortcuts",
    "start_url",
    "theme_color",
}


def manifest(client: Client) -> dict[str, Any]:
    answer = client.get("/app.webmanifest")
    assert answer.headers["content-type"] == "application/manifest+json"
    return dict(json.loads(answer.text))


def test_the_manifest_has_what_makes_a_program_installable(client: Client) -> None:
    told = manifest(client)
    assert set(told) == KNOWN
    assert (told["id"], told["start_url"], told["scope"], told["display"]) == ("/", "/", "/", "standalone")
    sizes = {(icon["sizes"], icon["purpose"]) for icon in told["icons"]}
    assert {("192x192", "any"), ("512x512", "any"), ("512x512", "maskable"), ("any", "any")} <= sizes
    routes = routes_of(client.app)
    for url in [told["start_url"], *(one["url"] for one in told["shortcuts"])]:
        assert client.get(url).status_code == 200
    assert chosen(routes, "POST", told["share_target"]["action"])
    assert told["share_target"]["enctype"] == "multipart/form-data"


def test_every_page_names_the_manifest_and_may_load_it(client: Client) -> None:
    answer = client.get("/")
    tags = Page(answer.text).tags
    assert ("link", {"rel": "manifest", "href": "/app.webmanifest", "crossorigin": "use-credentials"}) in tags
    themes = [given["media"] for tag, given in tags if tag == "meta" and given.get("name") == "theme-color"]
    assert themes == ["(prefers-color-scheme: light)", "(prefers-color-scheme: dark)"]
    assert "manifest-src 'self'" in answer.headers["content-security-policy"]


@pytest.mark.parametrize("name", ["", "Quay bench", "Harbour electronics workshop & <son>"])
def test_the_program_bears_the_name_of_the_shop(name: str) -> None:
    client = Client(fresh_shop(shop_name=name))
    told = manifest(client)
    assert told["name"] == (name or "Board fault book")
    assert len(told["short_name"]) <= 12
    client.close()


def test_icons_are_as_large_as_the_manifest_says_and_what_may_be_cut_has_room(client: Client) -> None:
    for icon in manifest(client)["icons"]:
        content = client.get(icon["src"]).content
        assert len(content) < 8_000
        if icon["type"] != "image/png":
            continue
        with Image.open(io.BytesIO(content)) as opened:
            image = opened.convert("RGB")
        assert f"{image.width}x{image.height}" == icon["sizes"]
        if icon["purpose"] == "maskable":
            ground, middle = image.getpixel((0, 0)), image.width / 2
            drawn = [
                (x - middle) ** 2 + (y - middle) ** 2
                for x in range(0, image.width, 4)
                for y in range(0, image.height, 4)
                if image.getpixel((x, y)) != ground
            ]
            # The safe zone of a maskable icon is a circle of 40 % of the width (W3C, from memory).
            assert 0 < max(drawn) < (0.4 * image.width) ** 2


def test_where_people_sign_in_the_manifest_is_there_before() -> None:
    office = Office()
    answer = office.get("/app.webmanifest")
    assert (answer.status_code, answer.json()["start_url"]) == (200, "/")
    office.close()


# -- photographs that are shared


@pytest.fixture
def office() -> Any:
    made_office = Office(bare=True)
    open_case = a_case("open", verdict=None, closed=None)
    assert bring(made_office.shop, a_family(), open_case, a_case("one")).saved
    yield made_office
    made_office.close()


def shared(office: Office, level: str = "work", **options: Any) -> httpx.Response:
    sent = options.pop("files", [("file", ("a.jpg", made.jpeg(), "image/jpeg"))])
    headers = FROM_THE_SYSTEM | options.pop("headers", {})
    return office.as_(level, "POST", "/shared", files=sent, headers=headers)


def test_a_shared_photograph_is_shown_and_nothing_is_kept_until_somebody_says_where(office: Office) -> None:
    before = exported(office.shop)
    answer = shared(office)
    assert answer.status_code == 303
    place = answer.headers["location"]
    page = office.as_("work", "GET", place)
    assert "Where does this picture belong?" in page.text
    assert "Nothing is kept yet" in page.text
    small = office.as_("work", "GET", f"{place}/0")
    assert small.headers["content-type"] == "image/webp"
    assert exported(office.shop) == before
    assert files.of_case(office.shop, "open").kept == ()
    form = Page(page.text).form(place)
    done = office.as_("work", "POST", place, data={**form, "case": "open"})
    assert done.headers["location"] == "/cases/open/photos?kept=1"
    assert len(files.of_case(office.shop, "open").kept) == 1
    assert office.as_("work", "GET", place).status_code == 404


def test_what_is_kept_aside_says_nothing_of_where_it_was_taken(office: Office) -> None:
    shared(office)
    content = b"".join(
        one.read_bytes() for one in (office.shop.settings.data / "shared-pictures").rglob("*.whole")
    )
    assert content
    assert b"Exif" not in content
    assert b"GPS" not in content
    for path in (office.shop.settings.data / "shared-pictures").rglob("*"):
        assert path.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Sec-Fetch-Mode": "cors"}, 403),
        ({"Sec-Fetch-Mode": "no-cors"}, 403),
    ],
)
def test_another_page_cannot_share(office: Office, headers: dict[str, str], status: int) -> None:
    assert shared(office, headers=headers).status_code == status
    assert not (office.shop.settings.data / "shared-pictures").exists()


def test_a_browser_that_does_not_say_from_where_is_refused_by_its_origin(office: Office) -> None:
    headers = office.signed_in("work") | {"Origin": "null"}
    sent = {"file": ("a.jpg", made.jpeg(), "image/jpeg")}
    assert office.call("POST", "/shared", files=sent, headers=headers).status_code == 403


def test_who_may_not_work_or_is_not_signed_in_shares_nothing(office: Office) -> None:
    assert shared(office, "read").status_code == 403
    assert shared(office, "").status_code == 401
    assert not (office.shop.settings.data / "shared-pictures").exists()


def test_nobody_else_sees_what_somebody_shared(office: Office) -> None:
    place = shared(office).headers["location"]
    for path in (place, f"{place}/0"):
        assert office.as_("administer", "GET", path).status_code == 404
    assert office.as_("administer", "POST", place, data={"case": "open"}).status_code == 404
    assert files.of_case(office.shop, "open").kept == ()


def test_a_new_case_comes_with_its_pictures(office: Office) -> None:
    place = shared(office).headers["location"]
    refused = office.as_("work", "POST", place, data={"to": "new", "family": " ", "complaint": "stays dark"})
    assert refused.status_code == 422
    assert "The board family is missing." in refused.text
    assert "stays dark" in refused.text
    data = {"to": "new", "family": "QY-7", "complaint": "stays dark"}
    done = office.as_("work", "POST", place, data=data)
    uid = done.headers["location"].split("/")[2]
    record = cases.stored(office.shop, uid).record
    assert (record.family, record.complaint, record.verdict) == ("QY-7", "stays dark", None)
    assert len(files.of_case(office.shop, uid).kept) == 1


def test_one_picture_becomes_that_of_a_family_and_two_do_not(office: Office) -> None:
    place = shared(office).headers["location"]
    data = {"to": "board", "family": "GL-31", "side": "component side"}
    done = office.as_("work", "POST", place, data=data)
    assert done.headers["location"].endswith("/corners")
    two = [("file", (f"{name}.png", made.png(), "image/png")) for name in "ab"]
    place = shared(office, files=two).headers["location"]
    answer = office.as_("work", "POST", place, data=data)
    assert answer.status_code == 422
    assert "one by one" in answer.text


def test_what_is_no_picture_is_said_and_the_rest_is_taken(office: Office) -> None:
    sent = [
        ("file", ("a.jpg", made.jpeg(), "image/jpeg")),
        ("file", ("b.pdf", made.pdf(), "application/pdf")),
        ("file", ("c.jpg", b"nonsense", "image/jpeg")),
    ]
    place = shared(office, files=sent).headers["location"]
    assert place.endswith("?left=2")
    assert "2 files could not be used" in office.as_("work", "GET", place).text
    nothing = shared(office, files=sent[2:])
    assert nothing.status_code == 422
    assert not shared(office, files=[("text", (None, "only words"))]).is_success


def test_they_are_thrown_away_on_request(office: Office) -> None:
    place = shared(office).headers["location"]
    assert office.as_("work", "POST", place, data={"forget": "yes"}).headers["location"] == "/"
    assert list((office.shop.settings.data / "shared-pictures").iterdir()) == []


def test_they_go_after_an_hour_and_when_there_are_many(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop = office.shop

    def share_one(owner: int) -> str:
        return shared_pictures.take(shop, owner, [("a.jpg", io.BytesIO(made.jpeg()))]).id

    others = share_one(9)
    mine = [share_one(1) for _ in range(shared_pictures.MOST_OF_ONE + 2)]
    assert len(list((shop.settings.data / "shared-pictures").iterdir())) == shared_pictures.MOST_OF_ONE + 1
    assert shared_pictures.get(shop, 1, mine[-1])
    later = time.time() + shared_pictures.KEPT_S + 1
    monkeypatch.setattr(time, "time", lambda: later)
    for owner, share in ((1, mine[-1]), (9, others)):
        with pytest.raises(NotFound, match="kept for an hour"):
            shared_pictures.get(shop, owner, share)
    share_one(1)
    assert len(list((shop.settings.data / "shared-pictures").iterdir())) == 1


def test_a_name_that_leads_elsewhere_finds_nothing(office: Office) -> None:
    for share in ("..", "", "0" * 31, "x" * 32, "../../store.sqlite3"):
        with pytest.raises(NotFound):
            shared_pictures.get(office.shop, 0, share)
    with pytest.raises(BadInput, match="No picture was shared"):
        shared_pictures.take(office.shop, 0, [])


def test_the_icons_are_drawn_by_the_script_beside_the_tests() -> None:
    folder: Path = assets.folder("static") / "img"
    import make_icons

    assert make_icons.drawn(192, 1.0).size == (192, 192)
    assert {one.name for one in folder.glob("icon-*.png")} == {
        "icon-192.png",
        "icon-512.png",
        "icon-maskable-192.png",
        "icon-maskable-512.png",
        "icon-apple-180.png",
    }
