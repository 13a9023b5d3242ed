"""The dependency audit can fail, and knows every distribution that the program needs to run."""

from __future__ import annotations

import tomllib
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path
from typing import Any

import pytest
from packaging.version import Version

CI = Path(__file__).resolve().parents[2] / ".ci"
KNOWN = tomllib.loads((CI / "advisories.toml").read_text())["distributions"]


@pytest.fixture(scope="module")
def audit() -> Any:
    loader = SourceFileLoader("audit", str(CI / "audit"))
    spec = spec_from_loader("audit", loader)
    assert spec is not None
    module = module_from_spec(spec)
    loader.exec_module(module)
    return module


def test_what_is_installed_passes_and_was_looked_at(audit: Any) -> None:
    installed = audit.needed()
    assert {"fastapi", "starlette", "jinja2", "argon2-cffi", "sqlalchemy", "h11"} <= set(installed)
    assert "pytest" not in installed
    assert audit.problems(installed, KNOWN) == []


@pytest.mark.parametrize("name", [name for name, entry in KNOWN.items() if entry["at_least"]])
def test_a_version_below_fails_and_the_version_itself_does_not(audit: Any, name: str) -> None:
    least = KNOWN[name]["at_least"]
    assert KNOWN[name]["advisories"]
    assert audit.problems({name: least}, KNOWN) == []
    below = f"{least}rc1"
    assert Version(below) < Version(least)
    (told,) = audit.problems({name: below}, KNOWN)
    assert least in told


def test_a_distribution_that_nobody_looked_at_fails(audit: Any) -> None:
    (told,) = audit.problems({"brand-new": "1.0"}, KNOWN)
    assert "brand-new 1.0 has no entry" in told


def test_a_tool_that_audits_nothing_is_not_believed(audit: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(audit, "asked_pip_audit", lambda *_: {})
    assert not audit.pip_audit_can_tell()
    monkeypatch.setattr(audit, "asked_pip_audit", lambda *_: {"jinja2": []})
    assert not audit.pip_audit_can_tell()
    monkeypatch.setattr(audit, "asked_pip_audit", lambda *_: {"jinja2": ["PYSEC-2014-8"]})
    assert audit.pip_audit_can_tell()
