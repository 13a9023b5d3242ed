"""What a column most likely holds, by its heading and by what stands in it. A person confirms each."""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence

from kb.exchange.sheets import REASON_HEADING
from kb.facts.designators import is_designator
from kb.facts.sheet_words import HEADING_OF, OURS, folded
from kb.facts.symptoms import SYMPTOMS
from kb.facts.written_days import read_day
from kb.facts.written_numbers import decimal_mark, leading_number, without_currency
from kb.reading import Known, read
from kb.service.sheets.fields import BY_VALUE, TO_NOTES
from kb.service.sheets.outcomes import outcome_of
from kb.service.sheets.rail_heading import read_rail_heading
from kb.service.sheets.survey import Column

_HEADING_SEARCH = 25
_UNDER_MERGED = 2  # columns that a second row of headings names under merged cells, at the least
_TEXTS_READ = 40  # of a column, to see whether it says what was done
_MONEY = re.compile(r"[€$£]|^[0-9]+[,.][-–]")
# Signs, codes and short words of currencies, as they stand in headings.
_CURRENCY = re.compile(
    r"[€$£]|\b(?:EUR|euros?|USD|GBP|CHF|SFr|Fr|DKK|SEK|NOK|ISK|PLN|CZK|HUF|RON|BGN|AUD|NZD|CAD|ZAR|INR|JPY|quid|pounds?|"
    r"dollars?|franken|francs?|kronen?|kr|zl)\b",
    re.IGNORECASE,
)
_SYMPTOMS = {folded(word) for entry in SYMPTOMS for word in (entry.name, *entry.synonyms)}
_BOARD = re.compile(r"(?=.*[A-Za-z])(?=.*[0-9])[\w./ -]{3,30}")


def heading_row(rows: Sequence[tuple[int, list[str]]]) -> int:
    """Number of the row that holds the headings, 0 where none seems to.

    The first row that is nearly as wide as those below it and holds words only: above a table there is
    often a title.
    """
    head = rows[:_HEADING_SEARCH]
    widths = sorted(sum(bool(cell.strip()) for cell in row) for _, row in head)
    usual = widths[len(widths) // 2] if widths else 0
    for place, (number, row) in enumerate(head):
        filled = [cell.strip() for cell in row if cell.strip()]
        known = _known(filled)
        if len(filled) < max(1, 0.6 * usual) and known < 2:
            continue
        if not (_plain(filled) or known >= 2):
            return 0
        if place + 1 < len(head) and _goes_on_below(row, head[place + 1][1]):
            return head[place + 1][0]
        # Headings of two rows: what stands above is merged over several columns of the row that names each.
        below = [cell.strip() for cell in head[place + 1][1] if cell.strip()] if place + 1 < len(head) else []
        if len(below) > len(filled) and (_plain(below) or _known(below) >= 2) and _known(below) >= known:
            return head[place + 1][0]
        return number
    return 0


def _goes_on_below(above: Sequence[str], below: Sequence[str]) -> bool:
    """Whether a second row of headings names what merged cells of the first one hold together.

    It is words only and fills at least two columns beside a heading that stands over them.
    """
    filled = [cell.strip() for cell in below if cell.strip()]
    under = sum(
        bool(cell.strip()) and place > 0 and place < len(above) and not above[place].strip()
        for place, cell in enumerate(below)
    )
    return (
        under >= _UNDER_MERGED
        and (_plain(filled) or _known(filled) >= _UNDER_MERGED)
        and _known(above) >= _UNDER_MERGED
    )


def row_above(rows: Sequence[tuple[int, list[str]]], number: int) -> Sequence[str]:
    """The first of two rows of headings, of which `number` is the second; nothing where there is one."""
    for (_, above), (found, below) in itertools.pairwise(rows[:_HEADING_SEARCH]):
        if found == number:
            return above if _goes_on_below(above, below) else ()
    return ()


def _known(cells: Sequence[str]) -> int:
    return sum(folded(cell) in HEADING_OF for cell in cells)


def _plain(cells: Sequence[str]) -> bool:
    return all(read_day(cell) is None and decimal_mark(cell) == "bad" for cell in cells)


def headings(row: Sequence[str], columns: int, above: Sequence[str] = ()) -> list[str]:
    """One heading for each column; those without get that of the row `above`, or the number of the column."""
    padded = [*row, *[""] * (columns - len(row))]
    padded = [
        cell if cell.strip() or place >= len(above) else above[place] for place, cell in enumerate(padded)
    ]
    return [" ".join(cell.split())[:120] or f"Column {place}" for place, cell in enumerate(padded, start=1)]


def groups(above: Sequence[str], columns: int) -> list[str]:
    """For each column the merged heading of the row above that stands over it, "" for none."""
    found, last = [], ""
    for place in range(columns):
        cell = above[place].strip() if place < len(above) else ""
        last = cell or last
        found.append(last)
    return found


_MEASURED = re.compile(
    r"volt|measure|reading|spannung|messw|gemessen|tension|mesure|spanning|meting|medid|misur", re.I
)


def targets(
    keys: Sequence[str], heads: Sequence[str], columns: Sequence[Column], above: Sequence[str] = ()
) -> dict[str, str]:
    """A field for each column by its key. No field that may stand once is given twice.

    `above` has for each column the merged heading that stands over it: under "Measured" numbers are a supply's volts.
    """
    found: dict[str, str] = {}
    taken: set[str] = set()
    for by in (_by_heading, _by_content):
        for key, head, column in zip(keys, heads, columns, strict=True):
            if found.get(key):
                continue
            guess = by(head, column)
            if guess in taken:
                guess = TO_NOTES if by is _by_heading else ""
            if guess and guess in BY_VALUE and BY_VALUE[guess].once:
                taken.add(guess)
            found[key] = guess
    for key, group, column in zip(keys, above, columns, strict=False):
        if not found[key] and _MEASURED.search(group) and column.share(_begins_with_number) > 0.5:
            found[key] = "rail"
    _number_of_jobs(found, keys, columns, taken)
    _take_turns(found, heads, columns)
    most = max((column.filled for column in columns), default=0)
    full = [key for key, column in zip(found, columns, strict=True) if column.filled > _SPARSE * most]
    if len(full) == 1 and found[full[0]] in ("complaint", "notes", TO_NOTES):
        # All that is known of a board stands in one column; a comma in a line puts its end into another.
        found[full[0]] = "work"
    if "family" not in taken and (wider := next((key for key, to in found.items() if to == "alias"), None)):
        found[wider] = "family"
    return {key: to or (TO_NOTES if column.filled else "") for (key, to), column in zip(found.items(), columns, strict=True)}  # fmt: skip  # noqa: E501


_SPARSE = 0.2
_JOB = re.compile(r"[A-Za-z#]{0,2}[-/]?[0-9]{1,7}")


def _number_of_jobs(
    found: dict[str, str], keys: Sequence[str], columns: Sequence[Column], taken: set[str]
) -> None:
    """A first column of short numbers that never stand twice numbers the jobs, whatever it is called."""
    if "uid" in taken or not keys or len(columns[0].texts) < _JOBS or found[keys[0]]:
        return
    column = columns[0]
    once = all(count == 1 for count in column.texts.values()) and not column.capped
    if once and column.share(lambda text: _JOB.fullmatch(text) is not None) > 0.85:
        found[keys[0]] = "uid"


_JOBS = 4  # rows, at the least
_TURN = re.compile(r"^(?:1st|2nd|3rd|[4-9]th|first|second|third|fourth|[1-9][.)]?) | [1-9]$")


def _take_turns(found: dict[str, str], heads: Sequence[str], columns: Sequence[Column]) -> None:
    """ "1st go", "2nd go": what one of several columns tells, those with its heading and another number tell too."""
    told = {_TURN.sub("", head.casefold()) for key, head in zip(found, heads, strict=True) if found[key] == "work"
            and _TURN.search(head.casefold())}  # fmt: skip
    for key, head, column in zip(list(found), heads, columns, strict=True):
        if found[key] in ("", "complaint") and column.filled and _TURN.sub("", head.casefold()) in told:
            found[key] = "work"


def _by_heading(head: str, column: Column) -> str:
    if head == REASON_HEADING or not column.filled:
        return ""
    words = folded(re.sub(r"[(\[][^()\[\]]*[)\]]", " ", head)).rstrip(" ?")
    if words in _SYMPTOMS and column.share(lambda text: folded(text) in OURS["yes"]) > 0.9:
        return "symptom"
    guess = HEADING_OF.get(words) or HEADING_OF.get(re.sub(r" ?(?<![0-9])[0-9]+$", "", words))
    guess = guess or HEADING_OF.get(re.sub(r"[ -]?(?:no|nr|number|nummer|numero|date|datum)$", "", words), "")
    guess = guess or HEADING_OF.get(re.sub(r"^(?:n|no|nr|num|numero) (?:d |de )?", "", words), "")
    if not guess and read_rail_heading(head) is None:
        guess = _by_some_words(head)
    if guess == "closed" and column.share(_is_day) < 0.3 and _tells(column):
        return "work"  # "done" above what was done
    if guess in ("received", "closed", "follow_up_date") and column.share(_is_day) < 0.3:
        return ""
    if guess == "customer" and _tells(column):
        guess = "complaint"  # "customer" above what the customer says
    if guess == "complaint" and folded(head) not in HEADING_OF and _says_what_was_done(column):
        guess = "work"
    if guess in ("cost", "minutes") and column.share(_begins_with_number) < 0.3:
        return ""
    if guess == "part" and column.share(_is_amount) > 0.7:
        return "cost"
    if guess in ("failure", "action", "part", "verdict") and _tells(column):
        return guess if guess == "verdict" and _says_what_came_of_it(column) else "work"
    if _names_parts(column) and (
        guess == "action" or (guess == "verdict" and not _says_what_came_of_it(column))
    ):
        return (
            "work"  # "C14 replaced", and "Befund" above "Q4 gate offen" where "Ergebnis" says what came of it
        )
    if guess == "verdict" and column.share(lambda text: OURS["verdict"].get(folded(text)) is None) > 0.5:
        trial = column.share(lambda text: folded(text) in OURS["result"])
        return "result" if trial > 0.5 else guess
    if not guess and read_rail_heading(head) is not None and column.share(_begins_with_number) > 0.5:
        return "rail"
    if not guess and _CURRENCY.search(head) and column.share(_is_amount) > 0.7:
        return "cost"
    return guess


def _by_some_words(head: str) -> str:
    """What a heading of several words says: `repair_status`, `problemText`, `Fehlerbeschreibung Kunde`.

    The last words say what a thing is, so they come first; the first ones count where these say nothing.
    """
    words = folded(re.sub(r"(?<=[a-z])(?=[A-Z])", " ", re.sub(r"[(\[][^()\[\]]*[)\]]", " ", head))).split()
    if len(words) < 2:
        return ""
    parts = [
        " ".join(part) for size in range(len(words) - 1, 0, -1) for part in (words[-size:], words[:size])
    ]
    found = [HEADING_OF[part] for part in parts if part in HEADING_OF and len(part) > 2]
    # "Complaint of the customer" is a complaint, and "what was done" says more than who.
    return next((one for one in found if one in ("complaint", "work")), found[0] if found else "")


def _tells(column: Column) -> bool:
    """Whether the cells are sentences and not single words of a list."""
    return column.share(lambda text: len(text) > 200) > 0 or (
        column.share(lambda text: len(text.split()) > 3) > 0.3 and len(column.texts) > 2
    )


def _says_what_was_done(column: Column) -> bool:
    """Whether about half of the texts name something that was done."""
    texts = [text for text in column.samples(_TEXTS_READ) if len(text) > 8]
    done = sum(any(attempt.action for attempt in read(text, Known()).attempts) for text in texts)
    return len(texts) > 2 and done >= 0.4 * len(texts)


def _says_what_came_of_it(column: Column) -> bool:
    """Whether most of the texts say how a job ended and tell of no fix."""
    texts = list(column.texts)[:_TEXTS_READ]
    return sum(folded(text) in OURS["verdict"] or outcome_of(text).ends for text in texts) > 0.6 * len(texts)


def _names_parts(column: Column) -> bool:
    """Whether many of the texts name a part beside what was done with it."""
    return (
        column.share(lambda text: " " in text and any(map(is_designator, re.split(r"[\s,;/+&]+", text))))
        > 0.4
    )


def _is_amount(text: str) -> bool:
    return decimal_mark(without_currency(text)) != "bad" or re.fullmatch(r"[.,][0-9]{1,2}", text) is not None


def _by_content(head: str, column: Column) -> str:
    if head == REASON_HEADING or not column.filled:
        return ""
    if column.share(_is_day) > 0.7:
        return "received"
    if column.share(is_designator) > 0.6:
        return "part"
    if column.share(lambda text: _MONEY.search(text) is not None) > 0.6:
        return "cost"
    words = [folded(text) in OURS["verdict"] for text in column.texts]
    if words and len(words) <= 12 and all(words) and not column.capped:
        return "symptom" if all(folded(text) in OURS["yes"] for text in column.texts) else "verdict"
    if column.share(lambda text: " " in text and len(text) > 15) > 0.6:
        return "work" if _says_what_was_done(column) else "complaint"
    if column.share(lambda text: _BOARD.fullmatch(text) is not None and _is_code(text)) > 0.7:
        return "family"
    return ""


def _is_code(text: str) -> bool:
    return not is_designator(text) and read_day(text) is None and text.count(" ") < 3


def _is_day(text: str) -> bool:
    return read_day(text) is not None


def _begins_with_number(text: str) -> bool:
    return leading_number(text.lstrip("€$£ +-")) is not None
