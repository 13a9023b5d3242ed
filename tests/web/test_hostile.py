"""Thousands of hostile inputs in every form: a sentence, a page or a redirect, never a failure of the program."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from collections.abc import Iterator

import pytest
from factories import bring, case_json
from hostile import FormSeen, forms_of, inputs, request_of
from signed_in import Office, asks_to_sign_in

from kb.service.bench import runs
from kb.service.bench.runs import NewRun
from kb.service.operate import integrity
from kb.web.guard import access

pytestmark = pytest.mark.both("which numbers, days and characters a column takes")

# (part, inputs): each part has its own shop and its own seed, so that they can run side by side; 5,000 in full.
QUICK, FULL = (9, 160), [(part, 1_250) for part in range(4)]
# They end the session or the work of the test itself, and have nothing to fill in.
NOT_SENT = {"/sign-out", "/account/sign-out-everywhere"}
FILLED = {
    "uid": "one",
    "code": "GL-31",
    "number": "1",
    "kind": "symptoms",
    "what": "symptom",
    "record": "case",
    "name": "none.zip",
}


@pytest.fixture
def office() -> Iterator[Office]:
    """A shop with a case and a test under way."""
    made = Office()
    assert bring(made.shop, case_json("two", family="GL-31")).saved
    yield made
    made.close()


def filled(path: str, run: str) -> str:
    """An address of a route; runs of the bench have a uid of their own."""
    values = {**FILLED, "uid": run} if path.startswith("/bench") else FILLED
    return re.sub(r"\{(\w+)(?::\w+)?\}", lambda found: values.get(found[1], "1"), path)


def every_form(office: Office, headers: dict[str, str]) -> dict[str, list[FormSeen]]:
    """All forms by the route they are sent to; a route that no page shows a form for gets everybody's fields."""
    run = runs.start(office.shop, NewRun("GL-31", case_uid="one", soak_s=600.0))
    runs.acknowledge(office.shop, run)
    routes = [route for route in access.routes_of(office.app) if not route.path.startswith("/api")]
    found: dict[str, list[FormSeen]] = {}
    for route in routes:
        if "GET" in route.methods and not route.is_files:
            path = filled(route.path, run)
            for form in forms_of(office.get(path, headers=headers).text, path):
                to = access.chosen(routes, form.method, form.action.partition("?")[0])
                assert to is not None, f"a form on {path} sends to {form.action}, where nothing answers"
                found.setdefault(f"{form.method} {to.path}", []).append(form)
    for extra in (f"/bench/{run}/steps/{number}" for number in range(2, 6)):
        for form in forms_of(office.get(extra, headers=headers).text, extra):
            found.setdefault("POST /bench/{uid}/steps/{number}", []).append(form)
    shared = {control[0]: control for forms in found.values() for form in forms for control in form.controls}
    for route in routes:
        if "POST" in route.methods:
            form = FormSeen("POST", filled(route.path, run), tuple(shared.values())[:40], False)
            found.setdefault(f"POST {route.path}", [form])
    return {name: forms for name, forms in found.items() if name.partition(" ")[2] not in NOT_SENT}


@pytest.mark.parametrize(
    ("part", "most"), [QUICK, *(pytest.param(*given, marks=pytest.mark.long) for given in FULL)]
)
def test_no_hostile_input_makes_the_program_fail(office: Office, part: int, most: int) -> None:
    headers = office.signed_in("administer")
    forms = every_form(office, headers)
    # One form of each route in turn, so that a page with many forms does not crowd out the others.
    in_turn = [forms[name][turn % len(forms[name])] for turn in range(8) for name in sorted(forms)]
    answers: Counter[int] = Counter()
    for sent in itertools.islice(inputs(in_turn, seed=900 + part), most):
        answer = office.call(sent.form.method, sent.form.action, headers=headers, **request_of(sent))
        form = f"{sent.form.method} {sent.form.action}"
        told = f"{answer.status_code} to {form}: {sent.fields!r:.600} {sent.files!r:.200}"
        assert answer.status_code < 500, told
        assert "Traceback" not in answer.text, told
        if "html" in answer.headers.get("content-type", ""):  # a file that is taken out holds what was typed
            assert "<script>alert" not in answer.text, told
            assert "onerror=alert(1)>" not in answer.text.replace("&gt;", ""), told
        answers[answer.status_code] += 1
        if asks_to_sign_in(answer):
            headers = office.signed_in("administer")
    # Were nearly all turned away at the door, this would prove little.
    assert answers[422] > most / 10, answers
    assert answers[200] + answers[303] > most / 5, answers
    assert integrity.check(office.shop).faults == []
