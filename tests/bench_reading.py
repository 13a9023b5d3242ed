"""How long texts take to read: processor time for 500 characters, and its ratio to a plain search in the same run.

    python tests/bench_reading.py

The texts are the judged notes that were tuned on. The ratio is to a thousand searches of a regular expression for the
words of the text, so that it depends on the machine less than the time does.
"""

from __future__ import annotations

import re
import sys
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

sys.path.append(str(Path(__file__).parent / "reading"))

from judge import LANGUAGES, STANDARD, notes

from kb.reading import read

LENGTHS = (500, 2_000, 10_000)
_WORD = re.compile(r"[^\W\d_]+")


def processor_ms(work: Callable[[], object], rounds: int = 5) -> float:
    """The least processor time of several rounds, in milliseconds."""
    times = []
    for _ in range(rounds):
        start = time.process_time()
        work()
        times.append((time.process_time() - start) * 1e3)
    return min(times)


def plain_search(text: str) -> int:
    """A thousand searches for the words of 500 characters: what times are held against."""
    return sum(len(_WORD.findall(text[:500])) for _ in range(1_000))


def main() -> None:
    """Prints a line for each language and length."""
    start = time.process_time()
    read("ok")
    print(f"word lists made ready in {(time.process_time() - start) * 1e3:.0f} ms")
    for language in LANGUAGES:
        text = " ".join(note["text"] for note, _ in notes(language, "tuned on")) * 4
        plain = processor_ms(lambda: plain_search(text))  # noqa: B023
        for length in LENGTHS:
            pieces = (
                [text[at : at + length] for at in range(0, 4 * length, length)]
                if length < 5_000
                else [text[:length]]
            )
            taken = median(processor_ms(lambda: read(piece, STANDARD)) for piece in pieces)  # noqa: B023
            print(f"{language} {length:6} characters {taken:7.1f} ms, {taken / plain:5.2f} times the search")


if __name__ == "__main__":
    main()
