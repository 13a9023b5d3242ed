"""Logs that an instrument writes while a board soaks: one file each, in the form that a meter's own program saves.

Each row is on the disk when the next is measured, so that a program that stops leaves what was measured until then.
A sample that failed is a row of words, which the reading of a log counts as left out and never as a value.
"""

from __future__ import annotations

import json
import re
import secrets
import time
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import IO, Any

from kb import system
from kb.errors import NotFound, StoreTrouble
from kb.instruments.responses import Measured

EVERY_S = 1.0
MOST_ROWS = 1_000_000
GIVES_UP_AFTER = 300  # samples in a row without a value
_KEPT_DAYS = 7
_ID = re.compile(r"[0-9a-f]{16}")
_HEAD = "# "


@dataclass(frozen=True, slots=True)
class About:
    """What a log is of: the step of a run, or a case with rail, supply state and load. `title` is for people."""

    title: str
    run: str = ""
    step: str = ""
    case: str = ""
    family: str = ""
    rail: str = ""
    supply: str = ""
    load: str = ""
    after: str = ""


@dataclass(slots=True)
class Log:
    """A log under way or ended: how many values and failed samples it has, the newest, and why it ended by itself."""

    id: str
    instrument: str
    about: About
    began: str
    path: Path
    values: int = 0
    failed: int = 0
    in_a_row: int = 0
    last: str = ""
    trouble: str = ""
    running: bool = False
    out: IO[str] | None = field(default=None, repr=False)

    def add(self, seconds: float, measured: Measured | None, trouble: str = "") -> bool:
        """Writes a row; False where the log ends by itself. A disk that is full ends it too."""
        if self.out is None:
            return False
        value = measured.value if measured else None
        if value is not None:
            self.values, self.in_a_row, self.last, self.trouble = (
                self.values + 1,
                0,
                f"{value.normalize():f} V",
                "",
            )
            cell = f"{value.normalize():f}"
        else:
            self.failed, self.in_a_row = self.failed + 1, self.in_a_row + 1
            self.trouble = trouble or "It shows an overload or no value."
            cell = "no reading"
        try:
            self.out.write(f"{max(0.0, seconds):.2f};{cell}\n")
            self.out.flush()
        except OSError as error:
            self.trouble = f"The log cannot be written any more: {error.strerror}."
            return False
        if self.in_a_row >= GIVES_UP_AFTER:
            self.trouble = f"It ended by itself after {self.in_a_row} samples without a value. {self.trouble}"
            return False
        return self.values + self.failed < MOST_ROWS

    def end(self) -> None:
        """Closes the file."""
        self.running = False
        if self.out is not None:
            self.out.close()
            self.out = None


class Logs:
    """The logs of a folder, which is made with the first of them."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        # A log that has ended stays as it is, so its rows are counted once.
        self._known: dict[str, Log] = {}

    def begin(self, instrument: str, about: About, began: str) -> Log:
        """Begins a log. Raises StoreTrouble where its file cannot be made."""
        log = Log(secrets.token_hex(8), instrument, about, began, self._folder)
        log.path = self._folder / f"{log.id}.csv"
        try:
            system.make_private_folder(self._folder)
            self._throw_out_old()
            log.out = system.open_private(log.path, "x", encoding="utf-8", newline="\n")
            head = {"instrument": instrument, "began": began, "about": asdict(about)}
            log.out.write(f"{_HEAD}{json.dumps(head)}\nseconds;volts\n")
            log.out.flush()
        except OSError as error:
            raise StoreTrouble(
                f"The log cannot be written: {error.strerror}.",
                remedy="See that the disk is not full or write-protected.",
            ) from error
        log.running = True
        self._known[log.id] = log
        return log

    def get(self, log_id: str) -> Log:
        """A log, under way or not. Raises NotFound."""
        if log_id in self._known:
            return self._known[log_id]
        if _ID.fullmatch(log_id):
            path = self._folder / f"{log_id}.csv"
            try:
                return self._known.setdefault(log_id, _read_head(log_id, path))
            except (OSError, ValueError, KeyError, TypeError):
                pass
        raise NotFound("There is no such log.", remedy="A log is kept for a week after its end.")

    def all(self) -> list[Log]:
        """All logs that there are, the newest first."""
        files = sorted(self._folder.glob("*.csv"), key=lambda one: one.stat().st_mtime, reverse=True)
        found = []
        for file in files[:50]:
            try:
                found.append(self.get(file.stem))
            except NotFound:
                continue
        return found

    def text(self, log: Log) -> str:
        """What was measured until now, as lines of seconds and volts."""
        return log.path.read_text(encoding="utf-8").partition("\n")[2]

    def close(self) -> None:
        """Ends all that run."""
        for log in list(self._known.values()):
            log.end()

    def _throw_out_old(self) -> None:
        for file in self._folder.glob("*.csv"):
            known = self._known.get(file.stem)
            is_old = time.time() - file.stat().st_mtime > _KEPT_DAYS * 86_400
            if is_old and not (known and known.running):
                self._known.pop(file.stem, None)
                file.unlink(missing_ok=True)


def _read_head(log_id: str, path: Path) -> Log:
    with path.open(encoding="utf-8") as lines:
        first = next(lines)
        head: Any = json.loads(first.removeprefix(_HEAD))
        log = Log(log_id, str(head["instrument"]), About(**head["about"]), str(head["began"]), path)
        next(lines)
        for line in lines:
            if line.endswith(";no reading\n"):
                log.failed += 1
            else:
                log.values += 1
    return log
