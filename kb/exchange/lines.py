"""JSON Lines: one record per line, UTF-8, strict in, canonical out."""

from __future__ import annotations

import hashlib
import json
import uuid
from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Any, NoReturn

from pydantic import ValidationError

from kb.errors import BadInput, BadLine
from kb.model import RECORD_TYPES, AnyLine, LineRecord, Record, as_dict, explain, printable

# A record of every list at its longest stays well below this; a longer line is a broken file.
MAX_LINE_BYTES = 4_000_000
_NAMESPACE = uuid.UUID("4d4c7ab8-08f0-4c39-9a53-7a8a5c6c5f0e")


def write(record: Record) -> str:
    """One canonical line: the same record always gives the same bytes."""
    return json.dumps(as_dict(record), ensure_ascii=False, separators=(",", ":")) + "\n"


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is not a number that JSON knows")


def _no_twins(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        name = Counter(key for key, _ in pairs).most_common(1)[0][0]
        raise ValueError(f"the field {printable(name)} is given twice")
    return found


def parse_json(text: str | bytes) -> Any:
    """JSON without NaN, infinity or repeated fields. Raises BadInput."""
    try:
        return json.loads(text, parse_constant=_refuse_constant, object_pairs_hook=_no_twins)
    except UnicodeDecodeError as error:
        raise BadInput("This is not UTF-8 text.", remedy="Save the file as UTF-8.") from error
    except json.JSONDecodeError as error:
        raise BadInput(
            f"This is not valid JSON: {error.msg} at character {error.pos + 1}.",
            remedy="Write one whole record on each line.",
        ) from error
    except RecursionError as error:
        raise BadInput("This JSON is nested too deeply.", remedy="Write one plain record.") from error
    except ValueError as error:
        raise BadInput(f"This is not valid JSON: {error}.", remedy="Correct the value.") from error


def read_record(data: Any) -> LineRecord:
    """The record that a JSON object stands for. Raises BadInput naming the field and the remedy."""
    if not isinstance(data, dict):
        raise BadInput("This is not a record.", field="record", remedy="Write an object in braces.")
    kind = data.get("record")
    model = RECORD_TYPES.get(kind) if isinstance(kind, str) else None
    if model is None:
        known = ", ".join(sorted(RECORD_TYPES))
        raise BadInput(
            "The kind of record is missing or unknown.",
            field="record",
            remedy=f'Set "record" to one of: {known}.',
        )
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise explain(error) from error


class UidMaker:
    """Gives records without a name, which only cases may lack, one that is the same whenever the file is read again."""

    def __init__(self) -> None:
        self._seen: Counter[bytes] = Counter()

    def complete(self, record: AnyLine) -> AnyLine:
        """The record with its name. Two equal lines of one file are two boards, so each gets its own."""
        if record.own_name:
            return record
        content = write(record)
        digest = hashlib.blake2b(content.encode(), digest_size=12).digest()
        self._seen[digest] += 1
        uid = uuid.uuid5(_NAMESPACE, f"{self._seen[digest]}:{content}")
        return record.model_copy(update={record.named_by: str(uid)})


def read(lines: Iterable[bytes]) -> Iterator[tuple[int, LineRecord | BadLine]]:
    """(line number, record or what is wrong with the line); blank lines are passed over."""
    uids = UidMaker()
    for number, raw in enumerate(lines, start=1):
        if number == 1:
            raw = raw.removeprefix(b"\xef\xbb\xbf")
        if not raw.strip():
            continue
        try:
            if len(raw) > MAX_LINE_BYTES:
                raise BadInput("The line is too long.", remedy="Write one record on each line.")
            record = read_record(parse_json(raw.decode()))
        except UnicodeDecodeError:
            yield number, BadLine("This is not UTF-8 text.", line=number, remedy="Save the file as UTF-8.")
            continue
        except BadInput as error:
            yield number, BadLine(error.message, line=number, field=error.field, remedy=error.remedy)
            continue
        yield number, uids.complete(record)
