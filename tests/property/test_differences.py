"""The readable difference of two versions and the merge of three, whatever the versions are."""

from __future__ import annotations

import copy
from typing import Any

import jsonpatch
from deepdiff import DeepDiff
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kb.model import CaseRecord, FamilyRecord, as_dict
from kb.model.difference import differences
from kb.model.three_way_merge import merge

_TEXT = st.sampled_from(["", "dark", "dark, relay ticks", "a long way\nfrom the quay"])
_SYMPTOMS = st.lists(
    st.fixed_dictionaries(
        {"name": st.sampled_from(["hums", "dead", "flickers", "smells"]), "present": st.booleans()}
    ),
    max_size=3,
    unique_by=lambda entry: entry["name"],
)
_READINGS = st.lists(
    st.fixed_dictionaries(
        {
            "rail": st.sampled_from(["5VSB", "24V"]),
            "supply": st.sampled_from(["standby", "running"]),
            "value": st.sampled_from([0.0, 4.2, 5.0]),
            "after_repair": st.booleans(),
        }
    ),
    max_size=3,
)
_ATTEMPTS = st.lists(
    st.fixed_dictionaries(
        {
            "part": st.sampled_from(["", "C9", "Q3"]),
            "part_class": st.sampled_from(["electrolytic capacitor", "fuse"]),
            "section": st.sampled_from(["standby output", "mains input"]),
            "result": st.sampled_from(["cured", "not known yet"]),
            "cost": st.sampled_from([None, 1.2]),
        }
    ),
    max_size=3,
)
_CASES = st.builds(
    lambda **fields: as_dict(CaseRecord.model_validate({"uid": "one", "family": "GL-31", **fields})),
    revision=_TEXT.map(lambda text: text.split("\n")[0]),
    verdict=st.sampled_from([None, "repaired", "no fault found"]),
    complaint=_TEXT,
    notes=_TEXT,
    symptoms=_SYMPTOMS,
    readings=_READINGS,
    attempts=_ATTEMPTS,
)
_FAMILIES = st.builds(
    lambda rails, **fields: as_dict(FamilyRecord.model_validate({"code": "GL-31", "rails": rails, **fields})),
    rails=st.lists(
        st.fixed_dictionaries(
            {
                "name": st.sampled_from(["5VSB", "24V", "12V"]),
                "nominal_v": st.sampled_from([5.0, 24.0]),
                "pins": st.lists(st.integers(1, 3), max_size=2),
                "always_on": st.booleans(),
            }
        ),
        max_size=3,
        unique_by=lambda rail: rail["name"],
    ),
    aliases=st.lists(st.sampled_from(["A-1", "B-2", "C-3"]), max_size=2, unique=True),
    enable=st.none() | st.fixed_dictionaries({"connector": st.just("CN1"), "pin": st.integers(1, 3)}),
    mains_v=st.sampled_from([None, 230.0]),
)
_PAIRS = st.tuples(_CASES, _CASES) | st.tuples(_FAMILIES, _FAMILIES)
_TRIPLES = st.tuples(_CASES, _CASES, _CASES) | st.tuples(_FAMILIES, _FAMILIES, _FAMILIES)
_many = settings(
    max_examples=100,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)


def fields_of(one: dict[str, Any], other: dict[str, Any]) -> set[str]:
    return {str(entry.path[0]) for entry in differences(one, other)}


@_many
@given(_PAIRS)
def test_every_changed_field_is_told_and_no_other(pair: tuple[dict[str, Any], dict[str, Any]]) -> None:
    """Reference: deepdiff and jsonpatch (RFC 6902), which know nothing of the records."""
    before, after = pair
    told = fields_of(before, after)
    steps = jsonpatch.make_patch(before, after).patch
    patched = {step[at].split("/")[1] for step in steps for at in ("path", "from") if at in step}
    compared = DeepDiff(before, after, threshold_to_diff_deeper=0, view="tree")
    paths = {str(level.path(output_format="list")[0]) for levels in compared.values() for level in levels}
    assert told == patched == paths


@_many
@given(_PAIRS)
def test_the_difference_backwards_tells_the_same_the_other_way_round(
    pair: tuple[dict[str, Any], dict[str, Any]],
) -> None:
    before, after = pair
    turned = {"added": "removed", "removed": "added"}
    there = sorted((one.kind, one.before, one.after) for one in differences(before, after))
    back = sorted(
        (turned.get(one.kind, one.kind), one.after, one.before) for one in differences(after, before)
    )
    assert [kind for kind, *_ in there].count("added") == [kind for kind, *_ in back].count("added")
    assert {kind for kind, *_ in there if kind != "moved"} == {kind for kind, *_ in back if kind != "moved"}
    for entry in differences(before, after):
        if entry.pieces:
            assert "".join(piece.text for piece in entry.pieces if piece.way != "added") == before.get(
                str(entry.path[0]), ""
            )
            assert "".join(piece.text for piece in entry.pieces if piece.way != "removed") == after.get(
                str(entry.path[0]), ""
            )


@_many
@given(_CASES, st.data())
def test_one_changed_field_of_one_entry_is_one_difference_at_the_path_that_references_name(
    record: dict[str, Any], data: st.DataObject
) -> None:
    lists = [name for name in ("readings", "attempts") if record.get(name)]
    if not lists:
        return
    name = data.draw(st.sampled_from(lists))
    place = data.draw(st.integers(0, len(record[name]) - 1))
    field, value = ("value", 4.75) if name == "readings" else ("result", "worse")
    changed = copy.deepcopy(record)
    changed[name][place][field] = value
    found = differences(record, changed)
    (step,) = jsonpatch.make_patch(record, changed).patch
    assert ["/" + "/".join(map(str, entry.path)) for entry in found if entry.kind != "moved"] == [
        step["path"]
    ]


@_many
@given(_PAIRS)
def test_merging_with_a_side_that_changed_nothing_is_the_other_side(
    pair: tuple[dict[str, Any], dict[str, Any]],
) -> None:
    base, changed = pair
    for merged in (merge(base, changed, base), merge(base, base, changed), merge(base, changed, changed)):
        assert merged.record == changed
        assert merged.clashes == []


@_many
@given(_TRIPLES)
def test_a_clash_is_one_from_either_side_and_a_choice_settles_it(
    triple: tuple[dict[str, Any], dict[str, Any], dict[str, Any]],
) -> None:
    base, theirs, mine = triple
    merged = merge(base, theirs, mine)
    turned = merge(base, mine, theirs)
    assert sorted((one.theirs, one.mine) for one in merged.clashes) == sorted(
        (one.mine, one.theirs) for one in turned.clashes
    )
    assert merged.open == [one.name for one in merged.clashes]
    assert len(set(merged.open)) == len(merged.open)
    settled = merge(base, theirs, mine, dict.fromkeys(merged.open, "theirs"))
    assert settled.open == []
    assert [one.name for one in settled.clashes] == merged.open


@_many
@given(_TRIPLES)
def test_no_change_of_either_side_is_lost(
    triple: tuple[dict[str, Any], dict[str, Any], dict[str, Any]],
) -> None:
    """A field that one side alone changed has that side's value; what either side added to a list is there."""
    base, theirs, mine = triple
    merged = merge(base, theirs, mine)
    for name in {*base, *theirs, *mine}:
        old, left, right = (record.get(name) for record in (base, theirs, mine))
        if left == old:
            assert merged.record.get(name) == right
        elif right == old:
            assert merged.record.get(name) == left
    for name in ("readings", "attempts", "aliases"):
        for side in (theirs, mine):
            for entry in side.get(name, []):
                if side.get(name, []).count(entry) == 1 and entry not in base.get(name, []):
                    clashing = any(one.name.startswith(f"{name}.") for one in merged.clashes)
                    changed = any(
                        str(one.path[0]) == name and one.kind == "changed" for one in differences(base, side)
                    )
                    assert clashing or changed or entry in merged.record.get(name, [])


@_many
@given(_PAIRS)
def test_without_a_common_beginning_nothing_is_overwritten_silently(
    pair: tuple[dict[str, Any], dict[str, Any]],
) -> None:
    theirs, mine = pair
    merged = merge(None, theirs, mine)
    for name in {*theirs, *mine}:
        left, right = theirs.get(name), mine.get(name)
        if left == right:
            assert merged.record.get(name) == left
        elif not isinstance(left or right, list | dict):
            assert name in merged.open
        elif isinstance(left or right, list) and name not in ("symptoms", "rails"):
            assert all(entry in merged.record[name] for entry in [*(left or []), *(right or [])])
