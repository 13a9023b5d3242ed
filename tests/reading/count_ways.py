"""Counts how often each way of reading a symptom was right on the English notes to develop on; keeps the doubtful.

A way is a phrase of the lists or a pattern. What counts is that its words stand in a text, whatever the rules of the
reader make of it then: right where the label has the symptom, wrong where it does not even allow it and no symptom
that it allows shares the words. To each count come `WEIGHT` texts, right as often as its kind usually is
(`USUALLY_RIGHT`: a beta prior). Ways whose share is then under `ENOUGH` go into `kb/facts/words/doubtful.toml`; what
is read by them in English is proposed and not taken. So is what patterns of one or two everyday meanings say that were
right in no text: of those that earlier states of the reader gave on sets that were new to them 16 were right and 19
wrong, of the others of that length 0.85. The kind alone (phrase or pattern, everyday words, words between)
does not tell right from false.

`PYTHONPATH=.:tests python tests/reading/count_ways.py` writes the file again.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from pathlib import Path

from judge import LATER_NAMES, NOT_JUDGED, PARTS, STANDARD, notes

from kb.facts.word_lists import symptom_patterns
from kb.reading import Known, read
from kb.reading import symptoms as of_symptoms
from kb.reading.lexicon import every_common_word
from kb.reading.patterns import PHRASE, Match

ENOUGH, ENOUGH_OF_A_PATTERN = 0.75, 0.8
# Right of 223, 128 and 219 symptoms that earlier states of the reader gave on 531 notes new to them.
USUALLY_RIGHT = {"trade phrase": 0.87, "everyday phrase": 0.77, "pattern": 0.68}
WEIGHT = 2.0
# A wrong text that a rule of the reader takes back counts half, as the rule was made for it; not at all for ways that
# were right so often that what is left tells more than a single text.
CAUGHT, MANY = 0.5, 10
FILE = Path(__file__).parents[2] / "kb" / "facts" / "words" / "doubtful.toml"
HEAD = """\
# Ways of reading a symptom that were wrong too often on the notes to develop on: `=` and the words of a
# phrase, or a pattern. What is read by them is proposed and not taken. Made by tests/reading/count_ways.py.

[doubtful]
"""


def counted() -> dict[tuple[str, str], tuple[int, float]]:
    """(symptom, way): (texts in which it was right, texts in which it was wrong)."""
    said: list[Match] = []
    longest = of_symptoms._longest

    def remember(found: list[Match]) -> list[Match]:
        said.extend(found)
        return longest(found)

    right: dict[tuple[str, str], set[str]] = defaultdict(set)
    wrong: dict[tuple[str, str], set[str]] = defaultdict(set)
    caught: dict[tuple[str, str], set[str]] = defaultdict(set)
    of_symptoms._longest = remember
    try:
        for part in PARTS:
            if part == "unseen":
                continue
            for note, later_names in notes("en", part):
                said.clear()
                found = read(note["text"], STANDARD if note.get("family") else Known())
                given = {one.name for one in (*found.symptoms, *found.proposed)}
                wanted = {name.lstrip("!") for name in note.get("symptoms", ())}
                allowed = wanted | {name.lstrip("!") for name in note.get("also_symptoms", ())}

                def label(match: Match, later_names: bool = later_names) -> str:
                    return match.name if later_names else LATER_NAMES.get(match.name, match.name)

                meant = {at for match in said if label(match) in allowed for at in match.places}
                for match in said:
                    key, name = (match.name, match.way), label(match)
                    if name in wanted:
                        right[key].add(note["text"])
                    elif (
                        name not in allowed
                        and (later_names or name not in NOT_JUDGED)
                        # Words of a wider name beside a narrower one that is meant are not read wrongly.
                        and meant.isdisjoint(match.places)
                    ):
                        wrong[key].add(note["text"])
                        if match.name not in given:
                            caught[key].add(note["text"])
    finally:
        of_symptoms._longest = longest
    return {
        key: (
            len(right[key]),
            len(wrong[key]) - len(caught[key]) * (1 if len(right[key]) >= MANY else CAUGHT),
        )
        for key in {*right, *wrong}
    }


def confidence(way: str, right: int, wrong: float) -> float:
    """The share of right symptoms to be expected of a way of reading."""
    words = way.removeprefix(PHRASE).split()
    everyday = all(word in every_common_word() for word in words)
    kind = "pattern" if not way.startswith(PHRASE) else "everyday phrase" if everyday else "trade phrase"
    return (right + WEIGHT * USUALLY_RIGHT[kind]) / (right + wrong + WEIGHT)


def _says_more_than_a_good_one(
    name: str, way: str, ways: Mapping[tuple[str, str], tuple[int, float]]
) -> bool:
    """ "was dead", where "dead" was right often."""
    words = set(way.removeprefix(PHRASE).split())
    return way.startswith(PHRASE) and any(
        other == name and right >= MANY and shorter.startswith(PHRASE)
        and set(shorter.removeprefix(PHRASE).split()) < words
        for (other, shorter), (right, _) in ways.items()
    )  # fmt: skip


# Meanings of the trade: what these name is seldom something else.
OF_THE_TRADE = frozenset(
    ("rail", "standby_rail", "vcc", "bulk_rail", "bulk", "output", "voltage", "fuse", "esr", "ripple", "psu", "pfc",
     "rcd", "track", "joint", "board", "breaker", "enable", "standby", "channel", "hiccup", "backlight", "error", "err",
     "relay", "whine", "fan")
)  # fmt: skip


def _is_short_and_everyday(way: str) -> bool:
    words = [word for word in way.split() if word != ">" and not word.startswith("!")]
    meant = {one for word in words for one in word.lstrip("~").split("|")}
    return len(words) <= 2 and OF_THE_TRADE.isdisjoint(meant) and not any("@" in one for one in meant)


def main() -> None:
    doubtful: dict[str, list[str]] = defaultdict(list)
    ways = counted()
    for (name, way), (right, wrong) in sorted(ways.items()):
        if not wrong or _says_more_than_a_good_one(name, way, ways):
            continue
        # "Does not work" is so often more than that that a rule of its own takes it only where nothing else is said.
        if name != "does not work" and confidence(way, right, wrong) < (
            ENOUGH if way.startswith(PHRASE) else ENOUGH_OF_A_PATTERN
        ):
            doubtful[name].append(way)
    lines = [
        f'"{name}" = [{", ".join(f"{chr(34)}{way}{chr(34)}" for way in ways)}]'
        for name, ways in doubtful.items()
    ]
    proven = {key for key, (right, _) in ways.items() if right}
    lines += ["", "[unproven]"]
    for name, patterns in symptom_patterns().items():
        if name == "does not work":
            continue
        unproven = [way for way in patterns if (name, way) not in proven and _is_short_and_everyday(way)]
        unproven = [way for way in unproven if way not in doubtful[name]]
        if unproven:
            lines.append(f'"{name}" = [{", ".join(f"{chr(34)}{way}{chr(34)}" for way in unproven)}]')
    FILE.write_text(HEAD + "\n".join(lines) + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
