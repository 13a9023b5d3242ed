"""One pass over the rows: what each column holds, counted by the different texts in it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

_MOST_TEXTS = 5_000
_MOST_OF_ALL = 150_000
_LONGEST_COUNTED = 4_000


@dataclass(slots=True)
class Column:
    """`filled` cells hold something; `texts` counts them, wholly where not `capped`."""

    filled: int = 0
    texts: dict[str, int] = field(default_factory=dict)
    capped: bool = False

    def samples(self, most: int = 3) -> list[str]:
        """The first different texts, shortened."""
        return [text if len(text) <= 60 else text[:59] + "…" for text in list(self.texts)[:most]]

    def share(self, test: Callable[[str], bool]) -> float:
        """The share of the filled cells that pass a test, judged by the first thousand texts."""
        seen = list(self.texts.items())[:1000]
        total = sum(count for _, count in seen)
        return sum(count for text, count in seen if test(text)) / total if total else 0.0


def cleaned(cell: str) -> str:
    """A cell as it is compared and read: no outer space, no hard spaces, no marks of other systems."""
    return cell.replace("\u00a0", " ").replace("\u202f", " ").replace("_x000D_", "").strip()


def survey(rows: Iterable[list[str]], columns: int) -> list[Column]:
    """What each of `columns` columns holds."""
    found = [Column() for _ in range(columns)]
    room = _MOST_OF_ALL
    for row in rows:
        for column, cell in zip(found, row, strict=False):
            if not cell:
                continue
            text = cleaned(cell)
            if not text:
                continue
            column.filled += 1
            texts = column.texts
            if text in texts:
                texts[text] += 1
            elif len(texts) < _MOST_TEXTS and room and len(text) <= _LONGEST_COUNTED:
                texts[text] = 1
                room -= 1
            else:
                column.capped = True
    return found


def write(columns: list[Column], file: Path) -> None:
    """Keeps a survey beside its sheet."""
    data = [[column.filled, column.capped, column.texts] for column in columns]
    file.write_text(json.dumps(data, ensure_ascii=False), encoding="utf-8", newline="\n")


def read(file: Path) -> list[Column]:
    """A survey that `write` kept."""
    data = json.loads(file.read_text(encoding="utf-8"))
    return [Column(filled, texts, capped) for filled, capped, texts in data]
