"""What was said on a page: the sound recognised beside the program, and what the page does about it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from kb.apart import Limits, Pool
from kb.errors import BadInput, StoreTrouble, TooSoon
from kb.model import FamilyRecord
from kb.service.bench import runs
from kb.service.boards import families
from kb.service.shop.shop import Shop
from kb.speech import listener, recogniser
from kb.speech.choice import decided, likeliest
from kb.speech.dialogue import Answer, Entry, answer, entry_of
from kb.speech.grammar import grammar_of
from kb.speech.language import Language
from kb.speech.listener import Listened
from kb.speech.meaning import Heard
from kb.speech.pages import Page, Place, distinct, point_place, rail_place
from kb.speech.recogniser import Recognised
from kb.speech.sound import Speech, speech_in
from kb.store.records import families as stored_families
from kb.store.records import pictures

__all__ = ["Entry", "Told", "Where", "entry_of", "get_ready", "hear", "page_of", "trouble"]

NOT_INSTALLED = "Readings can be spoken once pocketsphinx is installed on the machine that serves."
HOW_TO_INSTALL = "pip install 'kb-boards[speech]'"
QUIET = "Nothing was heard above the noise. Speak nearer to the microphone, one reading at a time."
_MOST_POINTS = 40
_WHAT, _REMEDY = "This sound", "Say it again in a few seconds, or type it."
# Nothing piles up in them (124 MB before and after 360 sounds), and loading the models again takes a second.
_MANY_CALLS = 5_000
_LIMITS = Limits(cpu_s=15, wall_s=30, memory_bytes=1_500_000_000, calls=_MANY_CALLS)
# One for each length of the vocal tract, so that all listen at once and none loads what another has.
_RECOGNISERS = {warp: Pool(_WHAT, _REMEDY, _LIMITS, most_waiting=8) for warp in recogniser.WARPS}
_AT_ONCE = len(_RECOGNISERS) + 1
_LISTENERS = Pool(_WHAT, _REMEDY, Limits(cpu_s=15, wall_s=30, calls=_MANY_CALLS), most_waiting=8)


@dataclass(frozen=True, slots=True)
class Where:
    """The page somebody speaks to: a step of a bench run, or a page of lines or pins of a family."""

    page: str
    family: str = ""
    run: str = ""
    step: int = 0


@dataclass(frozen=True, slots=True)
class Told:
    """What the page does, and the words that were recognised."""

    answer: Answer
    words: tuple[str, ...]


def trouble(shop: Shop) -> BadInput | None:
    """Why nothing can be said here, None where it can: what is not installed, or a model that cannot be used."""
    try:
        _language(shop)
    except BadInput as error:
        return error
    return None


def _language(shop: Shop) -> Language:
    if not recogniser.is_installed():
        raise BadInput(
            NOT_INSTALLED, field="speech", remedy=f"{HOW_TO_INSTALL}, then start the program again."
        )
    return recogniser.language_in(shop.settings.speech_model)


def get_ready(shop: Shop, where: Where) -> list[str]:
    """Loads what the first sound needs, and says what can be said here. Raises BadInput where nothing can."""
    language = _language(shop)
    page = page_of(shop, where, language)
    grammar, folder = grammar_of(page, language), shop.settings.speech_model
    two = _two_listen(shop)
    with ThreadPoolExecutor(_AT_ONCE) as beside:
        if two:
            # Where it cannot be loaded the recogniser listens alone, so nothing is asked of what becomes of it.
            beside.submit(_LISTENERS.run, listener.get_ready, grammar)
        loading = [
            beside.submit(pool.run, recogniser.get_ready, grammar, folder, warp, two)
            for warp, pool in _RECOGNISERS.items()
        ]
    for one in loading:
        one.result()
    return [one.called[0] for one in page.places if one.called]


def hear(shop: Shop, where: Where, sound: bytes, waiting: Entry | None) -> Told:
    """What to do about a sound. It is kept nowhere.

    Raises BadInput for a sound that is too long or none, where speech is not installed or its model cannot be used,
    and TooSoon where too many speak at once.
    """
    language = _language(shop)
    speech = speech_in(sound)
    if speech is None:
        return Told(Answer("again", QUIET, waiting), ())
    page = page_of(shop, where, language)
    grammar = grammar_of(page, language, answering=waiting is not None)
    heard, words = _heard(shop, speech, grammar, page, language)
    return Told(answer(page, waiting, heard), words)


def _two_listen(shop: Shop) -> bool:
    """Whether the network listens too: it knows English only."""
    return not shop.settings.speech_model and listener.is_installed()


def _heard(
    shop: Shop, speech: Speech, grammar: str, page: Page, language: Language
) -> tuple[Heard | None, tuple[str, ...]]:
    """What was said, by the recogniser alone or with what the network proposes; all listen at the same time."""
    folder, two = shop.settings.speech_model, _two_listen(shop)
    with ThreadPoolExecutor(_AT_ONCE) as beside:
        listening = beside.submit(_listened, speech.softened, grammar) if two else None
        recognising = [
            beside.submit(pool.run, recogniser.recognise, speech.samples, grammar, folder, warp)
            for warp, pool in _RECOGNISERS.items()
        ]
    found = [one.result() for one in recognising]
    if listening is None:
        return likeliest(found, page, language)
    listened = listening.result()

    def choose(candidates: Mapping[tuple[str, ...], float], warp: float) -> Recognised:
        return _RECOGNISERS[warp].run(recogniser.choose, speech.samples, candidates, warp)

    def weigh(sentences: Sequence[tuple[str, ...]]) -> Sequence[float]:
        try:
            if listened:
                return _LISTENERS.run(listener.weigh, listened.heard, sentences)
        except (BadInput, TooSoon, StoreTrouble):
            pass  # the recogniser decides alone
        return [0.0] * len(sentences)

    return decided(found, listened.proposals if listened else (), page, language, weigh, choose)


def _listened(sound: bytes, grammar: str) -> Listened | None:
    """What the network heard; None where it could not finish, since the recogniser heard the sound as well."""
    try:
        return _LISTENERS.run(listener.propose, sound, grammar)
    except (BadInput, TooSoon, StoreTrouble):
        return None


def page_of(shop: Shop, where: Where, language: Language) -> Page:
    """What can be said on a page. Raises NotFound for a run or step that is not there."""
    if where.page == "step":
        return _step_page(shop, where, language)
    family = families.find(shop, where.family) if where.family else None
    if where.page == "pins":
        connectors = [point_place(one.name, language) for one in family.connectors] if family else []
        return Page("pins", connectors=distinct(connectors))
    return Page("lines", distinct(tuple(_places(shop, family, language))))


def _step_page(shop: Shop, where: Where, language: Language) -> Page:
    view = runs.view(shop, where.run)
    step = view.step(where.step).step
    rails = [rail_place(one.name, one.role, one.nominal_v, language) for one in view.family.rails]
    here = step.rail or step.point or ""
    if not step.rail and here:
        rails.append(Place(here, (), None, here))
    if step.kind == "confirm":
        return Page("step", (), here, answers=("It came on", "Nothing happens"))
    if step.kind == "choice":
        return Page("step", (), here, answers=tuple(one.label for one in step.choices))
    fields = (("lowest", "highest") if step.extremes else ()) + (("load current",) if step.takes_load else ())
    places = (*distinct([one for one in rails if one.called]), *(one for one in rails if not one.called))
    return Page("step", places, here, step.quantity, fields)


def _places(shop: Shop, family: FamilyRecord | None, language: Language) -> Iterator[Place]:
    """The rails of a family, and the test points and parts that its tips and pictures name."""
    if family is None:
        return
    for one in family.rails:
        yield rail_place(one.name, one.role, one.nominal_v, language)
    taken = {one.name for one in family.rails}
    named = [tip.name for tip in family.tips if tip.place in ("point", "part")] + _pinned(shop, family)
    for name in list(dict.fromkeys(named))[:_MOST_POINTS]:
        if name not in taken:
            yield point_place(name, language)


def _pinned(shop: Shop, family: FamilyRecord) -> list[str]:
    with shop.read() as session:
        known = stored_families.find(session, family.code)
        found = pictures.of_family(session, known[0]) if known else []
    return [pin.label for one in found for pin in one.record.pins if pin.kind == "test point"]
