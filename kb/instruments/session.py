"""One conversation with an instrument: asked in step, so that no answer is taken for that of another question.

After a time-out, an answer of the wrong form or a lost line the two may be out of step: the answer to an earlier
question may still be on its way. Then what waits is thrown away and the instrument is asked who it is until the answer
is just that. And every reading is followed by the same question: where its answer is not the instrument's own name, an
answer was missed or came too late, and the reading is not used.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NoReturn, Protocol, TypeVar

from kb.errors import InstrumentTrouble
from kb.facts.vocabulary import QUANTITIES
from kb.instruments import queries
from kb.instruments.queries import Kind, Way
from kb.instruments.responses import (
    Identity,
    Measured,
    identity,
    measured,
    plain,
    queued_error,
    string,
    switched,
    unreadable,
)

PATIENCE_S = 6.0  # the slowest ranges (capacitance, alternating voltage of few hertz) take some seconds
_TRIES = 3
_MOST_ERRORS = 20
_MEANING = {word.value: word.meaning.partition(",")[0] for word in QUANTITIES}
_Answer = TypeVar("_Answer")


class Silent(Exception):
    """No answer with a line end came in time."""


class Gone(Exception):
    """The line itself failed: unplugged, switched off, no such port."""


class Link(Protocol):
    """A line to an instrument."""

    def send(self, text: str) -> None:
        """Sends one line. Raises Silent, Gone."""

    def receive(self, patience_s: float) -> bytes:
        """One line with its end. Raises Silent, Gone."""

    def empty(self) -> None:
        """Throws away what waits to be read, and what the instrument was about to say. Raises Gone."""

    def close(self) -> None:
        """Lets go of the line; never raises."""


@dataclass(frozen=True, slots=True)
class Shown:
    """Something set at a supply or load as it is shown; `text` "" where the instrument does not say."""

    label: str
    text: str


class Session:
    """Asks one instrument through a line. Not for several threads at once. Raises InstrumentTrouble everywhere."""

    def __init__(
        self, link: Link, kind: Kind, way: Way = "measure", *, patience_s: float = PATIENCE_S
    ) -> None:
        self._link = link
        self._kind: Kind = kind
        self._way: Way = way
        self._patience_s = patience_s
        self._who = ""
        self._in_step = False

    def close(self) -> None:
        """Lets go of the line."""
        self._link.close()

    def who(self) -> Identity:
        """Who it is. Raises InstrumentTrouble where it does not say, or another one answers than before."""
        return self._guarded(lambda: identity(self._get_in_step()))

    def read(self, quantity: str) -> Measured:
        """One measured value, or what stands for none. Raises InstrumentTrouble; then there is no reading at all."""
        question = queries.question(self._kind, quantity)
        if question is None:
            raise InstrumentTrouble(
                f"A {queries.KINDS[self._kind]} does not measure {_MEANING.get(quantity, quantity)}.",
                remedy="Choose another instrument, or type the value.",
            )
        return self._guarded(lambda: self._read(quantity, question))

    def settings(self) -> tuple[Shown, ...]:
        """What is set at a supply or load, as far as it says. Raises InstrumentTrouble where it says nothing at all."""
        return self._guarded(self._settings)

    def _read(self, quantity: str, question: str) -> Measured:
        if not self._in_step:
            self._get_in_step()
        if self._way == "as set" and self._kind == "meter":
            self._refuse_other_function(quantity)
            question = queries.AS_IT_IS_SET
        try:
            answer = self._ask(question)
        except Silent:
            self._say_why(quantity)
        found = measured(answer)
        self._refuse_out_of_step()
        return found

    def _settings(self) -> tuple[Shown, ...]:
        if not self._in_step:
            self._get_in_step()
        shown = []
        for setting in queries.SETTINGS[self._kind]:
            try:
                text = _setting_text(setting, self._ask(setting.question))
                self._refuse_out_of_step()
            except (Silent, InstrumentTrouble):
                text = ""
                self._in_step = False
                self._get_in_step()
            shown.append(Shown(setting.label, text))
        return tuple(shown)

    def _refuse_other_function(self, quantity: str) -> None:
        said = self._ask(queries.WHAT_IS_SET)
        function = string(said) if said[:1] in ("'", '"') and said else said
        found = queries.quantity_set(function)
        if found != quantity:
            set_to = _MEANING[found] if found else function[:30] or "nothing"
            raise InstrumentTrouble(
                f"The meter is set to {set_to}, and {_MEANING.get(quantity, quantity)} is wanted here.",
                remedy="Turn it to that, or let the program ask for the quantity (page Instruments).",
            )

    def _ask(self, text: str) -> str:
        queries.refuse_any_other(text)
        self._link.send(text)
        return plain(self._link.receive(self._patience_s))

    def _get_in_step(self) -> str:
        """Asks who it is until the answer is just that, and returns it."""
        self._in_step = False
        for last in (False,) * (_TRIES - 1) + (True,):
            self._link.empty()
            try:
                answer = self._ask(queries.WHO)
                identity(answer)
            except (Silent, InstrumentTrouble):
                if last:
                    raise
                continue
            if self._who and answer != self._who:
                raise InstrumentTrouble(
                    "Another instrument answers at this address than before.",
                    remedy="Look which one is plugged in, and take the reading again.",
                )
            self._who, self._in_step = answer, True
            return answer
        raise AssertionError("the last try returns or raises")

    def _refuse_out_of_step(self) -> None:
        try:
            answer = self._ask(queries.WHO)
        except Silent:
            answer = ""
        if answer != self._who:
            raise InstrumentTrouble(
                "It answered another question than this one, so the reading was not used.",
                remedy="What waited was thrown away: take the reading again. If it stays, see that no other program "
                "speaks to the instrument.",
            )

    def _say_why(self, quantity: str) -> NoReturn:
        """After a question that was not answered: what the error queue says of it, where there is one."""
        self._get_in_step()
        newest = None
        try:
            for _ in range(_MOST_ERRORS):
                entry = queued_error(self._ask(queries.WHAT_WENT_WRONG))
                if entry.number == 0:
                    break
                newest = entry
        except (Silent, InstrumentTrouble):
            self._in_step = False
        if newest is None:
            raise Silent
        said = f"{newest.number} {newest.text[:60]}".strip()
        raise InstrumentTrouble(
            f"It cannot be asked for {_MEANING.get(quantity, quantity)}; it says: {said}.",
            remedy="Type the value, or choose another instrument.",
        )

    def _guarded(self, work: Callable[[], _Answer]) -> _Answer:
        """Whatever goes wrong leaves the two out of step, and becomes a sentence."""
        try:
            return work()
        except Silent as error:
            self._in_step = False
            raise InstrumentTrouble(
                f"It gave no answer within {self._patience_s:g} s.",
                remedy="See that it is on and not waiting for a trigger, then take the reading again.",
            ) from error
        except Gone as error:
            self._in_step = False
            raise InstrumentTrouble(
                "The connection is gone: it was unplugged or switched off, or it is not at this address.",
                remedy="Plug it in, switch it on, and take the reading again.",
            ) from error
        except InstrumentTrouble:
            self._in_step = False
            raise


def _setting_text(setting: queries.Setting, answer: str) -> str:
    if setting.is_switch:
        state = switched(answer)
        if state is None:
            raise unreadable(answer, "on or off")
        return "on" if state else "off"
    if setting.unit:
        found = measured(answer)
        if found.value is None:
            return "no limit" if found.state == "over" else ""
        return f"{found.value.normalize():f} {setting.unit}"
    return (string(answer) if answer[:1] in ("'", '"') and answer else answer)[:30]
