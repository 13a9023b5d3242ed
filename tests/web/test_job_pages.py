"""The page of long work, with and without a script."""

from __future__ import annotations

import threading

from commands import STUCK_S
from web_client import Client, Page

from kb.service.shop.jobs import Job


def test_a_running_job_shows_how_far_it_is_and_can_be_stopped(client: Client) -> None:
    begun, go_on = threading.Event(), threading.Event()

    def work(job: Job) -> None:
        job.advance(1200)
        begun.set()
        assert go_on.wait(STUCK_S)
        job.advance()

    job = client.shop.jobs.start("test", "Bring in <harbour> list", work, unit="rows", total=5000)
    assert begun.wait(STUCK_S)
    shown = client.get(f"/jobs/{job.id}")
    assert "Under way: 1 200 of 5 000 rows" in shown.text
    assert "&lt;harbour&gt;" in shown.text
    bars = [given for tag, given in Page(shown.text).tags if tag == "progress"]
    assert [(bar["value"], bar["max"]) for bar in bars] == [("1200", "5000")]
    assert '<meta http-equiv="refresh"' in shown.text
    assert client.get(f"/jobs/{job.id}/state").json() == {
        "state": "running",
        "over": False,
        "done": 1200,
        "total": 5000,
        "unit": "rows",
    }
    threading.Timer(0.1, go_on.set).start()
    assert client.post(f"/jobs/{job.id}/stop").headers["location"] == f"/jobs/{job.id}"
    assert job.wait(STUCK_S)
    after = client.get(f"/jobs/{job.id}")
    assert "Nothing of it was kept" in after.text
    assert "refresh" not in after.text


def test_a_job_that_is_done_leads_to_its_answer(client: Client) -> None:
    job = client.shop.jobs.start("test", "Makes a page", lambda job: None, answer_at="/families")
    assert job.wait(STUCK_S)
    answer = client.get(f"/jobs/{job.id}")
    assert (answer.status_code, answer.headers["location"]) == (303, "/families")


def test_a_job_of_an_earlier_run_is_not_there(client: Client) -> None:
    answer = client.get("/jobs/0000")
    assert answer.status_code == 404
    assert "started again" in answer.text
