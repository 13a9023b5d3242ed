"""Pictures of boards on their pages: sending, straightening, pinning, finding, replacing, and where they are used."""

from __future__ import annotations

import errno
import io
import re
from collections.abc import Iterator
from typing import Any

import pictures_made as made
import pytest
from factories import a_case, a_family, bring, case_json, fresh_shop
from PIL import Image, ImageDraw
from web_client import Client, Page, error_of

from kb.model import Connector, Pin, Rail
from kb.service.boards import pictures
from kb.service.cases import files
from kb.web.forms import picture as forms

RAIL = Rail(
    name="5VSB",
    nominal_v=5.0,
    role="standby",
    always_on=True,
    connector="CN2",
    pins=[4, 5],
    ground_pins=[1, 2],
)
CN2 = Connector(name="CN2", pins=10, rows=2)
LINES = "\n".join(
    (
        "part: C9 at 40 50; electrolytic capacitor; standby output",
        "test point: TP3 at 10 20",
        "connector: CN2 at 80 20 to 84 36; 10 pins; 2 rows",
        "hot side: 2 2, 40 2, 40 98, 2 98",
    )
)


@pytest.fixture
def shop() -> Iterator[Client]:
    client = Client(fresh_shop())
    assert bring(client.shop, a_family(rails=[RAIL], connectors=[CN2])).saved
    yield client
    client.close()


def board(width: int = 1200, height: int = 800, exif: int = 1) -> bytes:
    return made.saved(made.marked(width, height), "JPEG", exif=made.exif(exif))


def send(client: Client, content: bytes, name: str = "board.jpg", **fields: str) -> Any:
    return client.post("/families/GL-31/pictures", files={"file": (name, content)}, data=fields)


def sent(client: Client, content: bytes | None = None) -> str:
    answer = send(client, content or board())
    assert answer.status_code == 303, answer.text
    return str(re.search(r"/pictures/([^/]+)/corners", answer.headers["location"])[1])  # type: ignore[index]


def pin_form(client: Client, uid: str, **changed: str) -> dict[str, str]:
    form = Page(client.get(f"/pictures/{uid}/pins").text).form(f"/pictures/{uid}")
    return {**form, **changed}


def pinned(client: Client, lines: str = LINES) -> str:
    uid = sent(client)
    answer = client.post(f"/pictures/{uid}", data=pin_form(client, uid, pins=lines))
    assert answer.status_code == 303, answer.text
    return uid


def test_a_picture_is_sent_straightened_and_pinned_without_a_script(shop: Client) -> None:
    uid = sent(shop)
    form = Page(shop.get(f"/pictures/{uid}/corners").text).form(f"/pictures/{uid}")
    corners = "10 10, 90 12, 92 90, 8 88"
    answer = shop.post(f"/pictures/{uid}", data={**form, "corners": corners})
    assert answer.headers["location"] == f"/pictures/{uid}/pins"
    record = pictures.view(shop.shop, uid).record
    assert record.corners == [[0.1, 0.1], [0.9, 0.12], [0.92, 0.9], [0.08, 0.88]]
    ruled = pin_form(shop, uid, pins=LINES, ruler="0 50, 100 50", ruler_length="12 cm")
    assert shop.post(f"/pictures/{uid}", data=ruled).status_code == 303
    seen = pictures.view(shop.shop, uid)
    assert seen.size_mm is not None
    assert seen.size_mm[0] == pytest.approx(120, abs=0.01)
    page = shop.get(f"/pictures/{uid}").text
    assert "4 places pinned" not in page
    assert 'aria-label="On the picture: C9, TP3, CN2"' in page
    # What is saved again as it stands changes nothing.
    assert pin_form(shop, uid)["pins"] == LINES
    assert shop.post(f"/pictures/{uid}", data=pin_form(shop, uid)).status_code == 303
    assert pictures.view(shop.shop, uid).version == seen.version


def test_what_is_shown_is_the_board_cut_out_and_straight(shop: Client) -> None:
    picture = Image.new("RGB", (1200, 800), (0, 0, 200))
    corners = ((0.1, 0.1), (0.9, 0.2), (0.85, 0.9), (0.15, 0.8))
    ImageDraw.Draw(picture).polygon([(x * 1200, y * 800) for x, y in corners], fill=(220, 30, 30))
    uid = sent(shop, made.saved(picture, "JPEG"))
    form = Page(shop.get(f"/pictures/{uid}/corners").text).form(f"/pictures/{uid}")
    text = ", ".join(f"{100 * x} {100 * y}" for x, y in corners)
    shop.post(f"/pictures/{uid}", data={**form, "corners": text})
    whole = Image.open(io.BytesIO(shop.get(f"/pictures/{uid}/whole").content)).convert("RGB")
    inside = whole.crop((6, 6, whole.width - 6, whole.height - 6))
    small = inside.resize((40, 40))
    dots = [small.getpixel((x, y)) for x in range(40) for y in range(40)]
    assert all(red > 180 and blue < 80 for red, _, blue in dots)  # type: ignore[misc]
    piece = shop.get(f"/pictures/{uid}/piece/4/0/0")
    assert piece.headers["content-type"] == "image/webp"
    assert "sandbox" in piece.headers["content-security-policy"]
    again = shop.get(f"/pictures/{uid}/piece/4/0/0", headers={"If-None-Match": piece.headers["etag"]})
    assert again.status_code == 304
    for outside in ("3/0/0", "4/90/0", "4/0/90", "1/1/0"):
        assert shop.get(f"/pictures/{uid}/piece/{outside}").status_code == 422


def test_other_corners_leave_the_pins_where_they_are_on_the_board(shop: Client) -> None:
    uid = pinned(shop)
    before = pictures.view(shop.shop, uid).record
    form = Page(shop.get(f"/pictures/{uid}/corners").text).form(f"/pictures/{uid}")
    assert form["pins"] == LINES
    answer = shop.post(f"/pictures/{uid}", data={**form, "corners": "1 1, 99 1, 99 99, 1 99"})
    assert answer.status_code == 303
    after = pictures.view(shop.shop, uid).record
    assert after.pins == before.pins
    assert after.corners != before.corners
    # Corners that would cut a pin off are refused, and the pin is named.
    form = Page(shop.get(f"/pictures/{uid}/corners").text).form(f"/pictures/{uid}")
    refused = shop.post(f"/pictures/{uid}", data={**form, "corners": "1 30, 99 30, 99 99, 1 99"})
    assert refused.status_code == 422
    assert "TP3" in refused.text
    assert "outside the picture" in refused.text


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ("part: C9 at 140 50", "is not a number of per cent from 0 to 100"),
        ("part: C9 at 40", "is no place"),
        ("C9", "says no place"),
        (
            "part: C9 at 10 10\ntest point: c-9 at 50 50",
            "Line 2, “test point: c-9 at 50 50”: c-9 is on the picture twice",
        ),
        ("hot side: 1 1, 2 2", "needs at least three corners"),
        ("part:  at 3 3", "says no place"),
        ("part: C9 at 1 1; capacitor; nowhere", "is not in the list"),
        ("part: C9 at 10 10\npart: C10 at 10.1 10", "C9 and C10: at one point. Is that meant?"),
    ],
)
def test_lines_that_cannot_be_meant_are_told_and_nothing_typed_is_lost(
    shop: Client, lines: str, said: str
) -> None:
    uid = sent(shop)
    answer = shop.post(f"/pictures/{uid}", data=pin_form(shop, uid, pins=lines))
    assert answer.status_code == 422
    page = Page(answer.text)
    assert said in page.words
    assert page.form(f"/pictures/{uid}")["pins"] == lines
    assert pictures.view(shop.shop, uid).version == 1


def test_two_parts_at_one_point_are_kept_where_that_is_meant(shop: Client) -> None:
    uid = sent(shop)
    lines = "part: C9 at 10 10\npart: C10 at 10.1 10"
    form = pin_form(shop, uid, pins=lines, same_place="yes")
    assert shop.post(f"/pictures/{uid}", data=form).status_code == 303
    assert len(pictures.view(shop.shop, uid).record.pins) == 2


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"ruler_length": "long", "ruler": "1 1, 2 2"}, "is no length"),
        ({"ruler_length": "100 mm", "ruler": ""}, "needs its two ends"),
        ({"ruler_length": "100 mm", "ruler": "5 5, 5 5"}, "lie at one place"),
        ({"ruler_length": "0 mm", "ruler": "5 5, 9 5"}, "is not above 0"),
        ({"scale": "much"}, "is no scale"),
        ({"taken": "yesterday"}, "is not a date"),
        ({"side": "top"}, "is not in the list"),
    ],
)
def test_rulers_and_days_that_cannot_be_used_are_told(
    shop: Client, changed: dict[str, str], said: str
) -> None:
    uid = sent(shop)
    answer = shop.post(f"/pictures/{uid}", data=pin_form(shop, uid, **changed))
    assert answer.status_code == 422
    assert said in Page(answer.text).words


@pytest.mark.parametrize(
    "corners", ["1 1, 1 99, 99 99, 99 1", "1 1, 99 1, 99 99", "1 1, 50 1, 99 1, 1 99", "a b, 1 1, 2 2, 3 3"]
)
def test_corners_that_go_round_no_board_are_told(shop: Client, corners: str) -> None:
    uid = sent(shop)
    form = Page(shop.get(f"/pictures/{uid}/corners").text).form(f"/pictures/{uid}")
    answer = shop.post(f"/pictures/{uid}", data={**form, "corners": corners})
    assert answer.status_code == 422
    assert 'id="f-corners"' in answer.text


@pytest.mark.parametrize(
    ("content", "said"),
    [(b"", "No picture was chosen"), (b"words", "text inside"), (made.pdf(), "is a document and no picture")],
)
def test_what_is_no_picture_is_refused_on_the_page(shop: Client, content: bytes, said: str) -> None:
    files = {"file": ("board.jpg", content)} if content else None
    answer = shop.post("/families/GL-31/pictures", files=files, data={"side": "component side"})
    assert answer.status_code == 422
    assert said in Page(answer.text).words


def test_a_picture_turned_by_its_camera_is_upright_and_tells_no_place(shop: Client) -> None:
    uid = sent(shop, board(exif=6))
    record = pictures.view(shop.shop, uid).record
    assert (record.width_px, record.height_px) == (800, 1200)
    assert made.GPS_STAMP.encode() not in shop.get(f"/pictures/{uid}/content").content


def test_the_same_picture_sent_twice_is_one(shop: Client) -> None:
    assert sent(shop) == sent(shop)
    assert len(pictures.of_family(shop.shop, "GL-31").used) == 1


def test_two_people_who_pin_at_once_meet_and_both_are_kept(shop: Client) -> None:
    uid = pinned(shop)
    mine, theirs = pin_form(shop, uid), pin_form(shop, uid)
    theirs["pins"] += "\npart: Q1 at 60 60"
    assert shop.post(f"/pictures/{uid}", data=theirs).status_code == 303
    mine["pins"] += "\npart: R7 at 20 80"
    met = shop.post(f"/pictures/{uid}", data=mine)
    assert met.status_code == 409
    assert "Q1 (part)" in met.text
    form = Page(met.text).form(f"/pictures/{uid}")
    assert shop.post(f"/pictures/{uid}", data={**form, "meeting": "join"}).status_code == 303
    labels = {pin.label for pin in pictures.view(shop.shop, uid).record.pins}
    assert {"C9", "Q1", "R7"} <= labels


def test_a_form_that_is_sent_twice_saves_once(shop: Client) -> None:
    uid = sent(shop)
    form = pin_form(shop, uid, pins=LINES)
    assert form["sent_key"]
    for _ in range(2):
        assert shop.post(f"/pictures/{uid}", data=form).status_code == 303
    assert pictures.view(shop.shop, uid).version == 2


def test_searching_a_name_within_a_family_shows_it(shop: Client) -> None:
    uid = pinned(shop)
    for name, marks in (("c 9", 1), ("TP3", 1), ("CN2", 1), ("5VSB", 2)):
        page = shop.get("/families/GL-31/pictures", params={"find": name}).text
        assert f"/pictures/{uid}/piece/" in page, name
        assert page.count("b-ring") + page.count("b-tip ") == marks, name
    assert "is on no picture of GL-31 yet" in shop.get("/families/GL-31/pictures?find=Q7").text


def test_causes_fixes_and_bench_steps_show_their_place(shop: Client) -> None:
    uid = pinned(shop)
    assert bring(shop.shop, *(a_case(f"c{number}") for number in range(4))).saved
    piece = f"/pictures/{uid}/piece/"
    assert piece in shop.get("/families/GL-31").text
    assert piece in shop.get("/diagnose?family=GL-31&symptom=relay+clicks+repeatedly&state=present").text
    sheet = shop.get("/bench/sheet?family=GL-31").text
    assert "Where the probes go" in sheet
    assert 'loading="lazy"' not in sheet
    begun = shop.post("/bench", data={"family": "GL-31", "phase": "before", "isolated": "yes"})
    run = begun.headers["location"]
    shop.post(f"{run}/cautions")
    steps = [shop.get(f"{run}/steps/{number}").text for number in range(1, 12)]
    shown = [step for step in steps if piece in step]
    assert shown
    assert all("red on CN2 pin 4, black on CN2 pin 1" in step for step in shown)
    assert all("red=CN2+pin+4&amp;black=CN2+pin+1" in step for step in shown)
    whole = shop.get(f"/pictures/{uid}?red=CN2+pin+4&black=CN2+pin+1").text
    assert "b-tip--red" in whole
    assert "b-tip--black" in whole


def test_a_step_that_names_no_part_shows_the_one_part_that_it_means(shop: Client) -> None:
    fuse, bulk = "part: F1 at 10 10", "part: C2 at 30 60; bulk capacitor; bulk and power factor stage"
    uid = pinned(shop, f"{fuse}\n{bulk}\npart: FB1 at 60 60")
    sheet = shop.get("/bench/sheet?family=GL-31").text
    assert "F1, the fuse" in sheet
    assert "C2, the bulk capacitor" in sheet
    # Which of two is meant nobody can say, and a wrong place is worse than none.
    form = pin_form(shop, uid, pins=f"{fuse}\npart: F2 at 20 10")
    assert shop.post(f"/pictures/{uid}", data=form).status_code == 303
    assert "the fuse" not in shop.get("/bench/sheet?family=GL-31").text.partition("Where the probes go")[2]


def test_the_bench_shows_the_board_of_each_case_that_lies_there(shop: Client) -> None:
    assert bring(shop.shop, a_case(uid="lies-here", verdict=None, closed=None)).saved
    assert "/small" not in shop.get("/").text
    uid = pinned(shop)
    page = shop.get("/").text
    assert f'src="/pictures/{uid}/small"' in page
    assert shop.get(f"/pictures/{uid}/small").headers["content-type"].startswith("image/")


def test_a_family_without_a_picture_shows_what_it_showed(shop: Client) -> None:
    assert bring(shop.shop, *(a_case(f"c{number}") for number in range(4))).saved
    for address in ("/diagnose?family=GL-31", "/bench/sheet?family=GL-31", "/families/GL-31"):
        answer = shop.get(address)
        assert answer.status_code == 200
        assert "/piece/" not in answer.text
    assert 'href="/families/GL-31/pictures"' in shop.get("/families/GL-31").text


def test_a_closed_case_with_a_photograph_asks_for_the_picture_its_family_lacks(shop: Client) -> None:
    assert bring(shop.shop, a_case("done"), case_json("open", verdict=None, closed=None, attempts=None)).saved
    for uid in ("done", "open"):
        shop.post(f"/cases/{uid}/photos", files={"file": ("board.jpg", board())})
    asked = "has no picture of its board yet"
    assert asked not in shop.get("/cases/open").text
    page = shop.get("/cases/done").text
    assert asked in page
    photo = str(re.search(r"/cases/done/photos/([^\"#]+)#board", page)[1])  # type: ignore[index]
    made_of = shop.post(f"/cases/done/photos/{photo}/board")
    assert re.fullmatch(r"/pictures/[^/]+/corners", made_of.headers["location"])
    assert asked not in shop.get("/cases/done").text
    again = shop.post(f"/cases/done/photos/{photo}/board")
    assert again.headers["location"] == made_of.headers["location"]


def test_a_better_picture_takes_over_and_nothing_is_saved_before_it_is_confirmed(shop: Client) -> None:
    old = pinned(shop)
    answer = send(shop, board(900, 600), replaces=old)
    new = str(re.search(r"/pictures/([^/]+)/corners", answer.headers["location"])[1])  # type: ignore[index]
    form = Page(shop.get(answer.headers["location"]).text).form(f"/pictures/{new}")
    joined = shop.post(f"/pictures/{new}", data={**form, "as_it_is": "yes"})
    assert joined.headers["location"] == f"/pictures/{new}/join?old={old}"
    form = Page(shop.get(joined.headers["location"]).text).form(f"/pictures/{new}/join")
    refused = shop.post(
        f"/pictures/{new}/join", data={**form, "points": "1 1, 2 2, 3 3", "onto": "1 1, 9 1, 1 9"}
    )
    assert refused.status_code == 422
    assert "lie on one line" in refused.text
    # The newer picture shows twice as much around the board.
    form |= {"points": "0 0, 100 0, 0 100", "onto": "25 25, 75 25, 25 75"}
    shown = shop.post(f"/pictures/{new}/join", data=form)
    assert shown.status_code == 200
    filled = Page(shown.text).form(f"/pictures/{new}")
    assert filled["pins"].splitlines()[0].startswith("part: C9 at 45 50;")
    assert pictures.view(shop.shop, new).version == 1
    assert shop.post(f"/pictures/{new}", data=filled).status_code == 303
    found = pictures.of_family(shop.shop, "GL-31")
    assert [one.record.uid for one in found.used] == [new]
    assert [one.record.uid for one in found.replaced] == [old]
    assert "A better picture has replaced this one" in shop.get(f"/pictures/{old}").text


def test_the_api_reads_and_writes_pictures(shop: Client) -> None:
    added = shop.post(
        "/api/families/GL-31/pictures", files={"file": ("b.jpg", board())}, data={"side": "solder side"}
    )
    assert added.status_code == 201
    body = added.json()
    assert (body["side"], body["here"], body["version"]) == ("solder side", True, 1)
    path = added.headers["location"]
    changed = {**body, "pins": [{"kind": "part", "label": "C9", "x": 0.5, "y": 0.25}]}
    assert error_of(shop.call("PUT", path, json=changed))["message"]
    assert shop.call("PUT", path, json=changed, headers={"If-Match": '"7"'}).status_code == 412
    saved = shop.call("PUT", path, json=changed, headers={"If-Match": added.headers["etag"]})
    assert saved.status_code == 200, saved.text
    assert saved.json()["pins"] == changed["pins"]
    assert shop.get("/api/families/GL-31/pictures").json()["pictures"] == [saved.json()]
    assert shop.get(f"{path}/content").content == shop.get(f"{path.removeprefix('/api')}/content").content
    outside = {**changed, "pins": [{"kind": "part", "label": "C9", "x": 1.5, "y": 0.25}]}
    assert error_of(shop.call("PUT", path, json=outside, headers={"If-Match": "2"}))["field"] == "pins.0.x"
    other = error_of(shop.call("PUT", path, json={**changed, "uid": "other"}, headers={"If-Match": "2"}))
    assert other["field"] == "uid"


def test_every_line_says_all_that_its_pin_says(shop: Client) -> None:
    record = pictures.view(shop.shop, pinned(shop)).record
    view = pictures.shown(record)
    assert {pin.kind for pin in record.pins} >= {"part", "connector"}
    for pin in record.pins:
        again = Pin.model_validate(forms.pin_of(view, forms.line_of(view, pin)))
        assert again == pin


def test_a_page_with_three_hundred_pins_stays_light(shop: Client) -> None:
    lines = "\n".join(
        f"part: C{number} at {number % 30 * 3 + 2} {number // 30 * 9 + 4}" for number in range(300)
    )
    uid = pinned(shop, lines)
    assert bring(shop.shop, *(a_case(f"c{number}") for number in range(4))).saved
    family = shop.get("/families/GL-31").text
    assert f"/pictures/{uid}/whole" in family
    # The family's page names the pins that its fixes name, and carries none of the others.
    assert "C299" not in family
    assert len(family) < 60_000
    assert 'loading="lazy"' in family


@pytest.mark.parametrize(
    "address", ["/families/GL-31/pictures", "/pictures/{uid}/content", "/cases/lies-here/photos"]
)
def test_a_full_disk_is_told_at_every_upload(
    shop: Client, monkeypatch: pytest.MonkeyPatch, address: str
) -> None:
    assert bring(shop.shop, a_case(uid="lies-here", verdict=None, closed=None)).saved
    address = address.format(uid=sent(shop))

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(pictures, "bring_bytes", full)
    monkeypatch.setattr(pictures, "add", full)
    monkeypatch.setattr(files, "add", full)
    answer = shop.post(address, files={"file": ("board.jpg", board())}, data={"side": "component side"})
    assert answer.status_code == 503, answer.text
    assert "The disk is full, so nothing was saved." in answer.text
    assert "Free some space and send it again." in answer.text
