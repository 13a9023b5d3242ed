"""What has to be decided about a sheet before its rows can be read, with what is most likely meant."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from kb.facts.sheet_words import OURS, folded
from kb.facts.vocabulary import FOLLOW_UP_STATES, RESULTS, SECTIONS, VERDICTS, Word
from kb.service.sheets import cell_parts, decisions, outcomes, totals
from kb.service.sheets.column_questions import Question, about_columns
from kb.service.sheets.known import Known
from kb.service.sheets.state import Sheet
from kb.service.sheets.survey import Column
from kb.service.sheets.text_facts import READ

__all__ = ["MOST_WORDS", "Asked", "Question", "ask"]

MOST_WORDS = 200
_MOST_READ = 1_000
_MANY_OPEN = 20
"""From so many open boards on it is asked whether they are to stand on the bench."""
_NAMED = {
    "verdict": "What came of it",
    "result": "Whether it helped",
    "section": "Section of the board",
    "part_class": "Kind of part",
    "parts": "Kind of part, by what the part is called",
    "follow_up_state": "Whether it still works",
    "symptoms": "Symptoms",
    "yes": "Whether the symptom was there",
}
Options = tuple[tuple[str, str], ...]


def _listed(words: tuple[Word, ...]) -> Options:
    return tuple((f"={word.value}", word.value) for word in words)


_ELSEWHERE: Options = (
    (decisions.NOTES, "keep it in the notes"),
    (decisions.LEAVE, "leave it out"),
    (decisions.REFUSE, "refuse these rows"),
)
_OPTIONS: dict[str, Options] = {
    "verdict": (*_listed(VERDICTS), (decisions.OPEN, "still open"), *_ELSEWHERE),
    "result": (*_listed(RESULTS), *_ELSEWHERE),
    "section": (*_listed(SECTIONS), *_ELSEWHERE),
    "follow_up_state": (*_listed(FOLLOW_UP_STATES), *_ELSEWHERE),
    "yes": (("=present", "it was there"), ("=not present", "it was not there"), *_ELSEWHERE),
}


@dataclass(frozen=True, slots=True)
class Asked:
    """All questions: those without an answer first, then guesses to confirm, then what is clear."""

    questions: tuple[Question, ...]
    too_many: tuple[str, ...] = ()

    @staticmethod
    def by_topic(questions: tuple[Question, ...]) -> list[tuple[str, list[Question]]]:
        """Questions under their topics, both in their order."""
        found: dict[str, list[Question]] = {}
        for one in questions:
            found.setdefault(one.topic, []).append(one)
        return list(found.items())

    @property
    def open(self) -> tuple[Question, ...]:
        return tuple(one for one in self.questions if not one.chosen)

    @property
    def guessed(self) -> tuple[Question, ...]:
        return tuple(one for one in self.questions if one.chosen and not one.sure)

    @property
    def clear(self) -> tuple[Question, ...]:
        return tuple(one for one in self.questions if one.chosen and one.sure)


def ask(
    sheet: Sheet,
    columns: list[Column],
    known: Known,
    this_year: int,
    sums: Sequence[tuple[int, list[str]]] = (),
) -> Asked:
    """Everything to decide about a sheet, with the answers given so far; `sums` are rows that sum up those above."""
    questions = list(about_columns(sheet, columns, this_year))
    questions += _about_sums(sums)
    read, asked = _read_apart(_words("verdict", sheet, columns, known), sheet)
    questions += _about_case(sheet, columns, read)
    questions += list(_about_read(read))[:MOST_WORDS]
    too_many = []
    for kind in _NAMED:
        words = asked if kind == "verdict" else _words(kind, sheet, columns, known)
        if len(words) > MOST_WORDS:
            elsewhere = "the notes or what was done" if kind == "verdict" else "the notes or the complaint"
            too_many.append(
                f"{_NAMED[kind]}: there are {len(words):,} different words in the column. "
                f"Take it into {elsewhere} instead."
            )
            continue
        questions += _about_words(kind, words, sheet, known)
    answered = [
        replace(one, chosen=given, sure=True)
        if (given := sheet.answers.get(one.key)) in {value for value, _ in one.options}
        else one
        for one in questions
    ]
    return Asked(tuple(answered), tuple(too_many))


def _words(kind: str, sheet: Sheet, columns: list[Column], known: Known) -> Counter[str]:
    """Their words of a kind, each with the number of cells it stands in."""
    found: Counter[str] = Counter()
    spelled: dict[str, str] = {}

    def count(word: str, number: int) -> None:
        found[spelled.setdefault(decisions.word_key(kind, word), word)] += number

    if kind == "parts":
        # Where no column names the part, what was wrong or done may name it.
        unnamed = "" if not sheet.maps("part") else "?"
        for place, _, _ in sheet.columns_of("part") if unnamed else sheet.columns_of("failure", "action"):
            for text, number in columns[place].texts.items():
                if shown := known.kind_of_part(text)[0] or unnamed:
                    count(shown, number)
        return found
    if kind in ("symptoms", "yes"):
        for place, key, _ in sheet.columns_of("symptom"):
            if kind == "symptoms":
                count(sheet.heading(key), columns[place].filled)
            else:
                for text, number in columns[place].texts.items():
                    count(text, number)
    for place, _, _ in sheet.columns_of(kind):
        for text, number in columns[place].texts.items():
            for word in cell_parts.symptoms(text) if kind == "symptoms" else [text]:
                count(word, number)
    return found


def _read_apart(words: Counter[str], sheet: Sheet) -> tuple[Counter[str], Counter[str]]:
    """Words of the outcome column that are read, and those that are asked; of very many the commonest are read."""
    read = Counter(
        {word: number for word, number in words.most_common(_MOST_READ) if outcomes.can_be_read(sheet, word)}
    )
    return read, words - read


def _about_read(words: Counter[str]) -> Iterator[Question]:
    """What is read in words of the outcome column: clear, and each can be decided otherwise."""
    for word, number in words.most_common():
        yield Question(
            decisions.word_key("verdict", word),
            "What came of it, as it is read",
            word,
            ((decisions.READ, f"read: {outcomes.outcome_of(word).words}"), *_OPTIONS["verdict"]),
            decisions.READ,
            sure=True,
            count=number,
        )


def _about_words(kind: str, words: Counter[str], sheet: Sheet, known: Known) -> Iterator[Question]:
    options = _OPTIONS.get(kind) or _open_list(kind, known)
    for word, number in words.most_common():
        if kind == "parts":
            guess = known.letters.get(word, word if word in known.part_classes else "other")
            chosen, sure = f"={guess}", guess == word
            title = {"?": "Parts that show no kind"}.get(word, word if sure else f"{word}…, such as {word}1")
        else:
            guess = known.guess(kind, word) or _by_outcome(kind, word)
            if guess == "open" and kind == "verdict":
                chosen = decisions.OPEN
            else:
                chosen = guess if guess[:1] == "!" or not guess else f"={guess}"
            sure, title = guess.casefold() == word.casefold() and bool(guess), word
        given = options
        if chosen.startswith("!"):
            given = ((chosen, f"not present: {chosen[1:]}"), *options)
        yield Question(
            decisions.word_key(kind, word), _NAMED[kind], title, given, chosen, sure=sure, count=number
        )


def _by_outcome(kind: str, word: str) -> str:
    """What a word that no list has most likely says, where it says how it ended."""
    if kind == "result":
        return outcomes.outcome_of(word).result
    if kind == "verdict":
        return "repaired" if outcomes.outcome_of(word).result == "cured" else ""
    return ""


def _open_list(kind: str, known: Known) -> Options:
    names = [name for name, _ in known.symptoms] if kind == "symptoms" else known.part_classes
    added: Options = () if kind == "parts" else ((decisions.ADD, "add it to the list as it stands"),)
    elsewhere = () if kind == "parts" else _ELSEWHERE
    return (*added, *elsewhere, *((f"={name}", name) for name in names))


def _about_sums(sums: Sequence[tuple[int, list[str]]]) -> Iterator[Question]:
    if sums:
        yield Question(
            totals.ANSWER,
            "The job",
            "The last row" if len(sums) == 1 else f"The last {len(sums)} rows",
            (
                (decisions.LEAVE, "only sums up the others and is left out"),
                (totals.IS_CASE, "is a board as the others are"),
            ),
            decisions.LEAVE,
            examples=tuple(" · ".join(cells)[:120] for _, cells in sums),
        )


def _about_case(sheet: Sheet, columns: list[Column], read: Counter[str]) -> Iterator[Question]:
    if sheet.maps("part", "part_class", "failure", "action", "work") and not sheet.maps("result"):
        yield Question(
            "cured where repaired",
            "What was tried",
            "Where nothing says whether a try helped, on boards that were repaired it"
            if read
            else "No column says whether a try helped. On boards that were repaired it",
            (("=cured", "cured the board"), ("=not known yet", "is not known")),
            "=cured",
        )
    closed = next((columns[place].filled for place, _, _ in sheet.columns_of("closed")), 0)
    judged = sheet.columns_of("verdict")
    all_judged = bool(judged) and columns[judged[0][0]].filled >= closed
    # What came of the fixes is read, and need not say what came of the board.
    may_stay_open = any(not outcomes.outcome_of(word).verdict for word in read)
    # Words such as "waiting" leave a verdict open as blank cells do, so the question stands for both.
    if closed:
        yield Question(
            "closed without verdict",
            "What came of it",
            "Boards with a closing day but no verdict"
            if judged
            else "No column says what came of a board. Closed boards",
            (
                *_listed(VERDICTS),
                (decisions.NOTES, "stay open; the closing day goes into the notes"),
                (decisions.REFUSE, "are refused"),
            ),
            "" if not all_judged else decisions.NOTES if may_stay_open else decisions.REFUSE,
            sure=all_judged and not may_stay_open,
        )
    if sheet.maps("work") or read:
        yield _about_cured()
    yield from _about_open(sheet, columns, read, bool(closed and not judged))
    yield from _about_board(sheet, columns)
    if sheet.maps("uid"):
        yield Question(
            "rows without number",
            "The job",
            "Rows without board and case number",
            (("above", "belong to the row above"), (decisions.REFUSE, "are refused")),
            decisions.REFUSE,
            sure=True,
        )


def _about_cured() -> Question:
    return Question(
        "repaired where cured",
        "What came of it",
        "Boards with a try that cured, of which nothing else says what came of them",
        (("=repaired", "were repaired"), ("open", "are not judged by that")),
        "=repaired",
    )


def _about_open(sheet: Sheet, columns: list[Column], read: Counter[str], asked: bool) -> Iterator[Question]:
    """Many boards without a verdict would all stand on the bench: that is nobody's to guess."""
    blank = sheet.rows
    for place, _, _ in sheet.columns_of("verdict"):
        left_open = (decisions.OPEN, decisions.NOTES, decisions.LEAVE, "")
        texts = columns[place].texts
        given = {text: sheet.answers.get(decisions.word_key("verdict", text)) for text in texts}
        still = sum(
            number
            for text, number in texts.items()
            if (
                not outcomes.outcome_of(text).is_over
                if text in read and given[text] in (None, decisions.READ)
                else given[text] in left_open
                if given[text] is not None
                else OURS["verdict"].get(folded(text)) == "open"
            )
        )
        blank = sheet.rows - columns[place].filled + still
    if asked or blank < _MANY_OPEN:
        return
    yield Question(
        "no verdict",
        "What came of it",
        "Boards of which nothing says what came of them",
        (
            ("bench", "stand on the bench as open cases"),
            *_listed(VERDICTS),
            (decisions.REFUSE, "are refused"),
        ),
        count=blank,
        hint="Where the words of a row say what came of the board, these count first.",
    )


def _about_board(sheet: Sheet, columns: list[Column]) -> Iterator[Question]:
    places = sheet.columns_of("family", "alias")
    if not places:
        if sheet.maps(*READ) and sheet.answers.get("family of all"):
            yield Question(
                "board in text",
                "The board",
                "Rows whose words name another board than the one that all are",
                (
                    ("known", "are that board, where the book knows it"),
                    ("looks", "are that board, also where it only looks like one"),
                    (decisions.REFUSE, "are the one all the same"),
                ),
                "known",
                sure=True,
            )
        elif sheet.maps(*READ):
            yield Question(
                "board in text",
                "The board",
                "No column says which board it was. Its number",
                (
                    ("known", "is read from the words, where the book knows it"),
                    ("looks", "is read from the words, also where it only looks like one"),
                    (decisions.REFUSE, "is missing; such rows are refused"),
                ),
                "looks",
            )
        return
    without = sheet.rows - max(columns[place].filled for place, _, to in places)
    if without and sheet.rows and not sheet.answers.get("family of all"):
        yield Question(
            "board left out",
            "The board",
            "Rows that name no board",
            (("above", "are the board of the row above"), (decisions.REFUSE, "are refused")),
            "" if sheet.maps("uid") and without > 1 else decisions.REFUSE,
            sure=not (sheet.maps("uid") and without > 1),
            count=without,
        )
