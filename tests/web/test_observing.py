"""Each request has an id, is counted by the pattern of its address, and tells nothing of what was typed."""

from __future__ import annotations

import logging

import pytest
from factories import a_case, bring
from prometheus_client.parser import text_string_to_metric_families
from web_client import Client


def samples(client: Client) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    """The figures as Prometheus's own parser reads them."""
    answer = client.get("/metrics")
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/plain; version=")
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(answer.text)
        for sample in family.samples
    }


def count(client: Client, **labels: str) -> float:
    return samples(client).get(("kb_requests_total", tuple(sorted(labels.items()))), 0.0)


def test_requests_are_counted_by_pattern_and_status(client: Client) -> None:
    for _ in range(3):
        client.get("/cases/one")
    client.get("/cases/nobody")
    client.get("/made/up/by/anybody")
    client.get("/static/css/sheet.css")
    assert count(client, method="GET", route="/cases/{uid}", status="200") == 3
    assert count(client, method="GET", route="/cases/{uid}", status="404") == 1
    assert count(client, method="GET", route="none", status="404") == 1
    assert count(client, method="GET", route="/static", status="200") == 1
    timed = samples(client)[("kb_request_seconds_count", (("route", "/cases/{uid}"),))]
    assert timed == 4


def test_what_the_guard_refuses_is_counted_too(client: Client) -> None:
    client.get("/families", headers={"Host": "evil.example"})
    assert count(client, method="GET", route="none", status="403") == 1
    client.call("BREW", "/families")
    assert count(client, method="other", route="none", status="405") == 1 or count(
        client, method="other", route="/families", status="405"
    )


def test_the_figures_say_how_far_the_copies_are(client: Client) -> None:
    client.post("/api/import", content=b"".join([b""]))
    bring(client.shop, a_case("two"))
    found = samples(client)
    assert found["kb_healthy", ()] == 1
    assert found["kb_cases", ()] == 2
    assert found["kb_change_number", ()] >= 3
    assert found["kb_change_lag", (("copy", "index"),)] == 0
    assert found["kb_change_lag", (("copy", "counts"),)] == 0
    assert found["kb_jobs", (("state", "running"),)] == 0
    assert found["process_resident_memory_bytes", ()] > 1_000_000


def test_every_answer_carries_the_id_that_the_log_has(
    client: Client, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.INFO, logger="kb.requests"):
        answer = client.get("/search?q=a+private+matter")
    [record] = [one for one in caplog.records if one.name == "kb.requests"]
    assert getattr(record, "request") == answer.headers["X-Request-Id"]  # noqa: B009
    assert "private" not in record.getMessage()
    assert record.getMessage().startswith("GET /search 200 in ")
    other = client.get("/search?q=x").headers["X-Request-Id"]
    assert other != answer.headers["X-Request-Id"]


def test_an_unforeseen_error_is_told_under_the_id_of_its_request(
    client: Client, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object, **__: object) -> None:
        raise RuntimeError("a secret detail")

    monkeypatch.setattr("kb.service.boards.families.listed", fails)
    answer = client.get("/families")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert answer.headers["X-Request-Id"] in answer.text
    assert any(answer.headers["X-Request-Id"] in record.getMessage() for record in caplog.records)
    assert count(client, method="GET", route="/families", status="500") == 1
