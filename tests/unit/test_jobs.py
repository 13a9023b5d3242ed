"""Long work: one piece at a time, with its progress, and stopped without leaving anything behind."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest
from commands import STUCK_S

from kb.errors import BadInput, NotFound
from kb.service.shop.jobs import Job, Jobs


@pytest.fixture
def jobs() -> Iterator[Jobs]:
    made = Jobs()
    yield made
    made.close()


def test_a_job_reports_its_progress_and_keeps_its_result(jobs: Jobs) -> None:
    halfway, go_on = threading.Event(), threading.Event()

    def work(job: Job) -> str:
        job.advance(5)
        halfway.set()
        assert go_on.wait(STUCK_S)
        job.advance_to(10)
        return "made"

    job = jobs.start("test", "Counts to ten", work, unit="steps", total=10)
    assert halfway.wait(STUCK_S)
    assert (job.state, job.done, job.share) == ("running", 5, 0.5)
    go_on.set()
    assert job.wait(STUCK_S)
    assert (job.state, job.result, job.share) == ("done", "made", 1.0)
    assert job.begun_at is not None
    assert job.ended_at is not None


def test_jobs_run_one_after_another(jobs: Jobs) -> None:
    first_may_end, order = threading.Event(), []

    def first(job: Job) -> None:
        assert first_may_end.wait(STUCK_S)
        order.append("first")

    one = jobs.start("test", "First", first)
    other = jobs.start("test", "Second", lambda job: order.append("second"))
    assert other.state == "waiting"
    first_may_end.set()
    assert other.wait(STUCK_S)
    assert one.over
    assert order == ["first", "second"]


def test_a_stopped_job_ends_at_its_next_step(jobs: Jobs) -> None:
    begun, stopped = threading.Event(), threading.Event()

    def work(job: Job) -> None:
        begun.set()
        assert stopped.wait(STUCK_S)
        job.advance()
        raise AssertionError("it went on")

    job = jobs.start("test", "Goes on", work)
    assert begun.wait(STUCK_S)
    jobs.stop(job.id)
    stopped.set()
    assert job.wait(STUCK_S)
    assert job.state == "stopped"


def test_a_job_that_waits_can_be_stopped_before_it_begins(jobs: Jobs) -> None:
    gate, ran = threading.Event(), []
    jobs.start("test", "Holds the thread", lambda job: gate.wait(STUCK_S))
    waiting = jobs.start("test", "Never runs", lambda job: ran.append("ran"))
    jobs.stop(waiting.id)
    gate.set()
    assert waiting.wait(STUCK_S)
    assert waiting.state == "stopped"
    assert ran == []


def test_past_the_point_of_no_return_a_job_goes_on(jobs: Jobs) -> None:
    past, stopped = threading.Event(), threading.Event()

    def work(job: Job) -> str:
        job.point_of_no_return()
        past.set()
        assert stopped.wait(STUCK_S)
        job.advance()
        return "kept"

    job = jobs.start("test", "Commits", work)
    assert past.wait(STUCK_S)
    jobs.stop(job.id)
    stopped.set()
    assert job.wait(STUCK_S)
    assert (job.state, job.result) == ("done", "kept")


def test_a_failure_is_told_in_a_sentence(jobs: Jobs, caplog: pytest.LogCaptureFixture) -> None:
    def refuses(job: Job) -> None:
        raise BadInput("The file is empty.", remedy="Choose another.")

    def breaks(job: Job) -> None:
        raise KeyError("secret detail")

    one = jobs.start("test", "Refuses", refuses)
    other = jobs.start("test", "Breaks", breaks)
    assert other.wait(STUCK_S)
    assert (one.state, one.trouble, one.remedy) == ("failed", "The file is empty.", "Choose another.")
    assert other.state == "failed"
    assert "secret" not in other.trouble + other.remedy
    assert other.remedy.split("look for ")[1].split(" ")[0] in caplog.text


def test_an_unknown_job_says_why(jobs: Jobs) -> None:
    with pytest.raises(NotFound, match="started again"):
        jobs.get("0123")


def test_only_the_latest_jobs_are_remembered(jobs: Jobs) -> None:
    made = [jobs.start("test", f"Job {number}", lambda job: None) for number in range(80)]
    assert made[-1].wait(STUCK_S)
    last = jobs.start("test", "Last", lambda job: None)
    assert last.wait(STUCK_S)
    assert len(jobs.all()) <= 51
    assert jobs.all()[0] is last
