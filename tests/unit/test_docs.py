"""What the README promises is there, and what it leaves to the program is in the program."""

from __future__ import annotations

import os
import re
import tomllib
from pathlib import Path

import commands

from kb.config import Settings

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_command_line_lists_every_setting_with_its_purpose() -> None:
    shown = commands.run(["settings"], dict(os.environ)).stdout.decode()
    for name, field in Settings.model_fields.items():
        assert f"KB_{name.upper()} (" in shown
        assert str(field.description) in shown


def test_every_setting_says_what_it_is_for() -> None:
    assert [name for name, field in Settings.model_fields.items() if not field.description] == []


def test_the_readme_names_no_setting_that_does_not_exist() -> None:
    named = set(re.findall(r"\bKB_([A-Z_]+)\b", README))
    assert named
    assert named <= {name.upper() for name in Settings.model_fields}


def test_every_command_in_the_readme_exists() -> None:
    shown = commands.run(["--help"], dict(os.environ)).stdout.decode()
    known = set(re.findall(r"^    ([a-z]+) ", shown, re.MULTILINE))
    blocks = "\n".join(re.findall(r"```.*?```|`[^`\n]+`", README, re.DOTALL))
    named = set(re.findall(r"(?:^|[`\s/])kb ([a-z]+)\b", blocks))
    assert named
    assert named <= known


def test_the_readme_opens_with_the_job_and_two_commands() -> None:
    blocks = re.findall(r"```[a-z]*\n(.*?)```", README, re.DOTALL)
    assert "kb serve --demo" in blocks[0]
    assert "pytest" in blocks[1]
    assert "python3-venv" in README
    assert re.search(r"^## Run all tests", README, re.MULTILINE)


def test_every_file_the_readme_points_at_is_there() -> None:
    targets = re.findall(r"\]\(([^)#:]+)\)", README)
    assert {"DEVELOPERS.md", "tests/README.md"} <= set(targets)
    for target in targets:
        assert (ROOT / target).exists(), target


def test_the_test_extra_holds_what_the_tests_import() -> None:
    extra = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["optional-dependencies"]["test"]
    named = {re.split(r"[<>=\[ ]", entry)[0] for entry in extra}
    assert {"pytest", "hypothesis", "httpx", "schemathesis", "jsonschema"} <= named
