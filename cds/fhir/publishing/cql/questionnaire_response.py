"""Answers to questionnaires in Clinical Quality Language. ``cds.fhir.reading.questionnaire_response``."""

from __future__ import annotations

from cds.fhir.publishing.cql.record_functions import label
from cds.fhir.publishing.cql.syntax import name, text
from rules.model.facts import FactDefinition

DEEPEST = 6
"""Items inside items that are read; CQL has no recursion."""
_BELOW_FIRST = range(2, DEEPEST + 1)

_FIRST = """\
// What may change the meaning of an item, or of an answer, may change that of all that stands under it.
define private "Items 1 Deep":
  flatten ([QuestionnaireResponse] R
    where "Unchanged"(R) and R.status.value in { 'completed', 'amended' } and exists R.item
    return all (R.item I where not exists I.modifierExtension return all Tuple {
      item: I, age: "Age of"(R.authored.value), latest: "Latest of"(R.authored.value), label: LABEL
    }))

"""
_LEVEL = """\
define private "Items DEPTH Deep":
  flatten {
    (flatten ("Items ABOVE Deep" P where exists P.item.item
      return all (P.item.item I where not exists I.modifierExtension
        return all Tuple { item: I, age: P.age, latest: P.latest, label: P.label }))),
    (flatten ("Items ABOVE Deep" P where exists P.item.answer
      return all flatten (P.item.answer A where exists A.item and not exists A.modifierExtension
        return all (A.item I where not exists I.modifierExtension
          return all Tuple { item: I, age: P.age, latest: P.latest, label: P.label }))))
  }
"""
_ANSWERS = """
define private "Answers":
  (flatten { EVERY }) P
    where Count(P.item.answer) = 1 and not exists First(P.item.answer).modifierExtension
    return all Tuple {
      link: P.item.linkId.value,
      stated: First(P.item.answer).value,
      age: P.age,
      latest: P.latest,
      label: P.label
    }
"""


def questionnaire_answers() -> str:
    """The single answers of completed responses, with the items that they answer."""
    levels = "\n".join(_LEVEL.replace("DEPTH", str(depth)).replace("ABOVE", str(depth - 1)) for depth in _BELOW_FIRST)
    every = ", ".join(name(f"Items {depth} Deep") for depth in (1, *_BELOW_FIRST))
    return _FIRST.replace("LABEL", label("QuestionnaireResponse", "R")) + levels + _ANSWERS.replace("EVERY", every)


def answered(fact: FactDefinition) -> str:
    """That the answer ``S`` is to an item that asks for ``fact``."""
    links = dict.fromkeys((fact.code, fact.name))
    return f"S.link in {{ {', '.join(map(text, links))} }}"
