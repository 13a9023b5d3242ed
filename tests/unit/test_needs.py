"""What the tests need is found under any of its names, and what is missing is told in one line."""

from __future__ import annotations

from pathlib import Path

import needs
import pytest


def test_any_postgresql_from_13_on_is_found_and_the_newest_taken(tmp_path: Path) -> None:
    for version in ("9.6", "12", "13", "15", "17"):
        (tmp_path / version / "bin").mkdir(parents=True)
        (tmp_path / version / "bin" / "postgres").touch()
    (tmp_path / "18" / "bin").mkdir(parents=True)  # its client alone
    assert [folder.parent.name for folder in needs.postgresql_folders(tmp_path)] == ["17", "15", "13"]


@pytest.mark.parametrize("name", ["chromium", "chromium-browser", "google-chrome-stable"])
def test_chromium_is_found_by_any_of_its_names(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / name).touch(mode=0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    assert needs.browser() == str(tmp_path / name)


def test_what_is_missing_is_one_line_with_the_command_that_installs_it() -> None:
    told = needs.sentence(["chromium", "libatomic1"])
    assert len(told.splitlines()) == 1
    assert "sudo apt install chromium libatomic1" in told
