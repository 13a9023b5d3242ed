"""Tables kept as text: which encoding, which sign between the cells, and the rows one at a time.

RFC 4180 with the liberties that real files take: other separators, line ends of any kind, and a quotation
mark in the middle of a cell. What no reader can repair (a quotation mark never closed, a line without end)
is refused.
"""

from __future__ import annotations

import codecs
import csv
import io
import math
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from kb.errors import BadInput
from kb.exchange.sheet_limits import LONGEST_LINE

ENCODINGS: dict[str, str] = {
    "utf-8": "Unicode (UTF-8)",
    "windows-1252": "Western Windows (1252)",
    "utf-16-le": "Unicode (UTF-16, little-endian)",
    "utf-16-be": "Unicode (UTF-16, big-endian)",
}
SEPARATORS: dict[str, str] = {",": "comma", ";": "semicolon", "\t": "tab", "|": "upright bar"}

_MARKS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))
_HEAD_BYTES = 1 << 16
_SNIFFED_ROWS = 200


def _as_control(error: UnicodeError) -> tuple[str, int]:
    """The five bytes that Windows-1252 leaves open, as the control characters the WHATWG table gives."""
    assert isinstance(error, UnicodeDecodeError)
    return "".join(map(chr, error.object[error.start : error.end])), error.end


codecs.register_error("kb-open-bytes", _as_control)


def detect_encoding(file: Path) -> str:
    """The encoding of a text: by its mark, by zero bytes, by being valid UTF-8, else Windows-1252."""
    with file.open("rb") as source:
        head = source.read(_HEAD_BYTES)
        for mark, name in _MARKS:
            if head.startswith(mark):
                return name
        even, odd = head[0::2].count(0), head[1::2].count(0)
        if max(even, odd) > len(head) // 5:
            return "utf-16-be" if even > odd else "utf-16-le"
        decoder = codecs.getincrementaldecoder("utf-8")()
        try:
            while head:
                decoder.decode(head)
                head = source.read(_HEAD_BYTES)
            decoder.decode(b"", final=True)
        except UnicodeDecodeError:
            return "windows-1252"
    return "utf-8"


def _opened(file: Path, encoding: str) -> io.TextIOWrapper:
    source = file.open("rb")
    try:
        mark = next((mark for mark, name in _MARKS if name == encoding), b"")
        if not mark or source.read(len(mark)) != mark:
            source.seek(0)
        lenient = "kb-open-bytes" if encoding == "windows-1252" else "strict"
        return io.TextIOWrapper(source, encoding=encoding, errors=lenient, newline="")
    except BaseException:
        source.close()
        raise


class _Lines:
    """Lines of a text with a limit on their length; remembers whether the text has ended."""

    def __init__(self, text: io.TextIOWrapper) -> None:
        self._text = text
        self.number = 0
        self.ended = False

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        line = self._text.readline(LONGEST_LINE + 1)
        if not line:
            self.ended = True
            raise StopIteration
        self.number += 1
        if len(line) > LONGEST_LINE:
            raise BadInput(
                f"Line {self.number} is longer than {LONGEST_LINE:,} characters.",
                field="file",
                remedy="Check that this is a table with one board in each row.",
            )
        if "\x00" in line:
            raise BadInput(
                "This is no text: it holds zero bytes.",
                field="file",
                remedy="Choose another encoding, or save the sheet as CSV or XLSX.",
            )
        return line


def rows(file: Path, encoding: str, separator: str) -> Iterator[list[str]]:
    """The rows of a text. Raises BadInput naming the line."""
    try:
        with _opened(file, encoding) as text:
            lines = _Lines(text)
            reader = csv.reader(lines, delimiter=separator)
            begun = 1
            for row in reader:
                # The reader asks for a line after the last one only while a quotation mark is open.
                if lines.ended:
                    raise BadInput(
                        f"A quotation mark in line {begun} is never closed.",
                        field="file",
                        remedy="Remove it, or write it twice inside a cell.",
                    )
                if not (begun == 1 and _says_separator(row, separator)):
                    yield row
                begun = lines.number + 1
    except UnicodeError as error:
        raise BadInput(
            f"This text is not written in {ENCODINGS[encoding]}.", field="encoding", remedy="Choose another."
        ) from error
    except csv.Error as error:
        raise BadInput(
            f"Near line {lines.number} the table cannot be read: {error}.",
            field="file",
            remedy="Look for a quotation mark that is never closed.",
        ) from error


def _says_separator(row: list[str], separator: str) -> bool:
    """Whether the first line only names the separator, as some programs write (`sep=;`)."""
    return bool(row) and row[0].casefold() == "sep=" and row[1:] in ([""], []) and separator in SEPARATORS


def detect_separator(file: Path, encoding: str) -> str:
    """The sign between the cells: the one that cuts most rows of the beginning into equally many cells."""
    try:
        with _opened(file, encoding) as text:
            head = text.read(_HEAD_BYTES)
    except UnicodeError:
        return ","
    first = head.split("\n", 1)[0].strip()
    if first.casefold().startswith("sep=") and first[4:5] in SEPARATORS:
        return first[4]
    return max(SEPARATORS, key=lambda sign: _evenness(head, sign))


def _evenness(head: str, separator: str) -> tuple[float, int]:
    widths: Counter[int] = Counter()
    try:
        for row in csv.reader(io.StringIO(head, newline=""), delimiter=separator):
            if any(cell.strip() for cell in row):
                widths[len(row)] += 1
            if widths.total() >= _SNIFFED_ROWS:
                break
    except csv.Error:
        return (0.0, 0)
    several = {width: count for width, count in widths.items() if width > 1}
    if not several:
        return (0.0, 0)
    width, count = max(several.items(), key=lambda entry: (entry[1], entry[0]))
    return (count / widths.total() * math.log(width + 1), width)
