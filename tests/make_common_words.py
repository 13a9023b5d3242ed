"""Write the lists of everyday words from which a spelling is never mended (a tool for developers).

    pip install wordfreq==3.1.1
    python tests/make_common_words.py

The package `wordfreq` (version 3.1.1, code under the Apache License 2.0, data under CC BY-SA 4.0) is not needed
to run the program or its tests, only
to make `kb/facts/words/common_*.txt` and `never_mended.txt` again. Words come most common first,
without numbers. Names of people and firms, and coarse words, were then taken out of the files by hand: compare
with `git diff` before a new list is kept.
"""

from __future__ import annotations

from pathlib import Path

WORDS = Path(__file__).resolve().parents[1] / "kb" / "facts" / "words"
LANGUAGES = ("en", "de", "fr", "nl", "es", "it")
KEPT = 3200  # some 3000 are left when names are taken out


def common_words(language: str) -> list[str]:
    """The `KEPT` most common words of `language` (an ISO 639-1 code), most common first."""
    from wordfreq import top_n_list  # a developer's package, not a dependency of the program

    kept: dict[str, None] = {}
    for word in top_n_list(language, 2 * KEPT):
        plain = word.replace("’", "'")
        if plain.replace("'", "").isalpha():
            kept.setdefault(plain)
    return list(kept)[:KEPT]


def never_mended() -> list[str]:
    """Words among the 30,000 most common of each language that are a letter away from a word of the trade."""
    from wordfreq import top_n_list

    from kb.reading.lexicon import every_common_word, lexicon_for, mending
    from kb.reading.stems import fold

    known, lexicon, speller = every_common_word(), lexicon_for((), ()), mending()
    found: set[str] = set()
    for language in LANGUAGES:
        for word in top_n_list(language, 30_000):
            folded = fold(word.replace("’", "").replace("'", ""))
            unknown = (
                len(folded) > 4 and folded.isalpha() and folded not in known and not lexicon.knows(folded)
            )
            if unknown and speller.near(folded):
                found.add(folded)
    return sorted(found)


def main() -> None:
    """Write one file per language, one word a line, and the words that are never mended."""
    for language in LANGUAGES:
        text = "\n".join(common_words(language)) + "\n"
        (WORDS / f"common_{language}.txt").write_text(text, encoding="utf-8", newline="\n")
    kept = "\n".join(never_mended()) + "\n"
    (WORDS / "never_mended.txt").write_text(kept, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
