"""Templates: everything that comes from a record or a person is escaped, whatever it holds."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from web_client import Client

from kb import assets
from kb.web.rendering import environment

FILES = sorted(assets.folder("templates").rglob("*.*"))
# What is called safe: a fixed text between quotes, with nothing put into it.
FIXED = re.compile(r"""('[^'{}]*'|"[^"{}]*")\s*\|\s*safe\b""")


def test_templates_escape_whatever_their_ending() -> None:
    assert environment().autoescape is True
    made = environment().from_string("{{ text }}").render(text="<b>\"'&")
    assert made == "&lt;b&gt;&#34;&#39;&amp;"


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.name)
def test_nothing_but_fixed_words_is_called_safe(file: Path) -> None:
    text = file.read_text(encoding="utf-8")
    assert len(re.findall(r"\|\s*safe\b", text)) == len(FIXED.findall(text)), file
    assert "autoescape" not in text
    assert not re.search(r"\bMarkup\b", text)


def test_what_is_typed_is_never_a_template(client: Client) -> None:
    for path in ("/search?q={{7*7}}{%25+raw+%25}", "/diagnose?text={{7*7}}", "/families/{{7*7}}"):
        text = client.get(path).text
        assert "{{7*7}}" in text or "{{" not in text
        assert ">49<" not in text
