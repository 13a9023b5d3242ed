"""Content is kept under its hash, whole or not at all, and never taken from under a row that needs it."""

from __future__ import annotations

import hashlib
import io
import os
import stat
import time
from pathlib import Path

import commands
import pytest
from factories import a_case, bring

from kb.errors import BadInput, Conflict, NotFound, StoreTrouble
from kb.model import FileWords, Mark
from kb.service import Shop
from kb.service.cases import cases
from kb.service.operate import integrity
from kb.store.file_store import FileStore
from kb.store.records import changes, files
from kb.store.records.files import Content

# FIPS 180-4's example of SHA-256, one block, as published with the standard (from memory).
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
LONG_AGO = time.time() - 2 * 86_400


@pytest.fixture
def store(tmp_path: Path) -> FileStore:
    return FileStore(tmp_path / "files")


@pytest.mark.same("the folder of files")
def test_content_is_named_by_the_published_sha_256_of_its_bytes(store: FileStore) -> None:
    assert store.put(b"abc") == ABC
    assert store.path(ABC) == store.folder / "ba" / ABC
    with store.open(ABC) as file:
        assert file.read() == b"abc"
    assert list(store.all_hashes()) == [ABC]
    assert store.verify(ABC) is None


@pytest.mark.same("the folder of files")
def test_a_stream_is_kept_in_pieces_and_only_from_where_it_stands(store: FileStore) -> None:
    body = os.urandom(3_000_001)
    stream = io.BytesIO(b"head" + body)
    stream.seek(4)
    assert store.put(stream) == hashlib.sha256(body).hexdigest()


@pytest.mark.same("the folder of files")
def test_folders_and_files_are_for_their_owner_alone(store: FileStore) -> None:
    content = store.put(b"abc")
    store.put_derived(content, "small", b"x")
    for path in (store.folder, store.path(content).parent, store.derived_path(content, "small").parent):
        assert stat.S_IMODE(path.stat().st_mode) == 0o700
    for path in (store.path(content), store.derived_path(content, "small")):
        assert stat.S_IMODE(path.stat().st_mode) == 0o600


@pytest.mark.same("the folder of files")
def test_the_same_bytes_are_kept_once_and_leave_no_part_behind(store: FileStore) -> None:
    assert store.put(b"abc") == store.put(io.BytesIO(b"abc"))
    assert [path.name for path in store.folder.rglob("*") if path.is_file()] == [ABC]


@pytest.mark.same("the folder of files")
def test_damaged_content_is_told_and_mended_by_the_same_bytes(store: FileStore) -> None:
    store.put(b"abc")
    store.path(ABC).write_bytes(b"abd")
    assert "damaged" in str(store.verify(ABC))
    store.put(b"abc")
    assert store.verify(ABC) is None


@pytest.mark.same("the folder of files")
def test_missing_content_is_told_with_its_remedy(store: FileStore) -> None:
    assert "missing" in str(store.verify(ABC))
    with pytest.raises(StoreTrouble, match="missing") as error:
        store.open(ABC)
    assert "backup" in str(error.value.remedy)


@pytest.mark.same("the folder of files")
@pytest.mark.parametrize("name", ["", "../../etc/passwd", ABC.upper(), ABC[:-1], ABC + "0", "ba/" + ABC])
def test_nothing_but_a_hash_becomes_a_path(store: FileStore, name: str) -> None:
    for ask in (store.path, store.has, store.open, store.verify):
        with pytest.raises(BadInput):
            ask(name)
    with pytest.raises(BadInput):
        store.derived_path(ABC, "../x")


@pytest.mark.same("the folder of files")
def test_a_write_that_is_cut_off_leaves_neither_content_nor_part(store: FileStore) -> None:
    class Breaks(io.BytesIO):
        def read(self, size: int | None = -1) -> bytes:
            raise ConnectionResetError

    with pytest.raises(StoreTrouble):
        store.put(Breaks())
    assert list(store.folder.rglob("*")) == []


@pytest.mark.same("the folder of files")
def test_a_full_disk_is_told_as_such(store: FileStore, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StoreTrouble, match="disk is full"):
        store.put(b"abc")
    monkeypatch.undo()
    assert not store.has(ABC)
    assert list(store.all_hashes()) == []


@pytest.mark.same("the folder of files")
def test_a_named_folder_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    store = FileStore(tmp_path / "share", must_exist=True)
    with pytest.raises(StoreTrouble, match="cannot be used") as error:
        store.put(b"abc")
    assert "KB_FILES" in str(error.value.remedy)
    assert not (tmp_path / "share").exists()
    (tmp_path / "share").mkdir()
    assert store.put(b"abc") == ABC


@pytest.mark.same("the folder of files")
def test_a_sweep_takes_old_orphans_and_nothing_else(store: FileStore) -> None:
    kept, fresh, orphan = store.put(b"kept"), store.put(b"fresh"), store.put(b"orphan")
    store.put_derived(orphan, "small", b"x")
    part, new_part = store.folder / "part-1", store.folder / "part-2"
    for path in (part, new_part):
        path.write_bytes(b"")
    for path in (store.path(kept), store.path(orphan), part):
        os.utime(path, (LONG_AGO, LONG_AGO))
    assert store.sweep({kept}) == [orphan]
    assert set(store.all_hashes()) == {kept, fresh}
    assert not store.derived_path(orphan, "small").exists()
    assert not part.exists()
    assert new_part.exists()


@pytest.mark.same("the folder of files")
def test_content_that_is_put_while_a_sweep_runs_stays(
    store: FileStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    content = store.put(b"wanted again")
    os.utime(store.path(content), (LONG_AGO, LONG_AGO))
    replace = os.replace

    def put_first(source: Path, target: Path) -> None:
        monkeypatch.setattr(os, "replace", replace)
        store.put(b"wanted again")
        replace(source, target)

    monkeypatch.setattr(os, "replace", put_first)
    assert store.sweep(set()) == []
    assert store.verify(content) is None


@pytest.mark.same("the folder of files")
def test_killed_at_any_moment_every_named_file_is_whole(tmp_path: Path) -> None:
    """Writers are killed in the middle of their work; what has a name has all its bytes."""
    code = (
        "import sys, os; from pathlib import Path; from kb.store.file_store import FileStore\n"
        "store = FileStore(Path(sys.argv[1])); print('go', flush=True)\n"
        "while True: print(store.put(os.urandom(200_000)), flush=True)"
    )
    told: list[str] = []
    for _ in range(3):
        process = commands.start_code(code, [str(tmp_path / "files")], dict(os.environ))
        told += [process.stdout.readline().strip() for _ in range(4)]
        process.close()
    store = FileStore(tmp_path / "files")
    found = list(store.all_hashes())
    assert {line for line in told if line != "go"} <= set(found)
    assert [store.verify(content) for content in found] == [None] * len(found)


# ---- which content belongs to which case ------------------------------------------------------------

PICTURE = Content(ABC, "image/jpeg", 3, 640, 480)
PAPER = Content("f" * 64, "application/pdf", 9)


@pytest.fixture
def cased(stocked: Shop) -> Shop:
    assert bring(stocked, a_case("one"), a_case("two")).saved
    return stocked


def add(shop: Shop, case: str = "one", content: Content = PICTURE) -> str:
    with shop.acting_as("bench 1").write() as session:
        return files.add(session, case, content, "IMG_1.jpg", "")


def test_a_file_is_in_the_change_feed_under_its_own_name_and_person(cased: Shop) -> None:
    version = cases.stored(cased, "one").version
    with cased.store.read() as session:
        before = changes.latest(session)[0]
    uid = add(cased)
    with cased.acting_as("bench 1").write() as session:
        files.change(session, files.hold(session, "one", uid), FileWords(caption="C9 bulged"))
        files.set_binned(session, "one", uid, binned=True)
        files.set_binned(session, "one", uid, binned=True)
    with cased.store.read() as session:
        told = [(one.entity, one.key, one.operation) for one in changes.since(session, before)]
        kept = changes.replaced(session, "case_file", uid)
        found = files.get(session, "one", uid)
    assert told == [("case_file", uid, "added"), ("case_file", uid, "updated"), ("case_file", uid, "binned")]
    assert (found.added_by, found.version, found.caption) == ("bench 1", 3, "C9 bulged")
    assert found.binned_at is not None
    assert [(one["version"], one["record"]) for one in kept] == [
        (
            1,
            {
                "record": "case_file",
                "case": "one",
                "content": ABC,
                "media_type": "image/jpeg",
                "original_name": "IMG_1.jpg",
            },
        )
    ]
    assert cases.stored(cased, "one").version == version


def test_the_same_content_comes_once_to_a_case_and_returns_from_its_bin(cased: Shop) -> None:
    uid = add(cased)
    assert add(cased) == uid
    with cased.write() as session:
        files.set_binned(session, "one", uid, binned=True)
    assert add(cased) == uid
    assert add(cased, "two") != uid
    with cased.store.read() as session:
        assert [one.binned_at for one in files.of_case(session, "one")] == [None]
        assert [one.content for one in files.all_contents(session)] == [ABC]


def test_a_file_is_found_at_its_own_case_only(cased: Shop) -> None:
    uid = add(cased)
    with cased.store.read() as session, pytest.raises(NotFound):
        files.get(session, "two", uid)
    with cased.write() as session, pytest.raises(NotFound):
        files.add(session, "nobody", PICTURE, "", "")


def test_a_stale_change_overwrites_nothing(cased: Shop) -> None:
    uid = add(cased)
    with cased.write() as session:
        files.change(session, files.hold(session, "one", uid, 1), FileWords(caption="first"))
    with cased.write() as session, pytest.raises(Conflict):
        files.hold(session, "one", uid, 1)
    with cased.store.read() as session:
        assert files.get(session, "one", uid).caption == "first"


def test_only_pictures_carry_marks(cased: Shop) -> None:
    uid = add(cased, content=PAPER)
    words = FileWords(marks=[Mark(kind="circle", x=0.5, y=0.5, size=0.1)])
    with cased.write() as session, pytest.raises(BadInput, match="Only pictures"):
        files.change(session, files.hold(session, "one", uid), words)


def test_a_case_holds_no_more_than_its_limit(cased: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "MOST_OF_A_CASE", 1)
    add(cased)
    with pytest.raises(BadInput, match="as many as one may"):
        add(cased, content=PAPER)


def test_content_in_the_bin_is_still_referred_to_and_forgotten_only_with_its_last_file(cased: Shop) -> None:
    uid = add(cased)
    with cased.write() as session:
        files.set_binned(session, "one", uid, binned=True)
        assert files.forget_unreferred(session) == []
        assert [one.content for one in files.all_contents(session)] == [ABC]
        files.remove_of_case(session, "one")
        assert files.forget_unreferred(session) == [ABC]
        assert files.all_contents(session) == []
    assert integrity.check(cased).faults == []


def test_a_check_proves_every_file_and_tells_which_is_gone(cased: Shop) -> None:
    content = cased.files.put(b"abc")
    add(cased)
    found = integrity.check(cased)
    assert found.faults == []
    assert "photographs and files, 1 of them" in found.proved
    orphan = cased.files.put(b"nobody's")
    os.utime(cased.files.path(orphan), (LONG_AGO, LONG_AGO))
    cased.files.path(content).write_bytes(b"abd")
    found = integrity.check(cased)
    assert [fault.what for fault in found.faults] == [str(cased.files.verify(ABC))]
    assert found.mended == ["files that nothing refers to were removed, 1 of them"]
