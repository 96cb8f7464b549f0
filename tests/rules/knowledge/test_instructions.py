"""The words for patients: readable, the same in every language, chosen by rules, and never more than was ordered."""

import re
from datetime import UTC, datetime

import pytest
import textstat
from hypothesis import given, settings

from rules.deciding.decider import Decider
from rules.errors import KnowledgeError
from rules.loading.loader import build_ruleset
from rules.loading.source_map import SourceMap
from rules.loading.yaml_reader import YamlFile
from rules.verification.lint import lint
from tests.rules.patients import patients
from tests.rules.small import FRAME, small_source
from tests.shipped_content import RULESET

ENGLISH, SPANISH = RULESET.leaflets["en"], RULESET.leaflets["es"]
AT = datetime(2026, 1, 31, 10, tzinfo=UTC)
DECIDER = Decider(RULESET)


def words(leaflet, name=None):
    texts = leaflet.texts.values() if name is None else [leaflet.texts[name]]
    return " ".join(line for text in texts for line in text.lines)


def english_grade(text):
    textstat.set_lang("en")
    return textstat.flesch_kincaid_grade(text)


def spanish_ease(text):
    textstat.set_lang("es")
    return textstat.fernandez_huerta(text), textstat.szigriszt_pazos(text)


def test_english_reads_at_grade_6_to_8():
    # Flesch-Kincaid grade: Kincaid et al., 1975, by the library textstat.
    assert 6 <= english_grade(words(ENGLISH)) <= 8


@pytest.mark.parametrize("name", ENGLISH.texts)
def test_no_single_english_instruction_is_harder_than_the_leaflet_may_be(name):
    assert english_grade(words(ENGLISH, name)) <= 8.5


def test_spanish_reads_easily():
    # Fernandez Huerta, 1959: 80 and above is easy (grade 5), from memory.
    # Szigriszt-Pazos on the scale of Barrio-Cantalejo, 2008: above 65 is quite easy, above 80 very easy, from memory.
    ease, inflesz = spanish_ease(words(SPANISH))
    assert ease >= 80
    assert inflesz >= 65


@pytest.mark.parametrize("name", SPANISH.texts)
def test_no_single_spanish_instruction_is_harder_than_normal(name):
    # 60 and above is normal on the scale of Fernandez Huerta, from memory.
    assert spanish_ease(words(SPANISH, name))[0] >= 60


def test_both_languages_say_the_same_things_in_the_same_order():
    assert list(ENGLISH.texts) == list(SPANISH.texts)


@pytest.mark.parametrize("name", ENGLISH.texts)
def test_numbers_agree_between_the_languages(name):
    found = [re.findall(r"\d+", words(leaflet, name)) for leaflet in (ENGLISH, SPANISH)]
    assert found[0] == found[1]


def test_the_translation_is_marked_for_review_and_what_it_was_made_from_is_not():
    assert "translator" not in ENGLISH.notice
    assert "reviewed" not in SPANISH.notice
    assert "pendiente de revisión por un traductor cualificado" in SPANISH.notice


def test_every_instruction_is_given_by_a_rule():
    given_out = {name for rule in RULESET.rules.values() for name in rule.then.instructions}
    assert given_out == set(ENGLISH.texts)


WEAR = {"day_and_night": "wear_day_and_night", "when_upright": "wear_when_upright", None: "wear_ask"}


@pytest.mark.parametrize("order", WEAR)
def test_wear_is_said_as_ordered_or_left_open(order):
    facts = {"age_years": 40, "collar_in_place": True, "setting": "home", "wear_order": order}
    said = {entry.instruction for entry in DECIDER.decide(facts, AT).instructions}
    assert said & set(WEAR.values()) == {WEAR[order]}


@settings(max_examples=200)
@given(patients(RULESET))
def test_whatever_else_is_known_wear_is_said_as_ordered(facts):
    said = {entry.instruction for entry in DECIDER.decide(facts, AT).instructions}
    assert said & set(WEAR.values()) <= {WEAR[facts.get("wear_order")]}
    assert "wash_with_helper" not in said or facts.get("removal_for_care_allowed") is True


def test_the_leaflets_of_a_decision_hold_its_instructions_with_values_in_place():
    facts = {"age_years": 40, "collar_in_place": True, "setting": "home", "wear_order": "when_upright"}
    decision = DECIDER.decide(facts, AT)
    chosen = [entry.instruction for entry in decision.instructions]
    assert [leaflet.language for leaflet in decision.leaflets] == ["en", "es"]
    for leaflet in decision.leaflets:
        assert [section.instruction for section in leaflet.sections] == chosen
        assert "{" not in " ".join(line for section in leaflet.sections for line in section.lines)
    assert all(entry.rules for entry in decision.instructions)


def test_nobody_gets_a_leaflet_where_no_instruction_is_given():
    decision = DECIDER.decide({"age_years": 40}, AT)
    assert decision.instructions == ()
    assert decision.leaflets == ()


# --- reading leaflets --------------------------------------------------------------------------------------------------

RULE = "- {id: small.x, title: x, when: always, because: b, sources: [s], then: {instructions: %s}}\n"
LEAFLET = "instructions: {language: %s, title: t, notice: n, texts: {%s}}"


def problems(rule, *leaflets):
    frame, _, _ = FRAME.partition("instructions:")
    files = [YamlFile("frame.yaml", frame), small_source(without=("small.look",), adding=RULE % rule)]
    files += [YamlFile(f"{index}.yaml", leaflet) for index, leaflet in enumerate(leaflets)]
    with pytest.raises(KnowledgeError) as caught:
        build_ruleset(files)
    return str(caught.value)


def test_an_instruction_that_no_leaflet_holds_is_refused():
    text = problems("[rest]", LEAFLET % ("en", "walk: {title: t, lines: [l]}"))
    assert "no instruction called 'rest'; there are: walk" in text


def test_an_instruction_that_a_language_lacks_is_refused():
    text = problems(
        "walk",
        LEAFLET % ("en", "walk: {title: t, lines: [l]}"),
        LEAFLET % ("es", "rest: {title: t, lines: [l]}"),
    )
    assert "0.yaml:1: instructions.texts: not written here: rest" in text
    assert "1.yaml:1: instructions.texts: not written here: walk" in text


def test_a_language_that_is_written_twice_is_refused():
    leaflet = LEAFLET % ("en", "walk: {title: t, lines: [l]}")
    assert "the language en is already written in 0.yaml:1" in problems("walk", leaflet, leaflet)


def test_a_placeholder_that_is_no_parameter_is_refused():
    leaflet = LEAFLET % ("en", "walk: {title: t, lines: ['{steps} steps']}")
    assert "0.yaml:1: instructions.texts.walk.lines.0: {steps} is not a parameter" in problems("walk", leaflet)


def test_a_translation_of_a_language_that_is_not_there_is_refused():
    leaflet = LEAFLET % ("es, translates: fr", "walk: {title: t, lines: [l]}")
    assert "no leaflet is written in 'fr'" in problems("walk", leaflet)


def outdated(english, spanish_of):
    """What the check of the content finds where the Spanish text says to translate words of this fingerprint."""
    frame, _, _ = FRAME.partition("instructions:")
    leaflets = [
        LEAFLET % ("en", english),
        LEAFLET % ("es, translates: en", f"walk: {{title: t, lines: [l], of: {spanish_of}}}"),
    ]
    files = [YamlFile("frame.yaml", frame), small_source(without=("small.look",), adding=RULE % "walk")]
    files += [YamlFile(f"{index}.yaml", leaflet) for index, leaflet in enumerate(leaflets)]
    return [found for found in lint(build_ruleset(files), SourceMap(files)) if found.check == "translation"]


def test_a_translation_whose_source_changed_is_found_with_its_place_and_the_new_fingerprint():
    (found,) = outdated("walk: {title: t, lines: [l]}", "none")
    assert (found.place.file, found.place.line) == ("1.yaml", 1)
    assert "walk was translated from other words" in found.message
    now = found.message.rpartition("of: ")[2]
    assert outdated("walk: {title: t, lines: [l]}", f"'{now}'") == []
    assert len(outdated("walk: {title: t, lines: [l, and more]}", f"'{now}'")) == 1


def test_the_spanish_translates_the_english_of_today():
    assert SPANISH.outdated == {} and set(SPANISH.texts) == set(ENGLISH.texts)
