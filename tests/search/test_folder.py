"""What is on disk: change numbers, damage, interruption, and other processes."""

from __future__ import annotations

import os
import signal
import tracemalloc
from multiprocessing.context import SpawnContext
from pathlib import Path
from typing import Any

import commands
import pytest
from search_cases import generated_cases

from kb.search import Analysis, CaseDocument, Damaged, HelperFailed, SearchIndex, bulk, stored
from kb.search.folder import IndexFolder, Mark
from kb.search.prepare import Preparer

CASES = list(generated_cases(60))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    index = SearchIndex.open(tmp_path / "index")
    index.rebuild(CASES, (60, "nonce"))
    index.apply([CaseDocument(uid="late", family="HX-210", complaint="gurgles")], (), (61, "other"))
    return tmp_path / "index"


def segments(folder: Path) -> list[Path]:
    return sorted(folder.glob("MAIN_*.seg"))


def test_a_new_folder_starts_empty_and_says_so(tmp_path: Path) -> None:
    index = SearchIndex.open(tmp_path / "new")
    assert (index.seen, index.count, index.was_rebuilt_because) == ((0, ""), 0, "there is no index yet")


def test_an_index_remembers_the_change_it_has_seen(folder: Path) -> None:
    index = SearchIndex.open(folder)
    assert index.was_rebuilt_because is None
    assert (index.seen, index.count) == ((61, "other"), 61)
    assert [hit.uid for hit in index.search("gurgles").hits] == ["late"]


def test_a_flipped_bit_anywhere_is_noticed(folder: Path) -> None:
    for path in [*segments(folder), *folder.glob("_MAIN_*.toc"), folder / "manifest.json"]:
        whole = path.read_bytes()
        for at in range(0, len(whole), max(1, len(whole) // 7)):
            path.write_bytes(whole[:at] + bytes([whole[at] ^ 4]) + whole[at + 1 :])
            with pytest.raises(Exception, match=r"changed|read|listed|missing"):
                IndexFolder(folder).open(Analysis())
        path.write_bytes(whole)
    assert SearchIndex.open(folder).was_rebuilt_because is None


@pytest.mark.parametrize("damage", ["truncate", "empty", "delete", "toc", "manifest", "all"])
def test_a_damaged_index_starts_empty_and_can_be_rebuilt(folder: Path, damage: str) -> None:
    target = segments(folder)[0]
    if damage == "truncate":
        target.write_bytes(target.read_bytes()[:-10])
    elif damage == "empty":
        target.write_bytes(b"")
    elif damage == "delete":
        target.unlink()
    elif damage == "toc":
        next(folder.glob("_MAIN_*.toc")).unlink()
    elif damage == "manifest":
        (folder / "manifest.json").write_text("{")
    else:
        for path in folder.iterdir():
            path.unlink()
    index = SearchIndex.open(folder)
    assert index.was_rebuilt_because
    assert (index.seen, index.count) == ((0, ""), 0)
    index.rebuild(CASES, (62, "x"))
    assert SearchIndex.open(folder).seen == (62, "x")
    assert SearchIndex.open(folder).count == 60


def test_an_interrupted_rebuild_keeps_the_old_index(folder: Path) -> None:
    index = SearchIndex.open(folder)

    def broken():  # type: ignore[no-untyped-def]
        yield CASES[0]
        raise OSError("disk full")

    with pytest.raises(OSError, match="disk full"):
        index.rebuild(broken(), (99, "z"))
    assert index.count == 61
    assert SearchIndex.open(folder).seen == (61, "other")


def test_a_disk_that_refuses_is_told_and_made_good_later(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    index = SearchIndex.open(folder)

    def refuse(*args: object, **kwargs: object) -> bool:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(index._folder, "write", refuse)
        index.apply([CaseDocument(uid="a", family="F", complaint="zorbles")], ["late"], (62, "x"))
    assert index.trouble is not None
    assert (index.seen, index.saved) == ((62, "x"), (61, "other"))
    assert [hit.uid for hit in index.search("zorbles").hits] == ["a"]
    index.apply([CaseDocument(uid="b", family="F", complaint="quibbles")], (), (63, "y"))
    assert index.trouble is None
    again = SearchIndex.open(folder)
    assert again.seen == (63, "y")
    assert again.search("zorbles quibbles").total == 2
    assert again.search("gurgles").total == 0


def test_two_processes_on_one_folder_never_lose_a_change(folder: Path) -> None:
    server, tool = SearchIndex.open(folder), SearchIndex.open(folder)
    one = CaseDocument(uid="one", family="F", complaint="zorbles")
    two = CaseDocument(uid="two", family="F", complaint="quibbles")
    tool.apply([one], (), (62, "x"))
    server.apply([one, two], (), (63, "y"))
    tool.apply([two], (), (63, "y"))
    assert SearchIndex.open(folder).seen == (63, "y")
    assert SearchIndex.open(folder).search("zorbles quibbles", limit=9).total == 2
    # The server falls behind, the tool goes on; what the server writes late must not hide the newer state.
    tool.apply([CaseDocument(uid="one", family="F", complaint="snorkels")], (), (65, "v"))
    server.apply([one], (), (64, "w"))
    assert SearchIndex.open(folder).search("snorkels").total == 1
    assert SearchIndex.open(folder).seen == (65, "v")


def test_two_processes_rebuild_the_same_index_as_one(tmp_path: Path) -> None:
    cases = list(generated_cases(1_200))
    one, two = SearchIndex.open(tmp_path / "one"), SearchIndex.open(tmp_path / "two")
    one.rebuild(cases, (1, "a"))
    two.rebuild(iter(cases), (1, "a"), processes=2)
    assert SearchIndex.open(tmp_path / "two").was_rebuilt_because is None
    assert one.count == two.count == len(cases)
    for words in ("fuse", "relay ripple C9", '"salt crust"', ""):
        expected, results = one.search(words, limit=200), two.search(words, limit=200)
        assert (results.total, results.facets) == (expected.total, expected.facets)
        assert [hit.score for hit in results.hits] == pytest.approx([hit.score for hit in expected.hits])


def test_a_helper_process_that_dies_is_told_soon_and_the_old_index_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    index = SearchIndex.open(tmp_path)
    index.rebuild(CASES, (1, "a"))
    monkeypatch.setattr(bulk, "_help", _dies)
    with pytest.raises(HelperFailed):
        index.rebuild(generated_cases(3_000), (2, "b"), processes=2)
    assert SearchIndex.open(tmp_path).seen == (1, "a")
    assert index.search("fuse").total == SearchIndex.open(tmp_path).search("fuse").total > 0


def test_a_machine_that_gives_no_helper_process_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: Any, **__: Any) -> None:
        raise OSError("no semaphores here")

    index = SearchIndex.open(tmp_path)
    monkeypatch.setattr(SpawnContext, "Queue", refuse)
    with pytest.raises(HelperFailed, match="no semaphores here"):
        index.rebuild(CASES, (1, "a"), processes=2)
    index.rebuild(CASES, (1, "a"))
    assert index.count == len(CASES)


def _dies(*_: Any) -> None:
    """In place of a helper's life; at the top of the module, where a new process finds it."""
    os._exit(1)


def test_a_large_segment_opens_from_its_snapshot_and_a_damaged_snapshot_is_made_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("kb.search.stored.SNAPSHOT_FROM", 50)
    index = SearchIndex.open(tmp_path)
    index.rebuild(CASES, (1, "a"))
    read = stored._read_arrays
    (kept,) = tmp_path.glob("arrays_*.npz")
    whole = kept.read_bytes()
    expected = index.search("fuse relay", limit=50)
    sizes: list[int] = []
    monkeypatch.setattr(
        "kb.search.stored._read_arrays", lambda leaf: sizes.append(leaf.doc_count_all()) or read(leaf)
    )
    SearchIndex.open(tmp_path)
    assert max(sizes) < 50
    for damaged in (b"", whole[:-7], whole[:900] + bytes([whole[900] ^ 1]) + whole[901:]):
        kept.write_bytes(damaged)
        again = SearchIndex.open(tmp_path)
        assert [hit.uid for hit in again.search("fuse relay", limit=50).hits[:5]] == [
            hit.uid for hit in expected.hits[:5]
        ]
        assert kept.read_bytes() == whole
    index = SearchIndex.open(tmp_path)
    index.rebuild(CASES, (3, "c"))
    assert [path != kept for path in tmp_path.glob("arrays_*.npz")] == [True]


_WRITER = """
import sys
from pathlib import Path
from kb.search import CaseDocument, SearchIndex
index = SearchIndex.open(Path(sys.argv[1]))
start = index.seen[0]
print(start, flush=True)
for number in range(start + 1, start + 1000):
    case = CaseDocument(uid=f"c{number}", family="F", complaint=f"zorbles N{number}")
    index.apply([case], (), (number, f"n{number}"))
    print(number, flush=True)
"""


def test_a_killed_process_leaves_an_index_that_is_whole_and_behind_by_no_more_than_one(
    tmp_path: Path,
) -> None:
    SearchIndex.open(tmp_path).rebuild([], (0, ""))
    for round_number in range(6):
        process = commands.start_code(_WRITER, [str(tmp_path)], dict(os.environ))
        # Told of some, it is somewhere in the next.
        first = [process.stdout.readline() for _ in range(3 + 5 * round_number)]
        process.send_signal(signal.SIGKILL)
        lines = [line.strip() for line in (*first, *process.stdout.read().splitlines())]
        process.close()
        index = SearchIndex.open(tmp_path)
        assert index.was_rebuilt_because is None
        told = int(lines[-1]) if lines else 0
        assert told <= index.seen[0] or not lines
        assert index.count == index.seen[0]
        assert index.search("zorbles", limit=0).total == index.seen[0]


def test_a_segment_written_in_one_go_holds_the_same_postings_as_one_that_whoosh_writes(
    tmp_path: Path,
) -> None:
    cases = list(generated_cases(1_500))
    whole, one_by_one = SearchIndex.open(tmp_path / "whole"), SearchIndex.open(tmp_path / "saved")
    whole.rebuild(cases, (1, "a"))
    one_by_one.apply(cases, (), (1, "a"))
    one_by_one = SearchIndex.open(tmp_path / "saved")
    (mine,) = [segment for segment in whole._state.segments if segment.size > 1]
    (theirs,) = [segment for segment in one_by_one._state.segments if segment.size > 1]
    assert mine.terms == theirs.terms
    for term in mine.terms:
        for ours, expected in zip(mine.postings(term), theirs.postings(term), strict=True):
            assert ours.tolist() == expected.tolist(), term
        ids, places = mine.positions(term)
        expected_ids, expected_places = theirs.positions(term)
        assert (ids.tolist(), places.tolist()) == (expected_ids.tolist(), expected_places.tolist()), term
    assert mine.lengths[: len(cases)].tolist() == theirs.lengths[: len(cases)].tolist()
    assert [mine.document(slot) for slot in (0, 700, 1_499)] == [cases[slot] for slot in (0, 700, 1_499)]


def test_opening_an_index_reads_no_segment_into_memory(tmp_path: Path) -> None:
    SearchIndex.open(tmp_path).rebuild(generated_cases(2_000), (1, "a"))
    largest = max(path.stat().st_size for path in segments(tmp_path))
    folder = IndexFolder(tmp_path)
    tracemalloc.start()
    try:
        reader, _ = folder.reader()
        opened = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert opened < largest / 4
    segment = stored.stored_segments(reader, {}, None)[0][0]
    assert segment.document(7).uid


def test_a_later_segment_has_no_strings_of_its_own_for_words_known_before(tmp_path: Path) -> None:
    cases = list(generated_cases(1_500))
    index = SearchIndex.open(tmp_path)
    index.rebuild(cases, (1, "a"))
    index.apply(cases[:300], (), (2, "a"))  # enough to be read anew
    index.close()
    large, small = sorted(index._state.segments, key=lambda segment: -segment.size)[:2]
    assert "" not in (large.name, small.name)
    pairs = [(large.terms, small.terms)]
    pairs += [(large.listed[kind], small.listed[kind]) for kind in large.listed]
    pairs += [(large.facets[name].values, small.facets[name].values) for name in large.facets]
    for known, later in pairs:
        own = {id(text) for text in known}
        assert all(id(text) in own for text in set(known) & set(later))
    assert len(set(large.terms) & set(small.terms)) > 300


def test_a_large_save_sorts_little_of_it_in_memory(tmp_path: Path) -> None:
    index = SearchIndex.open(tmp_path)
    preparer = Preparer(index.analysis)
    cases = [preparer.prepare(case) for case in generated_cases(1_000)]
    tracemalloc.start()
    try:
        written = index._folder.write(
            cases, (), Mark((1, "a"), index.analysis.fingerprint), index._saved, index.analysis, 5.0
        )
        most = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert written
    postings = sum(len(case.postings) for case in cases)
    assert most < 100 * postings  # each would take some 200 bytes


def test_a_segment_cut_short_while_in_use_is_noticed(folder: Path) -> None:
    index = SearchIndex.open(folder)
    for path in segments(folder):
        os.truncate(path, 100)
    with pytest.raises(Damaged):
        index.search("no output")
