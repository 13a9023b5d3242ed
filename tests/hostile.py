"""What a clumsy or a spiteful hand sends to a form: made-up inputs from a seed, for every form there is."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from web_client import Page

TEXTS = (
    "",
    " \t ",
    "<script>alert(1)</script>\"'><b>",
    "<img src=x onerror=alert(1)>",
    "javascript:alert(1)",
    "'; DROP TABLE board_case; --",
    "1' OR '1'='1",
    "{{ 7 * 7 }}{% raw %}{# #}",
    "${7*7} %s %n %x %d {0} {}",
    "../../../../etc/passwd",
    "C:\\store.sqlite3",
    "one\r\nSet-Cookie: a=b",
    "\x00",
    "\x00\x01\x02\x1b[31m\x7f\x85",
    "\u202eOL\u202c\u2066\u2069",
    "\u200b\u200d\ufeff",
    "\ud83d\udc4d".encode("utf-16", "surrogatepass").decode("utf-16"),
    "Z\u0335\u0321\u0322\u0323" * 200,
    "\u2028\u2029\x0b\x0c",
    "İıſßﬁ",
    "١٢٣",  # digits of another script
    "４７００",  # digits of full width
    "NaN",
    "-inf",
    "1e999",
    "1e-999",
    "-0",
    "0x10",
    "1_000",
    "9" * 400,
    "-" + "9" * 40,
    "0." + "0" * 400 + "1",
    "9007199254740993",
    "2147483648",
    "9223372036854775808",
    "2,200 µF",
    "4V7V",
    "1e400 V",
    "5 A",
    "OL",
    "1:30",
    "±",
    "2026-02-30",
    "0000-00-00",
    "9999-12-31",
    "10000-01-01",
    "31.12.2026",
    "[]",
    '{"uid": ["one"]}',
    "null",
    "true",
    "GL-31",
    "one",
    "fuse blown",
    "yes",
    ",;,;\n,;",
    "5VSB " * 300,
    "x" * 5_000,
    "\n" * 3_000,
    "é" * 40_000,
)
NAMES = (
    "uid",
    "version",
    "record",
    "__proto__",
    "rows",
    "add",
    "remove",
    "symptoms.99999.name",
    "symptoms.-1.name",
    "rails.\u0661.name",
    "attempts..result",
    "readings.0",
    ".",
    "",
    "x" * 300,
    "a\x00b",
    "file",
)
FILES = (
    b"",
    b"\x00" * 1000,
    b"\xff\xfe" + "time,volts\n0,5\n".encode("utf-16-le"),
    b"PK\x03\x04" + b"\x00" * 100,
    b'{"record":"case"}\n{"record":\n[[[[\n',
    b"[" * 50_000,
    b'{"record":"case","uid":"h","family":"GL-31","complaint":"' + b"x" * 3_000 + b'"}\n',
    b"0,5\n1,nan\n2,1e999\n3,-\n",
    b"\xef\xbb\xbfs;V\n0;4,7\n1;4,9\n",
    b"%PDF-1.7 \x89PNG GIF89a <svg onload=alert(1)>",
)


@dataclass(frozen=True)
class FormSeen:
    """A form as a page shows it: its controls with the kind of each and what a choice offers."""

    method: str
    action: str
    controls: tuple[tuple[str, str, tuple[str, ...]], ...]
    multipart: bool


@dataclass
class Sent:
    """One hostile input."""

    form: FormSeen
    fields: list[tuple[str, str]] = field(default_factory=list)
    files: list[tuple[str, tuple[str, bytes, str]]] = field(default_factory=list)


def forms_of(html: str, path: str) -> list[FormSeen]:
    """All forms of a page, the rows of its templates included."""
    found: list[tuple[dict[str, str | None], dict[str, tuple[str, list[str]]]]] = []
    select: list[str] = []
    for tag, given in Page(html).tags:
        if tag == "form":
            found.append((given, {}))
            continue
        name = given.get("name")
        if tag == "option":
            select.append(given.get("value") or "")
        if not found or not name or tag not in ("input", "select", "textarea", "button"):
            continue
        kind = tag if tag != "input" else given.get("type") or "text"
        controls = found[-1][1]
        entry = controls.setdefault(name, (kind, []))
        entry[1].append(given.get("value") or "")
        if tag == "select":
            select = entry[1]
    return [
        FormSeen(
            (given.get("method") or "get").upper(),
            (given.get("action") or path).partition("#")[0],
            tuple((name, kind, tuple(values)) for name, (kind, values) in controls.items()),
            given.get("enctype") == "multipart/form-data",
        )
        for given, controls in found
    ]


def good_value(rng: random.Random, name: str, kind: str, values: tuple[str, ...]) -> str:
    """What an honest hand might send in this field, so that a fault elsewhere is reached."""
    plain = {
        "family": "GL-31",
        "code": "WB-7",
        "received": "2026-03-02",
        "closed": "2026-03-05",
        "name": "sings",
        "soak_s": "600",
    }
    if name.rpartition(".")[2] in plain and kind in ("text", "search", "date"):
        return plain[name.rpartition(".")[2]]
    offered = [value for value in values if value]
    return rng.choice(offered) if offered else rng.choice(("", "5 V", "C9", "12"))


def text(rng: random.Random) -> str:
    """One hostile text, at times two glued together or made of any characters at all."""
    kind = rng.random()
    if kind < 0.7:
        return rng.choice(TEXTS)
    if kind < 0.85:
        return (rng.choice(TEXTS) + rng.choice((" ", ",", ".", "\n", "")) + rng.choice(TEXTS))[:50_000]
    codes = rng.choice((rng.randrange(0x250), rng.randrange(0xD800), rng.randrange(0x10000, 0x110000)))
    return "".join(chr(codes + step) for step in range(rng.randrange(1, 12)) if codes + step < 0x110000)


def inputs(forms: list[FormSeen], seed: int) -> Iterator[Sent]:
    """Hostile inputs without end, to each form in turn."""
    rng = random.Random(seed)
    while True:
        for form in forms:
            yield _spoilt(form, rng)


def _spoilt(form: FormSeen, rng: random.Random) -> Sent:
    sent = Sent(form)
    buttons = [control for control in form.controls if control[1] == "button"]
    pressed = rng.choice(buttons) if buttons and rng.random() < 0.7 else None
    for name, kind, values in form.controls:
        plain = re.sub("__n__", str(rng.choice((0, 1, 2, 7))), name)
        if kind == "file":
            content = rng.choice(FILES)
            if rng.random() < 0.8:
                shown = rng.choice(("records.jsonl", "../../x", "a\x00.csv", "x" * 300, "é.xlsx"))
                sent.files.append((plain, (shown, content, rng.choice(("text/plain", "image/png", "x")))))
            else:
                sent.fields.append((plain, text(rng)))
        elif kind != "button" or (pressed and pressed[0] == name):
            sent.fields.append((plain, good_value(rng, name, kind, values)))
    for _ in range(rng.choice((1, 1, 2, 3, 6))):
        _spoil(sent, rng)
    return sent


def _spoil(sent: Sent, rng: random.Random) -> None:
    """One thing gone wrong: a field with something else in it, missing, twice, moved or unheard of."""
    fields = sent.fields
    at = rng.randrange(len(fields)) if fields else 0
    deed = rng.random()
    if not fields or deed < 0.1:
        fields.append((rng.choice(NAMES), text(rng)))
    elif deed < 0.7:
        fields[at] = (fields[at][0], text(rng))
    elif deed < 0.8:
        del fields[at]
    elif deed < 0.9:
        fields.append((fields[at][0], text(rng)))
    elif deed < 0.95:
        fields[at] = (rng.choice(NAMES), fields[at][1])
    elif sent.form.method == "POST":
        sent.files.append((fields[at][0], ("x.txt", rng.choice(FILES), "text/plain")))


def request_of(sent: Sent) -> dict[str, Any]:
    """What httpx is to send."""
    if sent.form.method == "GET":
        # No server takes an address of more than some 60,000 characters.
        return {"params": [(name, value[:1_000]) for name, value in sent.fields]}
    data: dict[str, list[str]] = {}
    for name, value in sent.fields:
        data.setdefault(name, []).append(value)
    if sent.files or sent.form.multipart:
        return {"data": data, "files": sent.files or [("nothing", ("", b"", "text/plain"))]}
    return {"data": data}
