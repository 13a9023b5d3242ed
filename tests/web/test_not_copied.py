"""What cannot be decoded is copied neither into an answer nor into the log."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from typing import Any

import pictures_made
import pytest
from factories import a_case, a_family, bring, fresh_shop
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError
from web_client import Client

MARK = b"MARK7731"
BAD = b"\xff\xfe" + MARK + b"\xff"
JSON = {"content-type": "application/json"}
TYPED = {"content-type": "application/x-www-form-urlencoded"}
PARTS = {"content-type": "multipart/form-data; boundary=b"}
PNG = pictures_made.png()
FILES = {
    "no text": BAD * 50,
    "a picture that is cut off": PNG[:30] + MARK + bytes(50),
    "a picture with a foreign chunk": PNG[:8] + b"\x00\x00\x00\x08MARK" + MARK + b"zzzz" + PNG[8:],
    "half a zip file": b"PK\x03\x04" + MARK * 40 + b"\x00",
    "half a JPEG": b"\xff\xd8\xff\xe1\x00\x20" + MARK * 20 + b"\x00",
    "half a PDF": b"%PDF-1.4 \xff\x00" + MARK * 10,
}
LINE = b'{"record":"case","complaint":"' + BAD + b'"}\n'


@pytest.fixture(scope="module")
def client() -> Iterator[Client]:
    shop = fresh_shop()
    assert bring(shop, a_family(), a_case("one")).saved
    made = Client(shop)
    yield made
    made.close()


def sent() -> list[Any]:
    found: list[tuple[str, str, str, dict[str, Any]]] = []
    for path in ("/api/cases", "/api/suggestions", "/api/read", "/api/families", "/api/bench/load-plan"):
        for what, body in {
            "bytes in JSON": b'{"text":"' + BAD + b'"}',
            "JSON that ends early": b'{"text":"' + MARK,
            "half characters": b'{"text":"\\ud800MARK7731","family":"\\ud800MARK7731"}',
        }.items():
            found.append((f"{what} at {path}", "POST", path, {"content": body, "headers": JSON}))
    found += [
        (f"lines at {path}", "POST", path, {"content": LINE + MARK + b"\n"})
        for path in ("/api/import", "/api/import?skip_bad=true")
    ]
    found.append(("lines", "POST", "/data/import", {"files": {"file": ("x.jsonl", LINE + MARK + b"\n")}}))
    for path in ("/helpers/log", "/data/sheet", "/cases/one/photos", "/api/cases/one/files", "/shared"):
        for what, body in FILES.items():
            # That one makes a sheet of odd letters, which the next step shows.
            if (path, what) != ("/data/sheet", "no text"):
                found.append((f"{what} at {path}", "POST", path, {"files": {"file": ("x.bin", body)}}))
    head = b'--b\r\nContent-Disposition: form-data; name="'
    found += [
        (
            "the name of a part",
            "POST",
            "/cases",
            {"content": head + BAD + b'"\r\n\r\nx\r\n--b', "headers": PARTS},
        ),
        (
            "the head of a part",
            "POST",
            "/cases",
            {"content": b"--b\r\n" + BAD + b"\r\n\r\nx", "headers": PARTS},
        ),
        ("a form", "POST", "/cases", {"content": b"family=%ff%feMARK7731&complaint=%ff", "headers": TYPED}),
        ("a form of bytes", "POST", "/cases", {"content": b"family=" + BAD, "headers": TYPED}),
        ("a query", "GET", "/search?q=%ff%feMARK7731", {}),
        ("a query of the API", "GET", "/api/search?q=%ff%feMARK7731", {}),
        ("an address", "GET", "/cases/%ff%feMARK7731", {}),
        ("an address of the API", "GET", "/api/cases/%ff%feMARK7731", {}),
        ("a cookie", "GET", "/", {"headers": {"cookie": b"kb_session=" + BAD}}),
        ("a token", "GET", "/api/health", {"headers": {"authorization": b"Bearer " + BAD}}),
        ("a key", "POST", "/api/cases", {"content": b"{}", "headers": {**JSON, "idempotency-key": BAD}}),
        ("a host", "GET", "/", {"headers": {"host": b"MARK7731["}}),
    ]
    return [pytest.param(*entry[1:], id=entry[0]) for entry in found]


@pytest.mark.parametrize(("method", "path", "options"), sent())
def test_what_cannot_be_decoded_is_copied_nowhere(
    client: Client, caplog: pytest.LogCaptureFixture, method: str, path: str, options: dict[str, Any]
) -> None:
    logging.getLogger("httpx").setLevel(logging.WARNING)  # the client's own lines
    with caplog.at_level(logging.INFO):
        answer = client.call(method, path, **options)
    assert answer.status_code < 500
    assert b"mark7731" not in answer.content.lower()
    assert "mark7731" not in caplog.text.lower()


def test_a_form_that_is_no_text_changes_nothing(client: Client) -> None:
    answer = client.post("/cases/one", content=b"complaint=%ff%fe&family=GL-31&verdict=", headers=TYPED)
    assert answer.status_code == 422
    assert "holds what is no text" in answer.text
    assert "stays dark" in client.get("/api/cases/one").json()["complaint"]


def test_letters_of_every_language_are_text(client: Client) -> None:
    typed = {"family": "GL-31", "complaint": "Überspannung, ça sent le brûlé, 焦げ臭い 🔥", "verdict": ""}
    page = client.post("/cases", data=typed)
    assert page.status_code == 303
    assert "焦げ臭い" in client.get(page.headers["location"]).text
    assert client.get("/search", params={"q": "brûlé 焦げ臭い"}).status_code == 200


def test_an_error_of_the_database_says_nothing_of_what_was_typed(client: Client) -> None:
    with pytest.raises(DBAPIError) as caught, client.shop.store._engine.connect() as connection:
        connection.execute(text("INSERT INTO nowhere VALUES (:typed)"), {"typed": MARK.decode()})
    assert MARK.decode() not in str(caught.value)
