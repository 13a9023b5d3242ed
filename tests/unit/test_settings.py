"""Settings from the environment and from a file, each refused by name where it cannot be used."""

from __future__ import annotations

from pathlib import Path

import pytest

from kb.cli.main import main
from kb.config import Settings
from kb.errors import BadInput


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in Settings.model_fields:
        monkeypatch.delenv(f"KB_{name.upper()}", raising=False)
    made = tmp_path / "kb.toml"
    monkeypatch.setenv("KB_CONFIG", str(made))
    monkeypatch.setenv("KB_DATA", str(tmp_path / "data"))
    return made


def test_the_file_fills_in_what_the_environment_leaves_open(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file.write_text('shop_name = "Bench on the quay"\nwarranty_days = 90\n')
    monkeypatch.setenv("KB_WARRANTY_DAYS", "30")
    found = Settings.load()
    assert (found.shop_name, found.warranty_days, found.currency) == ("Bench on the quay", 30, "€")


def test_without_a_file_nothing_is_missing(file: Path) -> None:
    assert Settings.load().warranty_days == 365


def test_the_file_is_found_where_the_system_keeps_a_users_settings(
    file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("KB_CONFIG")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    (tmp_path / "settings" / "kb-boards").mkdir(parents=True)
    (tmp_path / "settings" / "kb-boards" / "kb.toml").write_text('currency = "kr"\n')
    assert Settings.load().currency == "kr"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('shop_nmae = "x"', '"shop_nmae", which is no setting'),
        ('config = "other.toml"', '"config", which is no setting'),
        ("shop_name = ", "not valid TOML"),
        ("\xff", "not valid TOML"),
    ],
)
def test_a_file_that_cannot_be_used_is_refused_with_the_reason(file: Path, text: str, told: str) -> None:
    file.write_bytes(text.encode("latin-1"))
    with pytest.raises(BadInput) as caught:
        Settings.load()
    assert told in caught.value.message
    assert caught.value.remedy


@pytest.mark.parametrize(
    ("name", "remedy"),
    [
        ("KB_SHOP_NMAE", "Write KB_SHOP_NAME if that is meant, or unset it."),
        ("kb_warrenty_days", "Write KB_WARRANTY_DAYS if that is meant, or unset it."),
        ("KB_", "Check the spelling (kb settings lists them all), or unset it."),
        ("KB_EVERYTHING_ELSE", "Check the spelling (kb settings lists them all), or unset it."),
    ],
)
def test_a_misspelt_name_in_the_environment_is_refused_like_one_in_the_file(
    file: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    name: str,
    remedy: str,
) -> None:
    monkeypatch.setenv(name, "90")
    assert main(["check"]) == 1
    told = f"kb: The environment names {name.upper()}, which is no setting. {remedy}\n"
    assert capsys.readouterr().err == told
    assert not (file.parent / "data").exists()


def test_a_misspelt_name_in_the_file_comes_with_what_may_be_meant(file: Path) -> None:
    file.write_text('shop_nmae = "x"\n')
    with pytest.raises(BadInput) as caught:
        Settings.load()
    assert caught.value.remedy == "Write shop_name if that is meant, or take the line out."


def test_a_value_of_the_wrong_kind_names_its_setting(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file.write_text('warranty_days = "long"\n')
    assert main(["check"]) == 1
    said = capsys.readouterr().err
    assert said.startswith("kb: The setting KB_WARRANTY_DAYS cannot be used")
    assert len(said.splitlines()) == 1


def test_a_folder_in_the_place_of_the_file_is_told(file: Path) -> None:
    file.mkdir()
    with pytest.raises(BadInput, match="cannot be read"):
        Settings.load()
