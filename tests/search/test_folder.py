"""What is on disk: change numbers, damage, interruption, and other processes."""

from __future__ import annotations

import os
import tracemalloc
from dataclasses import replace
from multiprocessing.context import SpawnContext
from pathlib import Path
from typing import Any

import commands
import pytest
from search_cases import generated_cases

from kb.search import CaseDocument, Damaged, HelperFailed, SearchIndex, bulk
from kb.search.folder import MANIFEST, IndexFolder
from kb.search.segment import Segment, worth_merging

CASES = list(generated_cases(60))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    index = SearchIndex.open(tmp_path / "index")
    index.rebuild(CASES, (60, "nonce"))
    index.apply([CaseDocument(uid="late", family="HX-210", complaint="gurgles")], (), (61, "other"))
    index.close()
    return tmp_path / "index"


def segments(folder: Path) -> list[Path]:
    return sorted(folder.glob("*.segment"), key=lambda path: path.stat().st_size, reverse=True)


def opened(folder: Path) -> None:
    own = IndexFolder(folder)
    with own.locked():
        own.parts(own.manifest())


def test_a_new_folder_starts_empty_and_says_so(tmp_path: Path) -> None:
    index = SearchIndex.open(tmp_path / "new")
    assert (index.seen, index.count, index.was_rebuilt_because) == ((0, ""), 0, "there is no index yet")


def test_an_index_remembers_the_change_it_has_seen(folder: Path) -> None:
    index = SearchIndex.open(folder)
    assert index.was_rebuilt_because is None
    assert (index.seen, index.count) == ((61, "other"), 61)
    assert [hit.uid for hit in index.search("gurgles").hits] == ["late"]


def test_a_flipped_bit_anywhere_is_noticed(folder: Path) -> None:
    for path in [*segments(folder), folder / MANIFEST]:
        whole = path.read_bytes()
        for at in range(0, len(whole), max(1, len(whole) // 7)):
            path.write_bytes(whole[:at] + bytes([whole[at] ^ 4]) + whole[at + 1 :])
            with pytest.raises(Damaged, match="has changed"):
                opened(folder)
        path.write_bytes(whole)
    assert SearchIndex.open(folder).was_rebuilt_because is None


@pytest.mark.parametrize("damage", ["truncate", "empty", "delete", "manifest", "all"])
def test_a_damaged_index_starts_empty_and_can_be_rebuilt(folder: Path, damage: str) -> None:
    target = segments(folder)[0]
    if damage == "truncate":
        target.write_bytes(target.read_bytes()[:-10])
    elif damage == "empty":
        target.write_bytes(b"")
    elif damage == "delete":
        target.unlink()
    elif damage == "manifest":
        (folder / MANIFEST).write_text("{")
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


def test_a_disk_that_refuses_is_reported_and_caught_up_with_later(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    index = SearchIndex.open(folder)

    def refuse(*args: object, **kwargs: object) -> bool:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(IndexFolder, "commit", refuse)
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


def test_a_helper_process_that_dies_is_noticed_and_the_old_index_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    index = SearchIndex.open(tmp_path)
    index.rebuild(CASES, (1, "a"))
    monkeypatch.setattr(bulk, "_add", _dies)
    # A batch of these is far more than a pipe holds: nothing may wait for it to be taken by a process that is gone.
    long = (replace(case, complaint=case.complaint + " swollen" * 500) for case in generated_cases(3_000))
    with pytest.raises(HelperFailed):
        index.rebuild(long, (2, "b"), processes=2)
    assert len(segments(tmp_path)) == 1
    assert SearchIndex.open(tmp_path).seen == (1, "a")
    assert index.search("fuse").total == SearchIndex.open(tmp_path).search("fuse").total > 0


def test_a_machine_that_gives_no_helper_process_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: Any, **__: Any) -> None:
        raise OSError("no semaphores here")

    index = SearchIndex.open(tmp_path)
    monkeypatch.setattr(SpawnContext, "SimpleQueue", refuse)
    with pytest.raises(HelperFailed, match="no semaphores here"):
        index.rebuild(CASES, (1, "a"), processes=2)
    index.rebuild(CASES, (1, "a"))
    assert index.count == len(CASES)


def _dies(*_: Any) -> None:
    """In place of a helper's work; at the top of the module, where a new process finds it."""
    os._exit(1)


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
        process.kill()
        lines = [line.strip() for line in (*first, *process.stdout.read().splitlines())]
        process.close()
        index = SearchIndex.open(tmp_path)
        assert index.was_rebuilt_because is None
        told = int(lines[-1]) if lines else 0
        assert told <= index.seen[0] or not lines
        assert index.count == index.seen[0]
        assert index.search("zorbles", limit=0).total == index.seen[0]


def postings(segment: Segment, term: str) -> tuple[list[int], list[float]]:
    start, end = segment.span(term)
    return segment.ids[start:end].tolist(), segment.weights[start:end].tolist()


def test_a_merged_segment_holds_what_one_written_in_one_go_holds(tmp_path: Path) -> None:
    cases = list(generated_cases(800))
    whole, merged = SearchIndex.open(tmp_path / "whole"), SearchIndex.open(tmp_path / "merged")
    whole.rebuild(cases, (1, "a"))
    # Some are saved twice and some deleted, so that there is something to leave out.
    for number in range(8):
        merged.apply(cases[number * 100 : number * 100 + 150], (), (number + 1, "a"))
        merged.close()
    merged.apply([], [case.uid for case in cases[::5]], (9, "a"))
    merged.apply(cases[::5], (), (10, "a"))
    merged.close()
    merged._merge(merged._state.parts)
    (mine,) = [part.segment for part in whole._state.parts]
    (other,) = [part.segment for part in SearchIndex.open(tmp_path / "merged")._state.parts]
    assert other.size == mine.size == len(cases)
    assert other.terms["text"] == mine.terms["text"]
    theirs = {other.document(slot).uid: slot for slot in range(other.size)}
    to_mine = {slot: mine.slot(uid) for uid, slot in theirs.items()}
    for term in mine.terms["text"]:
        assert sorted(
            (to_mine[slot], weight) for slot, weight in zip(*postings(other, term), strict=True)
        ) == (list(zip(*postings(mine, term), strict=True)))
        where = other.occurrences(term)
        moved = sorted((to_mine[key >> 32] << 32) + (key & 0xFFFFFFFF) for key in where.tolist())  # type: ignore[operator]
        assert moved == mine.occurrences(term).tolist(), term
    for facet in ("family", "section", "part_class", "verdict", "year"):
        assert other.terms[facet] == mine.terms[facet]
        for value in mine.terms[facet]:
            assert sorted(to_mine[slot] for slot in other.slots(value, facet).tolist()) == (
                mine.slots(value, facet).tolist()
            )
    for uid, slot in theirs.items():
        own = mine.slot(uid)
        assert own is not None
        assert other.document(slot) == mine.document(own)
        for numbers in ("lengths", "order", "proof"):
            assert getattr(other, numbers)[slot] == getattr(mine, numbers)[own]


def test_no_file_holds_the_text_of_a_deleted_case(folder: Path) -> None:
    index = SearchIndex.open(folder)
    index.apply([CaseDocument(uid="x", family="F", complaint="quibblesome")], (), (62, "a"))
    index.apply([CaseDocument(uid="x", family="F", complaint="other")], (), (63, "a"))
    index.apply([], ["x", CASES[3].uid], (64, "a"))
    for path in segments(folder):
        assert b"quibblesome" not in path.read_bytes()
        assert CASES[3].uid.encode() not in path.read_bytes()
    assert SearchIndex.open(folder).count == 60


def test_segments_stay_few_and_each_case_is_written_again_seldom() -> None:
    index = SearchIndex.open(None)
    written = 0
    for number in range(300):
        before = {part.segment.name for part in index._state.parts}
        index.apply([CaseDocument(uid=f"c{number}", family="F")], (), (number + 1, "a"))
        index.close()
        written += sum(part.segment.size for part in index._state.parts if part.segment.name not in before)
        assert len(index._state.parts) <= 10
    assert written < 300 * 8
    assert worth_merging(index._state.parts) is None


def test_cases_deleted_or_changed_during_a_merge_are_so_in_what_it_makes(folder: Path) -> None:
    index = SearchIndex.open(folder)
    index.apply(CASES[:20], (), (62, "a"))
    parts = index._state.parts
    merged = [index._merged(parts)]
    index.apply([CaseDocument(uid=CASES[1].uid, family="F", notes="quibbles")], ["late"], (63, "a"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(index, "_merged", lambda parts: merged[0])
        assert index._merge(parts)
    del parts
    merged.clear()  # what is read still has its file on Windows
    index._merge_if_grown()
    index.close()
    expected = {case.uid for case in CASES}
    for one in (index, SearchIndex.open(folder)):
        assert {document.uid for document in one.documents()} == expected
        assert [hit.uid for hit in one.search("quibbles").hits] == [CASES[1].uid]
        assert one.search("gurgles").total == 0
    assert all(b"gurgles" not in path.read_bytes() for path in segments(folder))


def test_a_merge_gives_way_to_what_another_process_wrote_meanwhile(folder: Path) -> None:
    index, other = SearchIndex.open(folder), SearchIndex.open(folder)
    index.apply([CaseDocument(uid="one", family="F", complaint="zorbles")], (), (62, "a"))
    other.apply(
        [CaseDocument(uid=uid, family="F", complaint="zorbles") for uid in ("one", "two")], (), (63, "a")
    )
    assert not index._merge(index._state.parts)
    assert SearchIndex.open(folder).seen == (63, "a")
    index.apply([CaseDocument(uid="three", family="F", complaint="zorbles")], (), (64, "a"))
    for one in (index, SearchIndex.open(folder)):
        assert one.search("zorbles").total == 3
        assert one.trouble is None


def test_what_a_stopped_process_left_unfinished_is_removed(folder: Path) -> None:
    (folder / "half.segment").write_bytes(b"half of a segment")
    (folder / "manifest.json.tmp").write_bytes(b"half of a list")
    index = SearchIndex.open(folder)
    assert (index.was_rebuilt_because, index.count) == (None, 61)
    assert not (folder / "half.segment").exists()


def test_an_index_of_an_earlier_version_is_built_again_and_its_files_removed(tmp_path: Path) -> None:
    for name in ("MAIN_abc.seg", "_MAIN_1.toc", "arrays_MAIN_abc.npz", "names_1.json"):
        (tmp_path / name).write_bytes(b"old")
    (tmp_path / MANIFEST).write_text('{"layout": 3, "files": {}}')
    index = SearchIndex.open(tmp_path)
    assert index.was_rebuilt_because == "it was written by another version"
    assert sorted(path.suffix for path in tmp_path.iterdir() if "LOCK" not in path.name) == [".json"]


def test_opening_an_index_reads_no_documents_into_memory(tmp_path: Path) -> None:
    SearchIndex.open(tmp_path).rebuild(generated_cases(2_000), (1, "a"))
    largest = segments(tmp_path)[0].stat().st_size
    folder = IndexFolder(tmp_path)
    manifest = folder.manifest()
    tracemalloc.start()
    try:
        (part,) = folder.parts(manifest)
        most = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert most < largest * 0.9
    assert part.segment.document(7).uid


def test_a_later_segment_has_no_strings_of_its_own_for_words_known_before(tmp_path: Path) -> None:
    cases = list(generated_cases(1_500))
    index = SearchIndex.open(tmp_path)
    index.rebuild(cases, (1, "a"))
    index.apply(cases[:300], (), (2, "a"))
    index = SearchIndex.open(tmp_path)
    large, small = (part.segment for part in index._state.parts)
    for kind, known in large.terms.items():
        own = {id(text) for text in known}
        assert all(id(text) in own for text in set(known) & set(small.terms[kind]))
    assert len(set(large.terms["text"]) & set(small.terms["text"])) > 300


def test_a_segment_cut_short_while_in_use_is_noticed(folder: Path) -> None:
    index = SearchIndex.open(folder)
    for path in segments(folder):
        os.truncate(path, 100)
    with pytest.raises(Damaged):
        index.search("no output")
