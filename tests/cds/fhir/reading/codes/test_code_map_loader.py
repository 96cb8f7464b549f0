"""A small vocabulary and small files: what each entry becomes, what a site's file changes of it, and each problem by its words."""

from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest

from cds.fhir.free_text.collar_text import CollarWords
from cds.fhir.free_text.words import WordList
from cds.fhir.reading.code_map import (
    CodeMap,
    CodingKey,
    Collar,
    Episode,
    Meaning,
    NeckWord,
    ScorePart,
    UnreadDiagnoses,
    UnreadObservations,
)
from cds.fhir.reading.code_map_loader import build_code_map, load_code_map
from rules.errors import KnowledgeError
from rules.loading.yaml_reader import YamlFile
from rules.model.facts import FactDefinition, Vocabulary
from tests.cds.fhir.reading.sent import code_map, ruleset


def fact(name: str, kind: Any, **more: Any) -> FactDefinition:
    return FactDefinition(
        **{"name": name, "type": kind, "label": f"the {name}", "meaning": "", "code": name.replace("_", "-"), **more}
    )


VOCABULARY = Vocabulary(
    {
        one.name: one
        for one in (
            fact("bed_rest", "boolean"),
            fact("girth_mm", "number", unit="mm", range=(10, 90), code="girth"),
            fact("girth_fingers", "number", unit="{finger}", code="girth"),
            fact("since_h", "number", unit="h"),
            fact("since_fall_h", "number", unit="h"),
            fact("score", "integer", unit="{score}"),
            fact("build", "code", values=("slight", "very_heavy")),
            fact("setting", "code", values=("ward", "home")),
            fact("sex", "code", values=("female", "male")),
            fact("minor", "boolean", given="concluded"),
            fact("order", "boolean", given="either"),
        )
    }
)
BASE = "https://codes.example/fhir"
A, B = "http://a.example", "http://b.example"
NEEDED = "reading: {same_within_percent: 0.5, future_tolerance_minutes: 5}\n"
SYSTEMS = f'systems: {{a: ["{A}"], ab: ["{A}", "{B}"], own: ["{{base}}/CodeSystem/x"]}}\n'


def built(*texts: str, base: str = BASE) -> CodeMap:
    """A map of files that say ``texts``, the first of which is as the shipped one."""
    first, *sites = texts or ("",)
    sources = [YamlFile("shipped.yaml", NEEDED + SYSTEMS + first), *(YamlFile("site.yaml", text) for text in sites)]
    return build_code_map(VOCABULARY, sources, base)


def problems(*texts: str) -> list[str]:
    with pytest.raises(KnowledgeError) as error:
        built(*texts)
    return str(error.value).splitlines()


def a(code: str) -> CodingKey:
    return CodingKey(A, code)


def b(code: str) -> CodingKey:
    return CodingKey(B, code)


def own(code: str, system: str = "facts") -> CodingKey:
    return CodingKey(f"{BASE}/CodeSystem/{system}", code)


OWN_FACTS = {
    own("bed-rest"): (Meaning("bed_rest", display="the bed_rest"),),
    own("girth"): (Meaning("girth_mm", display="the girth_mm"), Meaning("girth_fingers", display="the girth_fingers")),
    own("since-h"): (Meaning("since_h", display="the since_h"),),
    own("since-fall-h"): (Meaning("since_fall_h", display="the since_fall_h"),),
    own("score"): (Meaning("score", display="the score"),),
    own("build"): (Meaning("build", display="the build"),),
    own("setting"): (Meaning("setting", display="the setting"),),
    own("sex"): (Meaning("sex", display="the sex"),),
    own("order"): (Meaning("order", display="the order"),),
}
OWN_VALUES = {
    ("build", own("slight", "fact-values")): "slight",
    ("build", own("very-heavy", "fact-values")): "very_heavy",
    ("build", own("very_heavy", "fact-values")): "very_heavy",
    ("setting", own("ward", "fact-values")): "ward",
    ("setting", own("home", "fact-values")): "home",
    ("sex", own("female", "fact-values")): "female",
    ("sex", own("male", "fact-values")): "male",
}
EMPTY: dict[str, Any] = {
    "base": BASE,
    "vocabulary": VOCABULARY,
    "exact": OWN_FACTS,
    "prefixes": {},
    "values": OWN_VALUES,
    "yes": frozenset(),
    "no": frozenset(),
    "gender": {},
    "settings": {},
    "setting_words": {},
    "collars": {},
    "collar_codes": frozenset(),
    "texts": {},
    "collar_words": CollarWords(),
    "ignored": frozenset(),
    "neck_words": (),
    "neck_codes": frozenset(),
    "units": {},
    "counted": {},
    "finding_questions": frozenset(),
    "parts": {},
    "unread_observations": UnreadObservations(0, (), frozenset()),
    "unread_diagnoses": UnreadDiagnoses(),
    "leading_words": {},
    "of_old": {},
    "episode": Episode(),
    "elapsing": frozenset(),
    "safer": {},
    "grave": {},
    "grave_at_most": {},
    "same_within_percent": 0.5,
    "future_tolerance_minutes": 5.0,
    "stale_danger_hours": 0,
}


def told(found: CodeMap) -> dict[str, Any]:
    """All tables of a map."""
    return {one.name: getattr(found, one.name) for one in fields(CodeMap)}


def entry(system: str, code: str, **more: str) -> str:
    return (
        "{"
        + ", ".join([f"system: {system}", f"code: {code}", *(f"{key}: {value}" for key, value in more.items())])
        + "}"
    )


REST = Meaning("bed_rest", True, "rest", from_memory=True)
PART = "parts: {score: [{system: a, code: P1, answers: {X: 1, Y: 2}}, {system: ab, code: P2}]}"
PARTS = {
    a("P1"): ScorePart("score", 0, 2, {"X": 1, "Y": 2}),
    a("P2"): ScorePart("score", 1, 2, {}),
    b("P2"): ScorePart("score", 1, 2, {}),
}


@pytest.mark.parametrize(
    ("texts", "expected"),
    [
        ([""], {}),
        (["site: {name: somebody}"], {}),
        # Facts, by a code or the beginning of one, in each identifier of its system.
        (
            [
                "facts: [{system: a, code: X, fact: bed_rest, value: true, display: rest, from_memory: true, only: Condition}]"
            ],
            {"exact": {**OWN_FACTS, a("X"): (Meaning("bed_rest", True, "rest", from_memory=True, only="Condition"),)}},
        ),
        (
            ["facts: [{system: ab, code: X, fact: sex}, {system: ab, prefix: XY, fact: bed_rest}]"],
            {
                "exact": {**OWN_FACTS, a("X"): (Meaning("sex"),), b("X"): (Meaning("sex"),)},
                "prefixes": {a("XY"): (Meaning("bed_rest"),), b("XY"): (Meaning("bed_rest"),)},
            },
        ),
        (["facts: [{system: own, code: X, fact: sex}]"], {"exact": {**OWN_FACTS, own("X", "x"): (Meaning("sex"),)}}),
        (
            ["", "facts: [{system: a, code: X, fact: sex}]"],
            {"exact": {**OWN_FACTS, a("X"): (Meaning("sex", local=True),)}},
        ),
        (
            ["facts: [{system: ab, code: X, fact: sex}]", "facts: [{system: a, code: X, fact: bed_rest}]"],
            {"exact": {**OWN_FACTS, a("X"): (Meaning("bed_rest", local=True),), b("X"): (Meaning("sex"),)}},
        ),
        (
            ["", f'systems: {{a: ["{B}"]}}\nfacts: [{{system: a, code: X, fact: sex}}]'],
            {"exact": {**OWN_FACTS, b("X"): (Meaning("sex", local=True),)}},
        ),
        # Left out again.
        (
            [
                "facts: [{system: a, code: X, fact: sex}]",
                "facts: [{system: a, prefix: X, fact: sex}]",
                "ignore: [{system: a, code: X}]",
            ],
            {"prefixes": {a("X"): (Meaning("sex", local=True),)}, "ignored": frozenset({a("X")})},
        ),
        (
            [
                "facts: [{system: a, code: X, fact: sex}]",
                "facts: [{system: a, prefix: X, fact: sex}]",
                "ignore: [{system: a, prefix: X}]",
            ],
            {"exact": {**OWN_FACTS, a("X"): (Meaning("sex"),)}, "ignored": frozenset({a("X")})},
        ),
        (
            ["settings: [{system: a, code: X, setting: ward}]", "ignore: [{system: a, code: X}]"],
            {"ignored": frozenset({a("X")})},
        ),
        (["collars: [{system: a, code: X}]", "ignore: [{system: a, code: X}]"], {"ignored": frozenset({a("X")})}),
        # Values, settings and collars.
        (
            [
                "values: [{system: a, code: X, fact: build, value: slight}, {system: a, code: X, fact: sex, value: male}]"
            ],
            {"values": {**OWN_VALUES, ("build", a("X")): "slight", ("sex", a("X")): "male"}},
        ),
        (["settings: [{system: ab, code: X, setting: ward}]"], {"settings": {a("X"): "ward", b("X"): "ward"}}),
        (
            [
                "collars: [{system: a, code: X, kind: long_term, display: long, from_memory: true}, {system: a, code: Y}]"
            ],
            {"collars": {a("X"): Collar("long_term", "long", from_memory=True), a("Y"): Collar()}},
        ),
        (
            ["collar_codes: [{system: ab, prefix: S1}]", "collar_codes: [{system: a, code: T1}]"],
            {"collar_codes": frozenset({a("S1"), b("S1"), a("T1")})},
        ),
        (["", "collars: [{system: a, code: X}]"], {"collars": {a("X"): Collar(local=True)}}),
        # Words.
        (
            ['collar_texts: ["Item  7", b]\nother_texts: [C]', "other_texts: [B]\ncollar_texts: [d]"],
            {"texts": {"item 7": True, "b": False, "c": False, "d": True}},
        ),
        (
            [
                'collar_words: {joined: ["c collar"], neck: [neck, "cerv*"], plain: [[a, the], [of]]}',
                "collar_words: {neck: [nuque]}",
            ],
            {
                "collar_words": CollarWords(
                    joined=frozenset({("c", "collar")}),
                    neck=WordList(frozenset({"neck", "nuque"}), ("cerv",)),
                    plain=WordList(frozenset({"a", "the", "of"})),
                )
            },
        ),
        (
            ["neck_words: [{word: Neck, words: [Hälse, lie. flat], unless: [Fémur], only_with: [Tête], alone: true}]"],
            {
                "neck_words": tuple(
                    NeckWord(word, ("femur",), ("tete",), alone=True) for word in ("neck", "halse", "lie. flat")
                )
            },
        ),
        (
            ["neck_words: [{word: neck}, {word: halo, alone: true}]", "neck_words: [{words: [halo, ring]}]"],
            {"neck_words": (NeckWord("neck"), NeckWord("halo"), NeckWord("ring"))},
        ),
        (
            ["neck_codes: [{system: ab, prefix: S1}]", "neck_codes: [{system: a, code: T1}]"],
            {"neck_codes": frozenset({a("S1"), b("S1"), a("T1")})},
        ),
        (
            ["finding_questions: [{system: a, code: X}]", "finding_questions: [{system: a, code: Y}]"],
            {"finding_questions": frozenset({a("X"), a("Y")})},
        ),
        # Answers: a later file may turn one round.
        (
            [
                '"yes": [{system: a, code: Y}, {system: a, code: J}]\n"no": [{system: a, code: N}]',
                '"no": [{system: a, code: J}]',
            ],
            {"yes": frozenset({a("Y")}), "no": frozenset({a("N"), a("J")})},
        ),
        (['"no": [{system: a, code: X}]', '"yes": [{system: a, code: X}]'], {"yes": frozenset({a("X")})}),
        # Parts of scores: a later list takes the place of an earlier one.
        ([PART], {"parts": PARTS}),
        ([PART, "parts: {score: [{system: a, code: P9}]}"], {"parts": {a("P9"): ScorePart("score", 0, 1, {})}}),
        (
            [PART, "parts: {girth_mm: [{system: a, code: P9}]}"],
            {"parts": {**PARTS, a("P9"): ScorePart("girth_mm", 0, 1, {})}},
        ),
        # What else there is.
        (
            [
                "unread_observations: {within_hours: 24, not_of_now: [Famîl], denied: [Nein]}",
                "unread_observations: {not_of_now: [goal], denied: [no]}",
            ],
            {"unread_observations": UnreadObservations(24, ("famil", "goal"), frozenset({"nein", "no"}))},
        ),
        (
            ["unread_observations: {within_hours: 24}", "unread_observations: {within_hours: 0}"],
            {"unread_observations": UnreadObservations(0, (), frozenset())},
        ),
        (
            ["gender: {male: male, other: female}", "gender: {other: male}"],
            {"gender": {"male": "male", "other": "male"}},
        ),
        (["units: {inch: '[in_i]', zoll: '[in_i]'}", "units: {zoll: cm}"], {"units": {"inch": "[in_i]", "zoll": "cm"}}),
        (
            ['counted: {"{score}": ["1"], "{finger}": ["{f}"]}', 'counted: {"{score}": ["{points}"]}'],
            {"counted": {"{score}": ("{points}",), "{finger}": ("{f}",)}},
        ),
        (["elapsing: [since_h]", "elapsing: [since_fall_h]"], {"elapsing": frozenset({"since_h", "since_fall_h"})}),
        (
            ["safer: {bed_rest: true, build: slight}", "safer: {bed_rest: false}"],
            {"safer": {"bed_rest": False, "build": "slight"}},
        ),
        (
            [
                "",
                "reading: {same_within_percent: 0, stale_danger_hours: 48}",
                "reading: {future_tolerance_minutes: 0}",
                "reading: {stale_danger_hours: 24}",
            ],
            {"same_within_percent": 0.0, "future_tolerance_minutes": 0.0, "stale_danger_hours": 24.0},
        ),
        (
            [
                "grave: {score: {at_most: 14}, build: [slight]}",
                "grave: {score: {at_most: 8}, build: [very_heavy, slight]}",
            ],
            {"grave": {"build": ("very_heavy", "slight")}, "grave_at_most": {"score": 8.0}},
        ),
        (
            [
                "setting_words: [{setting: ward, words: [ward., sick bay], unless: [round]}]",
                "setting_words: [{setting: home, word: sick bay}]",
            ],
            {
                "setting_words": {
                    NeckWord("ward.", ("round",)): "ward",
                    NeckWord("sick bay", ("round",)): "ward",
                    NeckWord("sick bay"): "home",
                }
            },
        ),
        # What belongs to one injury.
        (
            [
                "episode: {gap_hours: 24, hours: since_h, injuries: [bed_rest, score], "
                "answers: {build: [slight], bed_rest: [true], score: any}}"
            ],
            {
                "episode": Episode(
                    24, "since_h", ("bed_rest", "score"), {"build": ("slight",), "bed_rest": (True,), "score": None}
                )
            },
        ),
        (
            [
                "episode: {gap_hours: 24, hours: since_h, injuries: [bed_rest], answers: {build: [slight], score: any}}",
                "episode: {injuries: [score, bed_rest], answers: {score: [3]}}",
            ],
            {"episode": Episode(24, "since_h", ("bed_rest", "score"), {"build": ("slight",), "score": (3,)})},
        ),
        (
            ["episode: {gap_hours: 24, hours: since_h}", "episode: {gap_hours: 0, hours: since_fall_h}"],
            {"episode": Episode(0, "since_fall_h", (), {})},
        ),
    ],
)
def test_what_the_files_become(texts: list[str], expected: dict[str, Any]) -> None:
    assert told(built(*texts)) == {**EMPTY, **expected}


def test_parts_and_words_keep_their_order() -> None:
    assert list(built(PART).parts) == [a("P1"), a("P2"), b("P2")]
    assert built("neck_words: [{words: [b, a]}, {word: c}]").neck_words == (NeckWord("b"), NeckWord("a"), NeckWord("c"))


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("facts: [{system: a, code: X, fact: minor}]", "facts.0: minor is worked out by rules and cannot be read"),
        (
            "facts: [{system: a, code: X, fact: bed_rest, value: 7}]",
            "facts.0: bed_rest = 7: not a yes/no value; accepted: true or false",
        ),
        (
            "facts: [{system: a, code: X, fact: minor, value: true}]",
            "facts.0: minor = True: is worked out by rules and cannot be given; accepted: nothing; leave it out",
        ),
        ("facts: [{system: a, fact: sex}]", "facts.0: expected either code or prefix"),
        ("facts: [{system: a, code: X, prefix: X, fact: sex}]", "facts.0: expected either code or prefix"),
        (
            "values: [{system: a, prefix: X, fact: sex, value: male}]",
            "values.0: a prefix is only read under facts, neck_codes and collar_codes; expected code",
        ),
        (
            "neck_codes: [{system: a, code: X}, {system: c, prefix: X}]",
            "neck_codes.1: no system called 'c' under systems; there are: a, ab, own",
        ),
        (
            "facts: [{system: a, code: X, fact: sex}, {system: a, code: Y, fact: sex}, {system: a, code: X, fact: bed_rest}]",
            "facts.2: a X already stands in site.yaml:1: facts.0; keep one",
        ),
        (
            "facts: [{system: a, code: X, fact: bed_rest, not_seventh: [S]}]",
            "facts.0: not_seventh is for a prefix: a whole code has its seventh character",
        ),
        (
            "facts: [{system: a, code: X, fact: bed_rest, value: true}, {system: a, code: X, fact: bed_rest, value: false}]",
            "facts.1: a X already stands in site.yaml:1: facts.0; keep one",
        ),
        (
            "values: [{system: a, code: X, fact: sex, value: male}, {system: a, code: X, fact: sex, value: female}]",
            "values.1: a X already stands in site.yaml:1: values.0; keep one",
        ),
        (
            "values: [{system: a, code: X, fact: sex, value: tall}]",
            "values.0: sex = 'tall': not one of the accepted codes; accepted: one of female, male",
        ),
        (
            "ignore: [{system: a, code: X}]",
            "ignore.0: no earlier entry has this system and code, so there is nothing to ignore",
        ),
        (
            "settings: [{system: a, code: X, setting: moon}]",
            "settings.0: setting = 'moon': not one of the accepted codes; accepted: one of ward, home",
        ),
        ("collars: [{system: a}]", "collars.0: expected either code or prefix"),
        (
            '"yes": [{system: a, prefix: X}]',
            "yes.0: a prefix is only read under facts, neck_codes and collar_codes; expected code",
        ),
        ('"no": [{system: c, code: X}]', "no.0: no system called 'c' under systems; there are: a, ab, own"),
        ("finding_questions: [{system: a}]", "finding_questions.0: expected either code or prefix"),
        *[
            (f"neck_words: [{{word: neck}}, {{{words}}}]", "neck_words.1: expected word or words, parted by one blank")
            for words in (
                "alone: true",
                "words: [a, b-c]",
                'word: "a  b"',
                'word: "a b "',
                "word: a_b",
                "word: .a",
                'words: ["a", ""]',
            )
        ],
        ("parts: {build: [{system: a, code: X}]}", "parts.build: build is no number, so it has no parts to add up"),
        ("parts: {minor: [{system: a, code: X}]}", "parts.minor: minor is worked out by rules and cannot be read"),
        (
            "parts: {score: [{system: a, prefix: X}]}",
            "parts.score.0: a prefix is only read under facts, neck_codes and collar_codes; expected code",
        ),
        (
            "gender: {male: tall}",
            "gender.male: sex = 'tall': not one of the accepted codes; accepted: one of female, male",
        ),
        ("units: {inch: foo}", "units.inch: unknown unit 'foo'; expected a UCUM code"),
        ("elapsing: [since_h, girth_mm]", "elapsing.1: girth_mm does not count hours"),
        ("elapsing: [minor]", "elapsing.0: minor is worked out by rules and cannot be read"),
        ("safer: {sex: tall}", "safer.sex: sex = 'tall': not one of the accepted codes; accepted: one of female, male"),
        (
            "grave: {sex: [male, tall]}",
            "grave.sex: sex = 'tall': not one of the accepted codes; accepted: one of female, male",
        ),
        (
            "setting_words: [{setting: moon, word: x}]",
            "setting_words.0: setting = 'moon': not one of the accepted codes; accepted: one of ward, home",
        ),
        ("grave: {sex: {at_most: 3}}", "grave.sex: sex is no number; expected a list of its answers"),
        ("grave: {minor: {at_most: 3}}", "grave.minor: minor is worked out by rules and cannot be read"),
        (
            "episode: {answers: {sex: [male, tall]}}",
            "episode.answers.sex: sex = 'tall': not one of the accepted codes; accepted: one of female, male",
        ),
        ("episode: {answers: {minor: any}}", "episode.answers.minor: minor is worked out by rules and cannot be read"),
        ("episode: {injuries: [bed_rest, minor]}", "episode: minor is worked out by rules and cannot be read"),
        ("episode: {hours: girth_mm}", "episode: girth_mm does not count hours"),
        ("episode: {hours: minor}", "episode: minor is worked out by rules and cannot be read"),
        # Edges of numbers.
        (
            "reading: {same_within_percent: 5.1}",
            "reading.same_within_percent: must be less than or equal to 5; found 5.1",
        ),
        (
            "reading: {future_tolerance_minutes: 1441}",
            "reading.future_tolerance_minutes: must be less than or equal to 1440; found 1441",
        ),
        (
            "unread_observations: {within_hours: 721}",
            "unread_observations.within_hours: must be less than or equal to 720; found 721",
        ),
        ("episode: {gap_hours: 169}", "episode.gap_hours: must be less than or equal to 168; found 169"),
    ],
)
def test_a_problem_by_its_words(text: str, expected: str) -> None:
    assert problems("", text) == [f"site.yaml:1: {expected}"]


def test_a_problem_far_below_is_placed_at_its_own_line() -> None:
    """The fourth line of the text, below the two that name the systems."""
    text = "parts:\n  score:\n    - {system: a, code: X}\n    - {system: c, code: X}"
    assert problems(text) == [
        "shipped.yaml:6: parts.score.1: no system called 'c' under systems; there are: a, ab, own"
    ]


def test_all_problems_of_all_files_are_told() -> None:
    """An entry with a problem never hides the next; an entry that is refused is not taken."""
    first = "facts: [{system: c, code: X, fact: sex}]\nparts: {build: [], girth_mm: []}"
    second = "{parts: {build: [], score: [{system: c, code: X}]}, elapsing: [minor, sex]}"
    third = "neck_words: [{}, {word: a b, words: ['']}]\nfacts: 7"
    assert problems(first, second, third) == [
        "shipped.yaml:3: facts.0: no system called 'c' under systems; there are: a, ab, own",
        "shipped.yaml:4: parts.build: build is no number, so it has no parts to add up",
        "site.yaml:1: parts.build: build is no number, so it has no parts to add up",
        "site.yaml:1: parts.score.0: no system called 'c' under systems; there are: a, ab, own",
        "site.yaml:1: elapsing.0: minor is worked out by rules and cannot be read",
        "site.yaml:1: elapsing.1: sex does not count hours",
        "site.yaml:2: facts: must be a list, not a number; found 7",
    ]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "neck_words: [{alone: true}, {word: a-b}]",
            [f"neck_words.{index}: expected word or words, parted by one blank" for index in (0, 1)],
        ),
        (
            "parts: {minor: [], build: [], score: [{system: a}]}",
            [
                "parts.minor: minor is worked out by rules and cannot be read",
                "parts.build: build is no number, so it has no parts to add up",
                "parts.score.0: expected either code or prefix",
            ],
        ),
        (
            "episode: {answers: {sex: [tall, small], minor: any}, injuries: [minor, bed_rest, minor], hours: score}",
            [
                "episode.answers.sex: sex = 'tall': not one of the accepted codes; accepted: one of female, male",
                "episode.answers.sex: sex = 'small': not one of the accepted codes; accepted: one of female, male",
                "episode.answers.minor: minor is worked out by rules and cannot be read",
                "episode: minor is worked out by rules and cannot be read",
                "episode: minor is worked out by rules and cannot be read",
                "episode: score does not count hours",
            ],
        ),
        (
            "units: {a: foo, b: bar}",
            [
                f"units.{word}: unknown unit '{unit}'; expected a UCUM code"
                for word, unit in (("a", "foo"), ("b", "bar"))
            ],
        ),
        (
            "ignore: [{system: a, code: X}, {system: a, code: Y}]",
            [
                f"ignore.{index}: no earlier entry has this system and code, so there is nothing to ignore"
                for index in (0, 1)
            ],
        ),
    ],
)
def test_an_entry_with_a_problem_never_hides_the_next(text: str, expected: list[str]) -> None:
    assert problems("", text) == [f"site.yaml:1: {one}" for one in expected]


def test_a_site_may_ignore_what_the_same_file_does_not_name_again() -> None:
    assert told(
        built(
            "facts: [{system: a, code: X, fact: sex}]",
            "ignore: [{system: a, code: X}]",
            "facts: [{system: a, code: X, fact: bed_rest}]",
        )
    ) == {
        **EMPTY,
        "exact": {**OWN_FACTS, a("X"): (Meaning("bed_rest", local=True),)},
        "ignored": frozenset({a("X")}),
    }


def test_the_shipped_map_is_extended_by_a_site_s_files_in_their_order(tmp_path: Path) -> None:
    files = []
    for number, unit in enumerate(("mm", "cm")):
        files.append(tmp_path / f"{number}.yaml")
        files[-1].write_text(f"units: {{zoll: {unit}}}", encoding="utf-8")
    assert load_code_map(ruleset(), files).units == {"zoll": "cm"}
    assert load_code_map(ruleset(), files[::-1]).units == {"zoll": "mm"}
    assert load_code_map(ruleset(), base=BASE).base == BASE
    assert load_code_map(ruleset()).base == code_map().base == "https://nuque.example.org/fhir"
