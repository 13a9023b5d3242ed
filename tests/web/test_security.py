"""Nobody else in: hosts, origins, protective headers, and pages without inline code."""

from __future__ import annotations

import re

import pytest
from factories import case_json, exported
from web_client import Client, Page, error_of

GET_PAGES = (
    "/",
    "/search",
    "/search?q=relay",
    "/diagnose",
    "/diagnose/ranking",
    "/cases",
    "/cases?show=open",
    "/cases?show=binned",
    "/cases/new",
    "/cases/one",
    "/cases/one/edit",
    "/families",
    "/families/new",
    "/families/GL-31",
    "/families/GL-31/edit",
    "/data",
    "/data/symptoms",
    "/data/part-classes",
    "/help",
    "/api/docs",
    "/nowhere",
)


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "evil.example:8765",
        "127.0.0.1.evil.example",
        "localhost.evil.example",
        "192.0.2.7",
        "",
        "[",
    ],
)
@pytest.mark.parametrize("path", ["/", "/api/health", "/static/css/sheet.css"])
def test_a_foreign_host_is_refused(client: Client, host: str, path: str) -> None:
    answer = client.get(path, headers={"Host": host})
    assert answer.status_code == 403
    assert "Content-Security-Policy" in answer.headers
    if path.startswith("/api"):
        error_of(answer)


@pytest.mark.parametrize("host", ["127.0.0.1:8765", "localhost:8765", "[::1]:8765", "LOCALHOST", "127.0.0.2"])
def test_this_machine_is_answered_under_all_its_names(client: Client, host: str) -> None:
    assert client.get("/api/health", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:9999"},
        {"Origin": "http://[bad"},
        {"Origin": ""},
        {"Origin": "http://127.0.0.1:8765", "Sec-Fetch-Site": "cross-site"},
    ],
    ids=str,
)
@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("POST", "/cases"),
        ("POST", "/cases/one/bin"),
        ("POST", "/data/import"),
        ("POST", "/api/cases"),
        ("POST", "/api/import"),
        ("DELETE", "/api/cases/one"),
    ],
)
def test_a_write_from_another_web_page_is_refused(
    client: Client, method: str, path: str, headers: dict[str, str]
) -> None:
    before = exported(client.shop)
    answer = client.call(method, path, headers=headers, json=case_json())
    assert answer.status_code == 403
    if path.startswith("/api"):
        assert "another web page" in error_of(answer)["message"]
    assert exported(client.shop) == before


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Sec-Fetch-Site": "same-origin"},
        {"Sec-Fetch-Site": "none"},
        {"Origin": "http://127.0.0.1:8765"},
    ],
    ids=str,
)
def test_writes_from_its_own_pages_and_from_programs_are_taken(
    client: Client, headers: dict[str, str]
) -> None:
    assert client.post("/api/cases", headers=headers, json=case_json()).status_code == 201


@pytest.mark.parametrize(
    "path", [*GET_PAGES, "/api/health", "/api/nothing", "/static/css/sheet.css", "/static/none.css"]
)
def test_every_answer_carries_the_protective_headers(client: Client, path: str) -> None:
    headers = client.get(path).headers
    policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == "'self'"
    assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
    assert policy["form-action"] == "'self'"
    assert "unsafe" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["x-frame-options"] == "DENY"
    assert headers["referrer-policy"] == "same-origin"


@pytest.mark.parametrize("length", ["-1", "many", "²", "1e9", "9" * 30])
def test_a_length_that_is_no_number_is_refused(client: Client, length: str) -> None:
    answer = client.post("/api/cases", content=b"{}", headers=[(b"Content-Length", length.encode("latin-1"))])
    assert answer.status_code in (413, 422)
    error_of(answer)


def check_page(html: str) -> None:
    """No inline script, style or handler, and nothing from elsewhere."""
    for tag, attributes in Page(html).tags:
        assert tag != "style", "inline style element"
        assert "style" not in attributes, f"inline style on {tag}"
        assert not [name for name in attributes if name.startswith("on")], f"handler on {tag}"
        if tag == "script":
            assert str(attributes.get("src", "")).startswith("/static/"), attributes
        for name in ("src", "href", "action", "formaction"):
            value = attributes.get(name) or ""
            assert not re.match(r"(?i)\s*(https?:|//|javascript:|data:)", value), f"{tag} {name}={value}"


@pytest.mark.parametrize("path", GET_PAGES)
def test_no_page_holds_inline_code_or_anything_from_elsewhere(client: Client, path: str) -> None:
    answer = client.get(path)
    check_page(answer.text)
    if "/ranking" not in path:
        assert answer.text.lstrip().startswith("<!doctype html>")


def test_pages_of_errors_and_refused_forms_are_as_clean(client: Client) -> None:
    for path in ("/cases", "/families", "/data/symptoms", "/data/import", "/cases/one/follow-ups"):
        answer = client.post(path, data={"family": "<script>alert(1)</script>"})
        assert answer.status_code == 422, path
        assert "<script>alert" not in answer.text
        check_page(answer.text)


@pytest.mark.parametrize(
    "path", ["/static/../kb/config.py", "/static/%2e%2e/pyproject.toml", "/static//etc/passwd"]
)
def test_static_files_stay_in_their_folder(client: Client, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 404
    assert "build-system" not in answer.text
