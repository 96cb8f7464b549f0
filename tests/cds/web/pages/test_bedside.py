"""The bedside page: the same decision as the API gives, every fact of the vocabulary, and nothing kept or told."""

import hashlib
import json
import re
from importlib.resources import files

import click
import pytest
from fastapi.testclient import TestClient

from cds.cli.text.decision_text import decision_text
from cds.web.pages.fact_form import QUICK, as_posted, fact_form
from rules.deciding.decider import Decider
from rules.testing.generators import Generator
from tests.cds.conftest import AT
from tests.cds.web.pages.page_reader import PageReader
from tests.shipped_content import RULESET

GIVABLE = [name for name, fact in RULESET.vocabulary.items() if fact.given != "concluded"]


def _read(client: TestClient, posted: dict[str, str], status: int = 200) -> PageReader:
    answer = client.post("/bedside", data=posted)
    assert answer.status_code == status
    return PageReader(answer.text)


def _squeezed(text: str) -> str:
    return " ".join(text.split())


# --- the same decision everywhere ---------------------------------------------------------------------------------------


@pytest.mark.slow
def test_page_api_and_command_line_say_the_same_of_500_generated_patients(client: TestClient) -> None:
    sized = stopped = 0
    decider = Decider(RULESET)
    for facts in Generator(RULESET, seed=13).patients(500):
        decision = client.post("/decisions", json={"facts": facts, "at": AT.isoformat()}).json()
        # As a browser does, which posts the fields left empty too.
        page = _read(client, {**dict.fromkeys(GIVABLE, ""), **as_posted(facts)})
        _same(page, decision)
        _same_in_the_terminal(decision_text(RULESET, decider.decide(facts, AT), ""), decision)
        sized += "size_class" in decision
        stopped += bool(page["stop"])
    assert sized > 50 and stopped > 50, (sized, stopped)


def _same(page: PageReader, decision: dict) -> None:
    cautions = decision.get("cautions", [])
    grave = [one for one in cautions if one["severity"] == "critical"]
    held = [one for one in decision.get("holds", []) if one["kind"] == "do_not_size"]
    stops = [*held, *grave]
    assert len(page["stop"]) == len(stops)
    for shown, one in zip(page["stop"], stops, strict=True):
        assert _squeezed(one["summary"]) in shown and _squeezed(one["text"]) in shown
    assert page["caution"] == [_squeezed(one["text"]) for one in cautions if one not in grave]
    assert page["code"] == ([decision["size_class"]["code"].replace("_", " ")] if "size_class" in decision else [])
    assert page["candidate"] == [
        one["size_class"]["code"].replace("_", " ")
        for one in decision.get("candidates", [])
        if len(decision["candidates"]) > 1
    ]
    shown = zip(page["title"], page["people"], page["timing"], strict=True)
    assert sorted((title, int(people.split()[0]), when.lower()) for title, people, when in shown) == sorted(
        (_squeezed(task["title"]), task["people"], task["timing_words"].lower()) for task in decision.get("tasks", [])
    )
    missing = [_squeezed(one["text"]) for one in decision.get("holds", []) if one["kind"] == "cannot_size"]
    assert page["missing"] == (missing if "size_class" not in decision else [])


def _same_in_the_terminal(text: str, decision: dict) -> None:
    """What ``nuque decide --why`` prints, in which long lines are folded."""
    said = _squeezed(click.unstyle(text))
    sizes = [decision["size_class"]] if "size_class" in decision else []
    assert all(_squeezed(size["words"]) in said for size in sizes)
    assert ("Size none:" in said) == bool(decision.get("holds"))
    for hold in decision.get("holds", []):
        # "Higher than this line reaches" and "Wider than ..." are said as one.
        first, _, rest = _squeezed(hold["text"]).partition(" ")
        assert re.search(rf"none: (\w+ and )?{re.escape(first)}( and \w+)? {re.escape(rest)}", said, re.IGNORECASE)
    for caution in decision.get("cautions", []):
        assert _squeezed(f"{caution['severity']}: {caution['text']}") in said
    for task in decision.get("tasks", []):
        people = f", {task['people']} people" if task["people"] > 1 else ""
        line = f"{task['title']}: {task['timing_words']} ({task['performer_words']}{people})"
        assert _squeezed(line) in said


def test_the_name_of_the_service_alone_leads_to_it(client: TestClient) -> None:
    answer = client.get("/")
    assert answer.url.path == "/bedside" and answer.status_code == 200


def test_a_decided_size_stands_in_words_with_millimetres(client: TestClient) -> None:
    page = _read(client, {"neck_height_mm": "66", "neck_circumference_mm": "380", "age_years": "41"})
    assert "height 60 to under 75 mm, neck circumference 330 to under 430 mm" in page["size"][0]
    assert page["code"] == ["adult H3 G2"]


def test_a_size_that_nobody_measured_is_named_as_such_before_it(client: TestClient) -> None:
    """For a danger unknown is not safe: in a hurry a guess would be read as a size."""
    guessed = _read(client, {"age_years": "41"})
    assert guessed["unmeasured"] == ["Height not known, circumference not known: to try first, and to be measured."]
    assert guessed["short"][0].startswith("Height not known, circumference not known. To try first:")
    assert guessed["sure"][:3] == ["Line: recorded", "Height: not known", "Circumference: not known"]
    assert guessed["sure"][4] == "Back: not recorded"
    half = _read(client, {"age_years": "41", "neck_height_mm": "66"})
    assert half["unmeasured"] == ["Circumference not known: to try first, and to be measured."]
    measured = _read(client, {"neck_height_mm": "66", "neck_circumference_mm": "380", "age_years": "41"})
    assert measured["unmeasured"] == [] and measured["short"][0].startswith("Adult line")


def test_what_alone_would_change_nothing_is_said_with_what_it_needs(client: TestClient) -> None:
    measured = {"neck_height_mm": 66, "neck_circumference_mm": 380}
    (stature,) = [
        one
        for one in client.post("/decisions", json={"facts": measured}).json()["measure_next"]
        if one["fact"] == "height_cm"
    ]
    assert stature["with_labels"] == ["body weight"]
    (found,) = _read(client, as_posted(measured))["find-out"]
    assert "Would change: line, whether a size is given (only together with body weight)" in found


def test_where_one_fact_answers_the_same_as_another_both_are_one_thing_to_find_out(client: TestClient) -> None:
    measured = {"neck_height_mm": 66, "neck_circumference_mm": 380}
    asked = [one["fact"] for one in client.post("/decisions", json={"facts": measured}).json()["measure_next"]]
    assert {"age_years", "apparent_age_group", "height_cm"} <= set(asked)
    text = client.post("/bedside", data=as_posted(measured)).text.partition("<h2>Find out next</h2>")[2]
    things = text.partition("</section>")[0].split("<li>")[1:]
    (age,) = [one for one in things if "age_years" in one or "apparent_age_group" in one]
    assert age.index('href="#f-age_years"') < age.index('href="#f-apparent_age_group">Apparent age group</a>')
    assert len(things) == 3 and 'href="#f-height_cm"' in things[2]
    seems = client.post("/bedside", data={**as_posted(measured), "apparent_age_group": "adult"}).text
    assert 'href="#f-apparent_age_group"' not in seems.partition("<h2>Find out next</h2>")[2]


def test_whom_it_takes_is_said_before_what_is_to_be_done_unless_something_presses(client: TestClient) -> None:
    heading = ">Who, and how many<"
    calm = client.post("/bedside", data={"age_years": "41", "setting": "ward"}).text
    assert -1 < calm.index(">Find out next<") < calm.index(heading) < calm.index(">Do, in this order<")
    pressing = client.post("/bedside", data={"age_years": "41", "airway_threat": "true"}).text
    assert -1 < pressing.index(">Now<") < pressing.index(heading) < pressing.index(">Find out next<")


def test_at_most_three_things_to_find_out_and_dangers_first(client: TestClient) -> None:
    (found,) = _read(client, {"age_years": "41"})["find-out"]
    assert found.count("Would change:") == 3
    assert found.startswith("Find out next Not recorded: airway")


def test_what_is_asked_of_a_danger_leads_to_its_own_field(client: TestClient) -> None:
    page = _read(client, {"age_years": "41"})
    asked = [given["href"] for tag, given in page.tags if tag == "a" and (given.get("href") or "").startswith("#f-")]
    fields = {given["id"] for _, given in page.tags if given.get("id")}
    assert {"#f-airway_threat", "#f-tracheostomy", "#f-neurological_deficit"} <= set(asked)
    assert {href.removeprefix("#") for href in asked} <= fields


def test_what_is_done_for_a_fitting_stands_in_the_order_of_doing(client: TestClient) -> None:
    facts = {"neck_height_mm": 66, "neck_circumference_mm": 380, "age_years": 41}
    page = _read(client, as_posted(facts))
    ordered = [task["title"] for task in client.post("/decisions", json={"facts": facts}).json()["tasks"]]
    listed = [title for title in page["title"] if title in page["order"][0]]
    assert "Put the collar on" in listed and len(listed) > 3
    assert listed == [title for title in ordered if title in listed]
    assert page["now"] == []


def test_where_something_stops_what_to_do_now_comes_before_all_questions(client: TestClient) -> None:
    text = client.post("/bedside", data={"airway_threat": "true", "age_years": "41"}).text
    assert -1 < text.index(">Now<") < text.index(">Find out next<")
    calm = client.post("/bedside", data={"age_years": "41"}).text
    assert -1 < calm.index(">Find out next<") < calm.index(">Do, in this order<")


def test_what_waits_for_an_event_stands_apart_from_what_is_done_now(client: TestClient) -> None:
    """In a worn collar, or where something stops: no hour calls for it. A fitting stays one sequence."""
    worn = {"collar_in_place": "true", "collar_kind": "long_term", "setting": "home", "age_years": "41"}
    page = _read(client, {**worn, "skin_breakdown": "chin", "last_skin_check_hours": "20"})
    (first,), (then,) = page["now"], page["events"]
    assert (
        "Inspect the skin" not in then and "Grade the skin damage" in first and "at the next visit" not in first.lower()
    )
    assert "At the next visit" in then


def test_what_stands_under_now_is_now(client: TestClient) -> None:
    """Neither a fitting with what precedes it nor what is done before leaving; of whomever."""
    headed = {"now": 0, "order": 0, "events": 0}
    for facts in Generator(RULESET, seed=5).patients(40):
        page = _read(client, {**dict.fromkeys(GIVABLE, ""), **as_posted(facts)})
        for part in headed:
            headed[part] += len(page[part])
        for now in page["now"]:
            titles = [title for title in page["title"] if title in now]
            timings = dict(zip(page["title"], page["timing"], strict=True))
            assert [
                one for one in titles if not re.search(r"\bnow\b|within (1 hour|\d+ minutes)", timings[one], re.I)
            ] == []
            assert "Put the collar on" not in titles
    assert min(headed.values()) > 0, headed


def test_a_patient_who_leaves_has_what_is_done_before_that_apart(client: TestClient) -> None:
    worn = {"collar_in_place": "true", "collar_kind": "long_term", "setting": "ward", "age_years": "41"}
    page = _read(client, {**worn, "discharge_planned": "true"})
    (leaving,) = page["leaving"]
    assert "Teach how the collar is handled" in leaving and leaving.startswith("Before the patient leaves")
    assert "Order how the collar is worn" in page["now"][0] and "Teach" not in "".join(page["now"] + page["events"])


def test_under_now_nothing_says_now_again(client: TestClient) -> None:
    text = client.post("/bedside", data={"airway_threat": "true", "age_years": "41"}).text
    assert (
        '<span data-part="timing" class="hidden">Now</span>' in text
        and '<span data-part="timing">Now</span>' not in text
    )


def test_a_fitting_stands_after_what_precedes_it_also_beside_a_critical_caution(client: TestClient) -> None:
    page = _read(client, {"age_years": "84", "tracheostomy": "true", "setting": "emergency", "neck_height_mm": "66"})
    assert page["stop"] and page["now"] == []
    (order,) = page["order"]
    assert -1 < order.index("Check the airway") < order.index("Measure the neck") < order.index("Prepare the patient")
    assert order.index("Prepare the patient") < order.index("Put the collar on")
    assert "Help with eating and drinking" in page["events"][0]


def test_a_fitting_that_waits_for_a_word_is_not_done_now(client: TestClient) -> None:
    page = _read(client, {"age_years": "25", "penetrating_injury": "true", "setting": "emergency"})
    (first,), (then,) = page["now"], page["order"]
    assert "Decide whether a collar is needed" in first and "Put the collar on" not in first
    assert then.startswith("When the collar goes on, in this order")
    assert -1 < then.index("Prepare the patient") < then.index("Put the collar on")


def test_what_comes_back_and_is_due_now_stands_under_now_once(client: TestClient) -> None:
    worn = {"collar_in_place": "true", "collar_kind": "long_term", "setting": "ward", "age_years": "41"}
    page = _read(client, {**worn, "collar_hours": "96"})
    assert "Inspect the skin" in page["now"][0] and "Decide whether the collar is still needed" in page["now"][0]
    titles = [title for title in page["title"] if title.startswith("Inspect the skin")]
    assert len(titles) == 1
    later = client.post("/bedside", data={**worn, "collar_hours": "96"}).text.partition("The next 72 hours")[2]
    assert "Inspect the skin" in later and "Wash and dry the skin" in later


def test_what_leads_is_said_before_the_size_on_the_page_and_on_paper(client: TestClient) -> None:
    stabbed = {"age_years": "25", "penetrating_injury": "true", "setting": "emergency"}
    said = "Penetrating injury speaks against a collar"
    text = client.post("/bedside", data=stabbed).text
    answer = text[text.index('id="answer"') :]
    assert -1 < answer.index(said) < answer.index(">Size<") < answer.index(">Now<") < answer.index(">Find out next<")
    assert said in _read(client, stabbed)["short"][0]
    for path in ("/print/plan", "/print/staff"):
        paper = client.post(path, data=stabbed).text
        assert -1 < paper.index(said) < paper.index('data-part="size"')


def test_the_answer_in_short_names_the_item_or_what_stops(client: TestClient) -> None:
    measured = {"neck_height_mm": "66", "neck_circumference_mm": "380", "age_years": "41"}
    assert "height 60 to under 75 mm" in _read(client, measured)["short"][0]
    stopped = _read(client, {**measured, "airway_threat": "true"})
    said = stopped["stop"][0].partition(".")[0]
    assert said and stopped["short"][0].startswith(f"{said}. ")
    assert _read(client, {"age_years": ""})["short"] == ["Nothing recorded yet. The answer appears here."]
    assert _read(client, {"neck_height_mm": "wide"}, 422)["short"][0].startswith("No answer yet.")


def test_the_answer_in_short_says_that_more_stops_and_how_many_dangers_nobody_recorded(client: TestClient) -> None:
    """A line on a phone is all that is read: one stop of three is not the whole, and unknown is not safe."""
    facts = {"airway_threat": True, "age_years": 41, "collar_in_place": True, "new_neurological_sign": True}
    page = _read(client, as_posted(facts))
    unrecorded = client.post("/decisions", json={"facts": facts}).json()["dangers_not_recorded"]["facts"]
    assert len(page["stop"]) > 2
    assert f"And {len(page['stop']) - 1} more. Dangers not recorded: {len(unrecorded)}." in page["short"][0]
    measured = {"neck_height_mm": "66", "neck_circumference_mm": "380", "age_years": "41"}
    assert _read(client, measured)["short"][0].endswith("Dangers not recorded: 10.")
    assert "Dangers" not in _read(client, {"age_years": ""})["short"][0]


# --- the form -----------------------------------------------------------------------------------------------------------


def test_every_fact_that_can_be_given_has_one_entry(client: TestClient) -> None:
    page = PageReader(client.get("/bedside").text)
    named = {given["name"] for tag, given in page.tags if tag in ("input", "select") and given.get("name")}
    assert {name for name in named if name and not name.endswith(".unit")} == set(GIVABLE)


def test_each_field_says_how_it_is_obtained_and_what_is_plausible(client: TestClient) -> None:
    text = _squeezed(re.sub("<[^>]+>", " ", client.get("/bedside").text))
    for name in GIVABLE:
        fact = RULESET.vocabulary[name]
        assert _squeezed(fact.ask or fact.meaning).replace("'", "&#39;") in text, name
    assert "Plausible: 10 to 200 mm." in text


@pytest.mark.parametrize(
    ("typed", "unit", "fact", "value"),
    [
        # 1 in = 25.4 mm and 1 lb = 0.45359237 kg by definition (international yard and pound agreement, 1959).
        ("15", "in", "neck_circumference_mm", 381.0),
        ("38", "cm", "neck_circumference_mm", 380.0),
        ("38,5", "cm", "neck_circumference_mm", 385.0),
        ("200", "lb", "weight_kg", 90.718474),
        ("18", "months", "age_years", 1.5),
        ("70", "in", "height_cm", 177.8),
    ],
)
def test_units_are_converted_exactly(typed: str, unit: str, fact: str, value: float) -> None:
    form = fact_form(RULESET, {fact: typed, f"{fact}.unit": unit})
    assert dict(form.facts) == {fact: value} and not form.problems


def test_fingers_are_a_unit_of_neck_height_and_become_the_fact_in_finger_breadths() -> None:
    form = fact_form(RULESET, {"neck_height_mm": "3.5", "neck_height_mm.unit": "fingers"})
    assert dict(form.facts) == {"neck_height_fingers": 3.5}


@pytest.mark.parametrize(
    ("posted", "words"),
    [
        ({"neck_height_mm": "wide"}, "“wide” is not a number. Accepted: 10 to 200 mm, for example"),
        ({"neck_height_mm": "900"}, "900 mm is outside what is plausible. Accepted: 10 to 200 mm"),
        (
            {"neck_height_mm": "90", "neck_height_mm.unit": "cm"},
            "90 cm is outside what is plausible. Accepted: 1 to 20 cm",
        ),
        ({"glasgow_coma_score": "7.5"}, "7.5 points is not a whole number"),
        (
            {"neck_height_mm": "3.3", "neck_height_mm.unit": "fingers"},
            "3.3 fingers is not a whole or half number. Accepted: 0.5 to 10 fingers",
        ),
        ({"collar_in_place": "perhaps"}, "“perhaps” is neither yes nor no"),
        ({"head_position": "sideways"}, "“sideways” is not one of the accepted codes"),
        ({"no_such_fact": "1"}, "There is no such field on this page"),
        ({"age_years": "NaN"}, "“NaN” is not a number"),
        ({"age_years": "1e999999"}, "is not a number"),
        (
            {"neck_height_fingers": "3", "neck_height_mm": "3", "neck_height_mm.unit": "fingers"},
            "neck height in finger-breadths is given twice",
        ),
    ],
)
def test_what_cannot_be_used_is_said_at_its_field_and_nothing_is_decided(
    client: TestClient, posted: dict[str, str], words: str
) -> None:
    page = _read(client, posted, status=422)
    assert words in page["problems"][0]
    assert page["code"] == [] and page["task"] == []


@pytest.mark.parametrize("path", ["/bedside", "/bedside/answer", "/print/plan"])
def test_a_slip_in_one_field_hides_no_danger_in_another(client: TestClient, path: str) -> None:
    danger = {"airway_threat": "true"}
    page = PageReader(client.post(path, data={**danger, "neck_height_mm": "6"}).text)
    assert page["stop"] and page["stop"] == _read(client, danger)["stop"]
    assert page["problems"] and page["code"] == [] and page["size"] == []
    assert page["short"] == _read(client, danger)["short"]
    assert PageReader(client.post(path, data={"neck_height_mm": "6"}).text)["stop"] == []


def test_a_problem_names_its_field(client: TestClient) -> None:
    page = _read(client, {"neck_height_mm": "wide", "weight_kg": "x"}, status=422)
    assert "Neck height: “wide” is not a number" in page["problems"][0]
    assert "Body weight: “x” is not a number" in page["problems"][0]


def test_what_was_typed_stands_in_the_form_again(client: TestClient) -> None:
    page = _read(client, {"neck_height_mm": "6.6", "neck_height_mm.unit": "cm", "tracheostomy": "false"})
    entries = [given for tag, given in page.tags if tag == "input"]
    assert any(given.get("name") == "neck_height_mm" and given.get("value") == "6.6" for given in entries)
    (chosen,) = [g for g in entries if g.get("name") == "tracheostomy" and "checked" in g]
    assert chosen["value"] == "false"


def test_text_that_looks_like_markup_stays_text(client: TestClient) -> None:
    answer = client.post("/bedside", data={"neck_height_mm": '"><script>alert(1)</script>'})
    assert "<script>alert" not in answer.text and "&lt;script&gt;" in answer.text


def test_the_first_entries_lead_to_a_size_in_at_most_five(client: TestClient) -> None:
    values = {"neck_height_mm": "66", "neck_circumference_mm": "380", "age_years": "41", "head_position": "neutral"}
    posted = {name: values.get(name, "") for name in QUICK[:5]}
    assert _read(client, posted)["code"] == ["adult H3 G2"]


def test_what_is_to_be_reached_does_not_read_as_reached(client: TestClient) -> None:
    """Beside the task to call the clinician "the clinician has been told": as a goal, in the words that the orders have."""
    facts = {"airway_threat": True}
    tasks = client.post("/decisions", json={"facts": facts}).json()["tasks"]
    wanted = [f"Wanted outcome: {task['outcome']}" for task in tasks if task.get("outcome")]
    shown = _read(client, {"airway_threat": "true"})["wanted"]
    assert any("The clinician has been told" in one for one in shown) and sorted(shown) == sorted(wanted)


# --- guarded ------------------------------------------------------------------------------------------------------------


def test_a_page_runs_nothing_that_stands_in_it_and_loads_from_here_only(client: TestClient) -> None:
    answer = client.get("/bedside")
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy and "unsafe" not in policy and "http" not in policy
    assert answer.headers["cache-control"] == "no-store"
    for tag, given in PageReader(answer.text).tags:
        assert "style" not in given and not any(name.startswith("on") for name in given)
        assert not (tag == "script" and "src" not in given)
        for name in ("src", "href", "action"):
            assert (given.get(name) or "/").startswith(("/", "#")), given


def test_the_worker_keeps_this_page_alone_under_its_policy_and_leaves_posts_alone(client: TestClient) -> None:
    """A worker that passed on posts would make those of other origins look like its own (Fetch Metadata Request Headers)."""
    script = client.get("/bedside/keeper.js")
    assert script.headers["service-worker-allowed"] == "/bedside"
    assert f'POLICY = "{client.get("/bedside").headers["content-security-policy"]}"' in script.text
    assert 'method !== "GET"' in script.text and "caches" not in script.text and "indexedDB" not in script.text


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Sec-Fetch-Site": "same-origin"}, 200),
        ({"Sec-Fetch-Site": "none"}, 200),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Origin": "http://testserver"}, 200),
        ({"Origin": "https://elsewhere.example"}, 403),
        ({"Origin": "null"}, 403),
        ({}, 200),
    ],
)
def test_a_post_from_a_page_of_another_origin_is_refused(
    client: TestClient, headers: dict[str, str], status: int
) -> None:
    assert client.post("/bedside", data={"age_years": "4"}, headers=headers).status_code == status


@pytest.mark.parametrize(
    ("content", "content_type", "status"),
    [
        (b'{"age_years": 4}', "application/json", 415),
        (b"age_years=%FF", "application/x-www-form-urlencoded", 400),
        (b"&".join(b"a=1" for _ in range(2001)), "application/x-www-form-urlencoded", 400),
    ],
)
def test_what_is_no_form_is_refused(client: TestClient, content: bytes, content_type: str, status: int) -> None:
    answer = client.post("/bedside", content=content, headers={"Content-Type": content_type})
    assert answer.status_code == status
    assert answer.json()["resourceType"] == "OperationOutcome"


def test_the_files_of_the_pages_are_the_released_ones() -> None:
    """htmx 2.0.11 as its authors released it (npm package htmx.org, dist/htmx.min.js), with its licence beside it."""
    static = files("cds.web.pages") / "static"
    digest = hashlib.sha256((static / "htmx.min.js").read_bytes()).hexdigest()
    assert digest == "d6fdc75f204e6bdefa99b69bf1e6d4ac69b8a364f77929f45c13476b4000f717"
    assert "Zero-Clause BSD" in (static / "htmx.LICENSE.txt").read_text()


def test_files_may_be_kept_by_the_browser_and_nothing_else_is_served(client: TestClient) -> None:
    kept = client.get("/static/pages.css")
    assert kept.status_code == 200 and "immutable" in kept.headers["cache-control"]
    for name in ("nothing.css", "..%2Frendering.py", "%2e%2e/rendering.py"):
        assert client.get(f"/static/{name}").status_code == 404


def test_htmx_keeps_no_history_and_evaluates_nothing(client: TestClient) -> None:
    (config,) = [
        json.loads(given["content"] or "")
        for tag, given in PageReader(client.get("/bedside").text).tags
        if tag == "meta" and given.get("name") == "htmx-config"
    ]
    assert config["historyEnabled"] is config["allowEval"] is config["includeIndicatorStyles"] is False
    assert config["historyCacheSize"] == 0 and config["selfRequestsOnly"] is True
