"""What the tests need is found under any of its names, and what is missing is told in one line."""

from __future__ import annotations

from pathlib import Path

import needs
import pytest


def laid_down(root: Path, **programs: str) -> Path:
    """A folder of PostgreSQL versions as distributions lay them down: v15="postgres initdb" and so on."""
    for version, names in programs.items():
        folder = root / version.lstrip("v").replace("_", ".") / "bin"
        folder.mkdir(parents=True)
        for name in names.split():
            (folder / name).touch(mode=0o755)
    return root


@pytest.mark.parametrize(
    ("installed", "taken"),
    [
        ({"v15": "postgres initdb psql"}, ["15"]),  # Debian 12
        ({"v17": "postgres initdb psql"}, ["17"]),  # Debian 13
        ({"v14": "postgres initdb psql"}, ["14"]),  # Ubuntu 22.04
        ({"v16": "postgres initdb psql"}, ["16"]),  # Ubuntu 24.04
        ({"v9_6": "postgres initdb", "v12": "postgres initdb", "v13": "postgres initdb"}, ["13"]),
        ({"v15": "postgres initdb", "v17": "postgres initdb", "v18": "psql"}, ["17", "15"]),  # 18: its client
        ({"v16": "postgres initdb", "v100": "postgres initdb"}, ["100", "16"]),
        ({"v16": "postgres"}, []),
        ({"common": "postgres initdb"}, []),
        ({}, []),
    ],
)
def test_any_postgresql_from_13_on_is_found_and_the_newest_taken(
    installed: dict[str, str], taken: list[str], tmp_path: Path
) -> None:
    """Versions of the releases are those of their package lists (from memory)."""
    root = laid_down(tmp_path, **installed)
    assert [folder.parent.name for folder in needs.postgresql_folders(root)] == taken


@pytest.mark.parametrize(
    "name",
    ["chromium", "chromium-browser", "chromium-headless-shell", "google-chrome-stable", "google-chrome"],
)
@pytest.mark.parametrize("beside", [False, True])
def test_chromium_is_found_by_any_of_its_names(
    name: str, beside: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "bin").mkdir()
    (tmp_path / "bin" / name).touch(mode=0o755)
    monkeypatch.setenv("PATH", str(tmp_path if beside else tmp_path / "bin"))
    assert needs.browser([tmp_path / "bin"] if beside else []) == str(tmp_path / "bin" / name)
    assert needs.browser([]) == (None if beside else str(tmp_path / "bin" / name))


@pytest.mark.parametrize(
    ("release", "package"),
    [
        ('ID=debian\nVERSION_ID="13"\n', "chromium"),
        ('ID=ubuntu\nID_LIKE=debian\nVERSION_ID="24.04"\n', "chromium-browser"),
        ('ID=linuxmint\nID_LIKE="ubuntu debian"\n', "chromium-browser"),
        (None, "chromium"),
    ],
)
def test_the_package_of_the_browser_is_called_as_the_distribution_calls_it(
    release: str | None, package: str, tmp_path: Path
) -> None:
    if release is not None:
        (tmp_path / "os-release").write_text(release, encoding="utf-8")
    assert needs.browser_package(tmp_path / "os-release") == package


def test_what_is_missing_is_one_line_with_the_command_that_installs_it() -> None:
    told = needs.sentence(["chromium", "libatomic1"])
    assert len(told.splitlines()) == 1
    assert "sudo apt install chromium libatomic1" in told
