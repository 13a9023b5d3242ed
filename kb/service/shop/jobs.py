"""Work that takes longer than a page may: one piece at a time, with its progress, and stoppable.

Jobs live as long as the process. What a job makes is kept by the work itself, in one transaction or by one
rename, so that a job that is stopped or cut off leaves nothing half done.
"""

from __future__ import annotations

import logging
import queue
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Literal

from kb.errors import KbError, NotFound

log = logging.getLogger(__name__)
State = Literal["waiting", "running", "done", "failed", "stopped"]
_KEPT = 50


class Stopped(Exception):
    """Raised inside the work of a job that somebody stopped, so that its transaction is undone."""


@dataclass(slots=True)
class Job:
    """One piece of work. `done` of `total` counts in `unit`s; `total` None where nobody can know it.

    `result` is what the work answered, `answer_at` the page that shows it.
    """

    id: str
    kind: str
    title: str
    unit: str = ""
    state: State = "waiting"
    done: int = 0
    total: int | None = None
    result: Any = None
    answer_at: str = ""
    trouble: str = ""
    remedy: str = ""
    person: str = ""
    stoppable: bool = True
    begun_at: datetime | None = None
    ended_at: datetime | None = None
    _stop: threading.Event = field(default_factory=threading.Event, repr=False)
    _ended: threading.Event = field(default_factory=threading.Event, repr=False)

    @property
    def over(self) -> bool:
        return self.state in ("done", "failed", "stopped")

    @property
    def share(self) -> float | None:
        """Done out of total, 0 to 1; None where the total is not known."""
        return min(self.done / self.total, 1.0) if self.total else None

    def advance(self, number: int = 1) -> None:
        """Called by the work at every step. Raises Stopped where somebody stopped the job."""
        self.advance_to(self.done + number)

    def advance_to(self, done: int) -> None:
        """The same with the whole count. Raises Stopped where somebody stopped the job."""
        self.done = done
        if self._stop.is_set() and self.stoppable:
            raise Stopped

    def point_of_no_return(self) -> None:
        """From here on the job cannot be stopped. Raises Stopped where somebody was faster."""
        self.advance(0)
        self.stoppable = False

    def wait(self, seconds: float | None = None) -> bool:
        """Waits until the job is over; False where it is not within `seconds`."""
        return self._ended.wait(seconds)


class Jobs:
    """The jobs of this process, worked off one after another by one thread.

    `patience_s` is how long a page waits for a job before it leads to the page of the work itself: small work is
    done by then.
    """

    def __init__(self) -> None:
        self.patience_s = 2.0
        self._jobs: dict[str, Job] = {}
        self._lock = threading.Lock()
        self._queue: queue.SimpleQueue[tuple[Job, Callable[[Job], Any]] | None] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None

    def start(
        self,
        kind: str,
        title: str,
        work: Callable[[Job], Any],
        *,
        unit: str = "",
        total: int | None = None,
        person: str = "",
        answer_at: str = "",
    ) -> Job:
        """Queues `work`, which is given its job to report progress to; returns the job at once."""
        job = Job(secrets.token_hex(8), kind, title, unit=unit, total=total, person=person)
        job.answer_at = answer_at
        with self._lock:
            self._jobs[job.id] = job
            over = [one for one in self._jobs.values() if one.over]
            for old in over[: max(0, len(self._jobs) - _KEPT)]:
                del self._jobs[old.id]
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name="jobs", daemon=True)
                self._thread.start()
        self._queue.put((job, work))
        return job

    def get(self, job_id: str) -> Job:
        """Raises NotFound for a job of an earlier run of the program."""
        job = self._jobs.get(job_id)
        if job is None:
            raise NotFound(
                "This piece of work is not known: the program was started again since.",
                remedy="Look at the data page for what was kept.",
            )
        return job

    def all(self) -> list[Job]:
        """All jobs that are remembered, the newest first."""
        return list(self._jobs.values())[::-1]

    def stop(self, job_id: str) -> Job:
        """Asks a job to stop at its next step; what it had done is undone by its transaction."""
        job = self.get(job_id)
        job._stop.set()
        return job

    def close(self) -> None:
        """Stops what runs and waits for it."""
        with self._lock:
            thread, self._thread = self._thread, None
            for job in self._jobs.values():
                job._stop.set()
        if thread is not None:
            self._queue.put(None)
            thread.join(30)

    def _run(self) -> None:
        while (entry := self._queue.get()) is not None:
            self._do(*entry)

    @staticmethod
    def _do(job: Job, work: Callable[[Job], Any]) -> None:
        job.state, job.begun_at = "running", datetime.now(UTC)
        try:
            job.advance(0)
            job.result = work(job)
            job.state = "done"
        except Stopped:
            job.state = "stopped"
        except KbError as error:
            job.trouble, job.remedy = error.message, error.remedy or ""
            job.state = "failed"
        except Exception:
            log_id = secrets.token_hex(4)
            log.exception("job %s failed, %s", job.kind, log_id)
            job.trouble = "Something went wrong inside the program. What was saved before is safe."
            job.remedy = f"Try again. If it stays, look for {log_id} in the log."
            job.state = "failed"
        finally:
            job.ended_at = datetime.now(UTC)
            job._ended.set()
