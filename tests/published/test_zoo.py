"""Real input through the front door: the Zoo data set as cases, asked for leave-one-out through the API.

The data are R. S. Forsyth's Zoo (UCI Machine Learning Repository, 1990; see the head of data/zoo.csv):
101 animals, fifteen yes/no attributes and the number of legs, seven classes. An attribute is a symptom
that was looked for (present or not present), the number of legs one symptom for each number that
occurs, and the class is the part class of the part that was replaced.

What it is held against is a public implementation of the plain method: scikit-learn's CategoricalNB, the
same animal left out, computed here and not copied. (0.95 of first places with its default smoothing.)
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from factories import fresh_shop
from web_client import Client

FILE = Path(__file__).parent / "data" / "zoo.csv"
LEGS = ("0", "2", "4", "5", "6", "8")
# The plain method with lighter smoothing (0.1 in place of 1) tells 97, which is the better figure.
FEWEST_FIRST = 97


def animals() -> list[dict[str, str]]:
    with FILE.open(encoding="utf-8", newline="") as lines:
        next(lines)  # where the table comes from
        return list(csv.DictReader(lines))


def symptoms_of(animal: dict[str, str]) -> list[dict[str, Any]]:
    attributes = [name for name in animal if name not in ("animal", "legs", "type")]
    noted = [{"name": name, "present": animal[name] == "yes"} for name in attributes]
    return noted + [{"name": f"legs {number}", "present": animal["legs"] == number} for number in LEGS]


def line_of(number: int, animal: dict[str, str]) -> str:
    """One animal as a line that `kb import --create-missing` takes."""
    return json.dumps(
        {
            "record": "case",
            "uid": f"zoo-{number:03}",
            "family": "Zoo",
            "received": "2020-01-01",
            "closed": "2020-01-02",
            "verdict": "repaired",
            "complaint": animal["animal"],
            "symptoms": symptoms_of(animal),
            "attempts": [{"part_class": animal["type"], "section": "other", "result": "cured"}],
        }
    )


@pytest.fixture(scope="module")
def zoo() -> Iterator[Client]:
    client = Client(fresh_shop())
    lines = "\n".join(line_of(number, animal) for number, animal in enumerate(animals()))
    answer = client.post("/api/import?create_missing=true", content=lines)
    assert answer.status_code == 200, answer.text
    assert answer.json()["added"] == 101
    yield client
    client.close()


def first_places_of_a_public_library() -> int:
    """scikit-learn's categorical naive Bayes on the table as it is, each animal left out in turn."""
    from sklearn.naive_bayes import CategoricalNB

    table = animals()
    names = [name for name in table[0] if name not in ("animal", "type")]
    levels = {name: sorted({row[name] for row in table}) for name in names}
    features = np.array([[levels[name].index(row[name]) for name in names] for row in table])
    classes = np.array([row["type"] for row in table])
    first = 0
    for out in range(len(table)):
        kept = np.arange(len(table)) != out
        model = CategoricalNB(min_categories=[len(levels[name]) for name in names])
        first += model.fit(features[kept], classes[kept]).predict(features[out : out + 1])[0] == classes[out]
    return int(first)


@pytest.mark.parametrize("every", [10, pytest.param(1, marks=pytest.mark.long)])
def test_each_animal_left_out_is_told_by_the_rest_as_well_as_a_public_library_tells_it(
    zoo: Client, every: int
) -> None:
    first = among_three = asked = 0
    for number, animal in list(enumerate(animals()))[::every]:
        uid = f"zoo-{number:03}"
        assert zoo.call("DELETE", f"/api/cases/{uid}").status_code == 204
        answer = zoo.post("/api/suggestions", json={"family": "Zoo", "symptoms": symptoms_of(animal)})
        assert answer.status_code == 200, answer.text
        body = answer.json()
        assert body["cases_used"] == 100
        assert all(uid not in cause["cases"] for cause in body["causes"])
        told = [cause["part_class"] for cause in body["causes"]]
        asked += 1
        first += told[0] == animal["type"]
        among_three += animal["type"] in told[:3]
        back = zoo.post("/api/import?overwrite=true", content=line_of(number, animal))
        assert back.json()["updated"] == 1, back.text
    fewest = max(FEWEST_FIRST, first_places_of_a_public_library()) if every == 1 else asked - 1
    assert first >= fewest, f"{first} of {asked} in first place"
    assert among_three >= asked - 2, f"{among_three} of {asked} among the first three"


@pytest.mark.parametrize(
    ("words", "animal"), [("aardvark", "aardvark"), ("AARDVARKS", "aardvark"), ("seasnake", "seasnake")]
)
def test_search_finds_an_animal_by_its_name(zoo: Client, words: str, animal: str) -> None:
    hits = zoo.get("/api/search", params={"q": words}).json()["hits"]
    assert [hit["complaint"] for hit in hits] == [animal]


def test_search_finds_by_what_was_present_and_not_by_what_was_not(zoo: Client) -> None:
    def names(query: str, **filters: Any) -> set[str]:
        answer = zoo.get("/api/search", params={"q": query, "limit": 200, **filters}).json()
        assert answer["total"] == len(answer["hits"])
        return {hit["complaint"] for hit in answer["hits"]}

    assert names("venomous") == {row["animal"] for row in animals() if row["venomous"] == "yes"}
    assert names("feathers") == {row["animal"] for row in animals() if row["feathers"] == "yes"}
    assert names("fins", part_class="mammal") == {
        row["animal"] for row in animals() if row["fins"] == "yes" and row["type"] == "mammal"
    }


def test_the_whole_zoo_leaves_and_comes_back_unchanged(zoo: Client) -> None:
    text = zoo.get("/api/export").content
    other = Client(fresh_shop())
    assert other.post("/api/import", content=text).json()["refused"] == 0
    assert other.get("/api/export").content == text
    other.close()
