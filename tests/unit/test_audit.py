"""The dependency audit can fail, and knows every distribution that the program needs to run."""

from __future__ import annotations

import sys
import tomllib
from datetime import date
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path
from typing import Any

import pytest
from packaging.version import Version

CI = Path(__file__).resolve().parents[2] / ".ci"
LISTED = tomllib.loads((CI / "advisories.toml").read_text())
KNOWN, RUNTIME = LISTED["distributions"], LISTED["runtime"]
TODAY = date(2026, 11, 28)


@pytest.fixture(scope="module")
def audit() -> Any:
    loader = SourceFileLoader("audit", str(CI / "audit"))
    spec = spec_from_loader("audit", loader)
    assert spec is not None
    module = module_from_spec(spec)
    sys.modules["audit"] = module  # where a dataclass looks for its own module
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


def test_interpreter_sqlite_and_image_libraries_were_looked_at(audit: Any) -> None:
    found = audit.runtime()
    assert {"python", "sqlite", "openssl", "expat", "zlib", "libjpeg-turbo", "libwebp"} <= set(found)
    told, _ = audit.runtime_problems(found, RUNTIME, TODAY)
    assert not [line for line in told if "no entry" in line or "nobody has looked" in line]
    assert all(part.version for part in found.values())


@pytest.mark.parametrize(
    "name", [name for name, entry in RUNTIME.items() if isinstance(entry["at_least"], str)]
)
def test_an_old_library_fails_and_one_of_the_distribution_could_not_be_known(audit: Any, name: str) -> None:
    least = RUNTIME[name]["at_least"]
    if not least:
        assert RUNTIME[name]["advisories"] == []
        return
    assert audit.runtime_problems({name: audit.Part(least)}, RUNTIME, TODAY) == ([], [])
    below = audit.Part(f"{least}rc1")
    (told,), unknown = audit.runtime_problems({name: below}, RUNTIME, TODAY)
    assert least in told
    assert unknown == []
    kept = audit.Part(f"{least}rc1", f"lib{name} 1.0-2+deb12u1")
    told, (unknown,) = audit.runtime_problems({name: kept}, RUNTIME, TODAY)
    assert told == []
    assert f"lib{name} 1.0-2+deb12u1 may have the fixes" in unknown


def test_an_interpreter_is_judged_by_its_series_and_its_end(audit: Any) -> None:
    def judged(version: str, today: date = TODAY) -> tuple[list[str], list[str]]:
        return audit.runtime_problems({"python": audit.Part(version)}, RUNTIME, today)

    assert judged("3.12.8") == ([], [])
    assert "older than 3.12.6" in judged("3.12.1")[0][0]
    assert "nobody has looked at the series 3.99" in judged("3.99.0")[0][0]
    assert "gets no more fixes since 2027-10-31" in judged("3.11.14", date(2028, 1, 1))[0][0]


def test_a_library_that_does_not_tell_its_version_could_not_be_known(audit: Any) -> None:
    assert audit.runtime_problems({"libwebp": audit.Part("")}, RUNTIME, TODAY) == (
        [],
        ["libwebp does not tell its version"],
    )
    (told,), _ = audit.runtime_problems({"libbrandnew": audit.Part("1.0")}, RUNTIME, TODAY)
    assert "no entry" in told
