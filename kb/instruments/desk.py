"""The desk: all instruments that can be read here, who has which, and the one way to a reading.

One instrument, one owner at a time. A page that takes a reading has it for that moment, one that records lowest and
highest as long as it asks for news of it, a log until it is ended. Whoever else asks is told who has it.
"""

from __future__ import annotations

import secrets
import tempfile
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from kb.errors import BadInput, InstrumentTrouble, KbError
from kb.errors import Taken as NameTaken
from kb.facts.vocabulary import QUANTITIES
from kb.instruments import visa
from kb.instruments.feeds import Feed, Feeds
from kb.instruments.logs import EVERY_S, About, Log, Logs
from kb.instruments.recording import Recording, Taken, typed
from kb.instruments.registry import Instrument, Registry, read_name
from kb.instruments.responses import Identity, Measured
from kb.instruments.session import PATIENCE_S, Link, Session, Shown
from kb.instruments.worker import Worker

MEANING = {word.value: word.meaning.partition(",")[0] for word in QUANTITIES}
# A page that records asks for news every second; one that was closed does not.
LEASE_S = 10.0
_ONE_READING_S = 60.0
_SAMPLE_EVERY_S = 0.25
_MOST_TAKEN = 500
OpenLink = Callable[[Instrument], Link]


@dataclass(slots=True)
class Hold:
    """Who has an instrument: a page, what it does with it, until when unless it asks again (None: until it ends)."""

    page: str
    doing: str
    until_s: float | None
    recording: Recording | None = None
    log: Log | None = None
    log_from_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Listed:
    """An instrument as the pages list it: `instrument` None for one whose readings another computer sends."""

    name: str
    instrument: Instrument | None
    doing: str
    said: str = ""
    said_at: str = ""
    person: str = ""
    quantity: str = ""

    def measures(self, quantity: str) -> bool:
        """Whether it may be asked for that; what is sent from elsewhere shows when it is taken."""
        return self.instrument is None or self.instrument.measures(quantity)


@dataclass(frozen=True, slots=True)
class Live:
    """What a recording shows meanwhile: newest, lowest and highest as text, how many, and what is wrong."""

    text: str
    low: str
    high: str
    count: int
    trouble: str


class Desk:
    """All instruments of this machine. For any thread; every reading comes as a future and holds up nobody."""

    def __init__(
        self,
        folder: Path | None,
        library: str = "@py",
        *,
        open_link: OpenLink | None = None,
        clock: Callable[[], float] = time.monotonic,
        patience_s: float = PATIENCE_S,
    ) -> None:
        self.registry = Registry(folder / "instruments.json" if folder else None)
        self.clock = clock
        self.sample_every_s, self.log_every_s = _SAMPLE_EVERY_S, EVERY_S
        self._folder = folder
        self._scratch: tempfile.TemporaryDirectory[str] | None = None
        self._logs: Logs | None = None
        self._library = library
        self._patience_s = patience_s
        self._open_link = open_link or self._open_by_visa
        self._lock = threading.RLock()
        self._workers: dict[str, Worker] = {}
        self._holds: dict[str, Hold] = {}
        self._feeds = Feeds()
        self._taken: OrderedDict[str, Taken] = OrderedDict()
        self._said: dict[str, tuple[str, str]] = {}

    # Which instruments there are

    @property
    def missing(self) -> InstrumentTrouble | None:
        """Why this machine reads no instrument of its own; None where the extra is installed."""
        return visa.trouble()

    def listed(self) -> list[Listed]:
        """All that can be read: the named ones, then those whose readings another computer sends."""
        with self._lock:
            own = [
                Listed(
                    one.name,
                    one,
                    self._doing(one.name),
                    *self._said.get(one.name, ("", "")),
                    quantity=one.quantity,
                )
                for one in self.registry.all()
            ]
            names = {one.name for one in own}
            sent = [self._listed_feed(one) for one in self._feeds.all(self.clock()) if one.name not in names]
        return own + sent

    def _listed_feed(self, feed: Feed) -> Listed:
        quantity = feed.last.quantity if feed.last else ""
        return Listed(feed.name, None, self._doing(feed.name), person=feed.person, quantity=quantity)

    def find(self) -> list[visa.Found]:
        """What is plugged in here and has no name yet. Nothing is sent to it. Raises InstrumentTrouble."""
        known = {one.address.casefold() for one in self.registry.all()}
        return [one for one in visa.find(self._library) if one.address.casefold() not in known]

    def save(self, instrument: Instrument, before: str = "") -> None:
        """Keeps a named instrument; see `Registry.save` for what it raises, and InstrumentTrouble while it is used."""
        with self._lock:
            names = {instrument.name, before} - {""}
            for name in names:
                self._claim(name, "", "the page Instruments", None, keep=False)
            if self._feeds.find(instrument.name):
                raise NameTaken(
                    f"Another computer sends readings as {instrument.name}.",
                    field="name",
                    remedy="Choose another name.",
                )
            self.registry.save(instrument, before)
            ended = [self._workers.pop(name) for name in names if name in self._workers]
        for worker in ended:
            worker.close()

    def remove(self, name: str) -> None:
        """Forgets a named instrument. Raises NotFound, and InstrumentTrouble while it is used."""
        with self._lock:
            self._claim(name, "", "the page Instruments", None, keep=False)
            self.registry.remove(name)
            self._said.pop(name, None)
            worker = self._workers.pop(name, None)
        if worker is not None:
            worker.close()

    # Readings

    def take(self, name: str, quantity: str, page: str, doing: str) -> Future[Taken]:
        """One reading, with lowest and highest where this page recorded them.

        Raises at once, or through the future: NotFound, BadInput and InstrumentTrouble; then there is no reading.
        """
        _refuse_unknown(quantity)
        answer: Future[Taken] = Future()
        with self._lock:
            hold = self._claim(name, page, doing, _ONE_READING_S)
            try:
                feed = self._feed_of(name)
                if feed is not None:
                    done: Future[Measured] = Future()
                    done.set_result(feed.newest(quantity, self.clock(), MEANING[quantity]))
                else:
                    done = self._worker(name).submit(lambda session: session.read(quantity))
            except KbError as error:
                self._let_go(name, hold)
                raise _named(name, error) from error
        done.add_done_callback(partial(self._finish, answer, name, quantity, hold))
        return answer

    def _finish(
        self, answer: Future[Taken], name: str, quantity: str, hold: Hold, done: Future[Measured]
    ) -> None:
        if not answer.set_running_or_notify_cancel():
            self._let_go(name, hold)
            return
        try:
            taken = self._made(name, quantity, hold, done.result())
        except KbError as error:
            answer.set_exception(_named(name, error))
        except Exception as error:
            answer.set_exception(error)
        else:
            answer.set_result(taken)
        finally:
            self._let_go(name, hold)

    def _made(self, name: str, quantity: str, hold: Hold, measured: Measured) -> Taken:
        low, high, note = "", "", ""
        recording = hold.recording
        if recording is not None and recording.quantity == quantity:
            recording.add(measured)
        text = typed(measured, quantity)
        with self._lock:
            if recording is not None and recording.quantity == quantity:
                low, high, note = recording.extremes()
            self._end_recording(name, hold)
            taken = Taken(secrets.token_hex(8), name, quantity, text, datetime.now(UTC), low, high, note)
            self._taken[taken.id] = taken
            while len(self._taken) > _MOST_TAKEN:
                self._taken.popitem(last=False)
            self._said[name] = (text, f"{taken.at:%H:%M:%S} UTC")
        return taken

    def origin(self, taken_id: str, text: str) -> str:
        """Where a value in a form came from: "" where it was typed, or changed since it was taken."""
        found = self._taken.get(taken_id)
        return found.origin if found is not None and _stands_in(found.text, text) else ""

    def record(self, name: str, quantity: str, page: str, doing: str) -> None:
        """Begins to record lowest and highest for a page. Raises as `take` does."""
        _refuse_unknown(quantity)
        with self._lock:
            hold = self._claim(name, page, doing, LEASE_S)
            hold.recording = Recording(quantity)
            if self._feed_of(name) is None:
                try:
                    self._worker(name).sample(self.sample_every_s, partial(self._sample, name, hold))
                except KbError:
                    self._let_go(name, hold, whole=True)
                    raise

    def watch(self, name: str, page: str) -> Live:
        """What a recording shows meanwhile; asking keeps it going. Raises InstrumentTrouble where it has ended."""
        with self._lock:
            hold = self._held(name)
            if hold is None or hold.page != page or hold.recording is None:
                raise InstrumentTrouble(
                    "Nothing is being recorded any more.", remedy="Press the button to begin again."
                )
            hold.until_s = self.clock() + LEASE_S
            recording = hold.recording
            low, high, note = recording.extremes() if recording.count or recording.beyond else ("", "", "")
            trouble = recording.trouble or (note if recording.beyond else "")
            try:
                text = (
                    typed(recording.last, recording.quantity) if recording.count or recording.beyond else ""
                )
            except InstrumentTrouble as error:
                text, trouble = "", error.message
            return Live(
                text,
                low,
                high,
                recording.count,
                _named(name, InstrumentTrouble(trouble)).message if trouble else "",
            )

    def stop_recording(self, name: str, page: str) -> None:
        """Ends what a page records; nothing where it does not."""
        with self._lock:
            hold = self._held(name)
            if hold is not None and hold.page == page and hold.recording is not None:
                self._let_go(name, hold, whole=True)

    def _sample(self, name: str, hold: Hold, session: Session | None, error: KbError | None) -> None:
        with self._lock:
            if self._held(name) is not hold or hold.recording is None:
                self._stop_sampling(name)
                return
            recording = hold.recording
        if session is None:
            recording.miss(error.message if error else "")
        else:
            recording.add(session.read(recording.quantity))

    def look(self, name: str, page: str) -> Future[tuple[Identity, tuple[Shown, ...], str]]:
        """Who an instrument is, what is set at it, and what it measures now or why that is nothing.

        Raises at once or through the future as `take` does.
        """
        instrument = self.registry.get(name)

        def ask(session: Session) -> tuple[Identity, tuple[Shown, ...], str]:
            who, settings = session.who(), session.settings()
            try:
                text = typed(session.read(instrument.quantity), instrument.quantity)
                self._said[name] = (text, f"{datetime.now(UTC):%H:%M:%S} UTC")
            except InstrumentTrouble as error:
                text = _named(name, error).message
            return who, settings, text

        answer: Future[tuple[Identity, tuple[Shown, ...], str]] = Future()
        with self._lock:
            hold = self._claim(name, page, "the page Instruments", _ONE_READING_S)
            try:
                done = self._worker(name).submit(ask)
            except KbError:
                self._let_go(name, hold)
                raise

        def finish(asked: Future[Any]) -> None:
            self._let_go(name, hold)
            if not answer.set_running_or_notify_cancel():
                return
            error = asked.exception()
            if error is None:
                answer.set_result(asked.result())
            else:
                answer.set_exception(_named(name, error) if isinstance(error, KbError) else error)

        done.add_done_callback(finish)
        return answer

    # Logs

    @property
    def logs(self) -> Logs:
        """The logs that instruments wrote here."""
        with self._lock:
            if self._logs is None:
                folder = self._folder
                if folder is None:
                    self._scratch = tempfile.TemporaryDirectory(prefix="kb-instruments-")
                    folder = Path(self._scratch.name)
                self._logs = Logs(folder / "instrument-logs")
            return self._logs

    def begin_log(self, name: str, about: About) -> Log:
        """Begins to log direct volts, until it is ended. Raises as `take` does, and StoreTrouble."""
        with self._lock:
            hold = self._claim(name, secrets.token_hex(8), f"a log of {about.title}", None)
            try:
                if self._feed_of(name) is None and not self.registry.get(name).measures("dc_v"):
                    raise BadInput(
                        f"{name} does not measure volts.",
                        field="instrument",
                        remedy="Choose another instrument.",
                    )
                hold.log = self.logs.begin(name, about, f"{datetime.now(UTC):%Y-%m-%d %H:%M:%S} UTC")
                hold.log_from_s = self.clock()
                if self._feed_of(name) is None:
                    self._worker(name).sample(self.log_every_s, partial(self._log_sample, name, hold))
            except KbError:
                if hold.log is not None:
                    hold.log.end()
                self._let_go(name, hold, whole=True)
                raise
            return hold.log

    def end_log(self, log_id: str) -> Log:
        """Ends a log where it still runs, and returns it. Raises NotFound."""
        with self._lock:
            log = self.logs.get(log_id)
            for name, hold in list(self._holds.items()):
                if hold.log is log:
                    self._let_go(name, hold, whole=True)
            log.end()
        return log

    def log_of(self, run: str, step: str) -> Log | None:
        """The log that is under way at a step of a run, None where there is none."""
        with self._lock:
            for hold in self._holds.values():
                if hold.log is not None and (hold.log.about.run, hold.log.about.step) == (run, step):
                    return hold.log
        return None

    def _log_sample(self, name: str, hold: Hold, session: Session | None, error: KbError | None) -> None:
        if self._held(name) is not hold or hold.log is None:
            self._stop_sampling(name)
            return
        measured = None if session is None else session.read("dc_v")
        self._log(name, hold, self.clock(), measured, _named(name, error).message if error else "")

    def _log(self, name: str, hold: Hold, at_s: float, measured: Measured | None, trouble: str = "") -> None:
        with self._lock:
            if hold.log is not None and not hold.log.add(at_s - hold.log_from_s, measured, trouble):
                hold.log.end()
                self._let_go(name, hold, whole=True)

    # What other computers send

    def receive(
        self, name: str, person: str, key: str, sent_s: float, readings: list[tuple[float, str, Measured]]
    ) -> bool:
        """Takes in what another computer sends; False where it was taken in before. Raises Taken, BadInput."""
        with self._lock:
            name = read_name(name)
            if any(one.name.casefold() == name.casefold() for one in self.registry.all()):
                raise NameTaken(
                    f"{name} is the name of an instrument of this machine.",
                    field="instrument",
                    remedy="Send under another name.",
                )
            arrived = self._feeds.receive(name, person, key, self.clock(), sent_s, readings)
            hold = self._held(name)
            for one in arrived or ():
                if (
                    hold is not None
                    and hold.recording is not None
                    and hold.recording.quantity == one.quantity
                ):
                    hold.recording.add(one.measured)
                if hold is not None and hold.log is not None and one.quantity == "dc_v":
                    self._log(name, hold, one.at_s, one.measured)
        return arrived is not None

    def close(self) -> None:
        """Lets go of everything; an instrument that hangs holds up nothing."""
        with self._lock:
            workers, self._workers = list(self._workers.values()), {}
            self._holds.clear()
        for worker in workers:
            worker.close()
        if self._logs is not None:
            self._logs.close()
        if self._scratch is not None:
            self._scratch.cleanup()

    # Who has what

    def _held(self, name: str) -> Hold | None:
        """Who has an instrument now; a page that no longer asks for news has it no more."""
        hold = self._holds.get(name)
        if hold is not None and hold.until_s is not None and self.clock() > hold.until_s:
            self._let_go(name, hold, whole=True)
            return None
        return hold

    def _doing(self, name: str) -> str:
        hold = self._held(name)
        return hold.doing if hold else ""

    def _claim(self, name: str, page: str, doing: str, for_s: float | None, *, keep: bool = True) -> Hold:
        """Gives an instrument to a page. Raises InstrumentTrouble where another one has it, and NotFound."""
        if keep and self._feed_of(name) is None:
            self.registry.get(name)
        hold = self._held(name)
        if hold is not None and hold.page != page:
            raise InstrumentTrouble(
                f"{name[:1].upper()}{name[1:]} is in use: {hold.doing}.",
                remedy="Finish there first: close that page, or end its log. Then take the reading again.",
            )
        until_s = None if for_s is None else self.clock() + for_s
        if hold is None:
            hold = Hold(page, " ".join(doing.split())[:120] or "another page", until_s)
            if keep:
                self._holds[name] = hold
        elif until_s is not None:
            hold.until_s = max(hold.until_s or 0.0, until_s)
        return hold

    def _let_go(self, name: str, hold: Hold, *, whole: bool = False) -> None:
        """Ends what a page has an instrument for; a recording or log that goes on is left, unless `whole`."""
        with self._lock:
            if self._holds.get(name) is not hold:
                return
            if not whole and (hold.recording is not None or hold.log is not None):
                return
            del self._holds[name]
            if hold.log is not None:
                hold.log.end()
            self._stop_sampling(name)

    def _end_recording(self, name: str, hold: Hold) -> None:
        if hold.recording is not None:
            hold.recording = None
            self._stop_sampling(name)

    def _stop_sampling(self, name: str) -> None:
        worker = self._workers.get(name)
        if worker is not None:
            worker.sample(0.0, None)

    def _feed_of(self, name: str) -> Feed | None:
        return None if self.registry.find(name) else self._feeds.find(name)

    def _worker(self, name: str) -> Worker:
        worker = self._workers.get(name)
        if worker is None:
            instrument = self.registry.get(name)
            worker = self._workers[name] = Worker(name, partial(self._open, instrument))
        return worker

    def _open(self, instrument: Instrument) -> Session:
        return Session(
            self._open_link(instrument), instrument.kind, instrument.way, patience_s=self._patience_s
        )

    def _open_by_visa(self, instrument: Instrument) -> Link:
        return visa.open_link(self._library, instrument.address, instrument.baud)


def _stands_in(value: str, text: str) -> bool:
    """Whether a value stands in a text as it is, and is no part of a longer number or word."""
    at = text.find(value)
    if at < 0:
        return False
    before, after = text[:at][-1:], text[at + len(value) :][:1]
    return not (before.isalnum() or before in tuple(".,+-−")) and not after.isalnum()


def _refuse_unknown(quantity: str) -> None:
    if quantity not in MEANING:
        raise BadInput("There is no such quantity.", field="quantity", remedy=f"One of {', '.join(MEANING)}.")


def _named(name: str, error: KbError) -> KbError:
    """The same trouble with the instrument's name for "It"."""
    if not error.message.startswith("It "):
        return error
    message = f"{name[:1].upper()}{name[1:]} {error.message[3:]}"
    return InstrumentTrouble(message, field=error.field, remedy=error.remedy)
