"""Before a collar: what the record names as a danger and nobody has read for us leads until somebody has read it.

A fracture that a text names, or a code that the site has not mapped, gives no fact, so no rule fires by it; and the advice that
is left looks as sure as for a sound neck. Unknown is not safe: a warning leads on every hook, and the fitting is not offered.
"""

from __future__ import annotations

from cds.fhir.reading.device_use import IN_PLACE
from cds.fhir.writing.service_request import FIT_TASK
from cds.hooks.cards import markdown
from cds.hooks.cards.card_content import unread_names
from rules.deciding.questions import unread_measurements
from rules.model.decision import Caution, Decision, NotUsed, Task
from rules.model.ruleset import Ruleset
from rules.model.timing import ONCE, once_all

_LONGEST = 120
_ONCE_READ = "once that is read"
_ONCE_MEASURED = "once the neck is measured"
_IN_WORDS = {
    "known_neck_injury": "a broken or unstable neck",
    "neurological_deficit": "lost feeling or movement",
    "penetrating_injury": "a wound that penetrates",
    "airway_threat": "a closing airway, or breathing that has stopped",
    "known_vertebral_disease": "a diseased spine",
}
"""What a fact is that goes before a collar; of one that a site adds its own name."""


def led_by_unread(decision: Decision, *, ordering: bool) -> Decision:
    """``decision`` as cards say it: led by what it could not use and may be a danger that goes before a collar.

    Where the collar is being put on (``ordering``) or is on. What leads is not named once more among what is to be read. The
    decision itself where nothing leads so: nothing of the kind is named, what it may be is known anyway, or a halo holds the head.
    """
    known = {fact.name for fact in decision.facts if fact.value is True}
    if not ordering and IN_PLACE not in known:
        return decision
    first = [one for one in decision.not_used if one.look_up and one.may_be and one.may_be not in known]
    if not first:
        return decision
    tasks = (_waiting(task, _ONCE_READ) for task in decision.tasks)
    said = {id(one) for one in first}
    critical = tuple(caution for caution in decision.cautions if caution.severity == "critical")
    others = tuple(caution for caution in decision.cautions if caution.severity != "critical")
    return decision.model_copy(
        update={
            "cautions": (*critical, _caution(first), *others),
            "tasks": tuple(tasks),
            "not_used": tuple(
                one.model_copy(update={"look_up": None}) if id(one) in said else one for one in decision.not_used
            ),
        }
    )


def fitted_once_measured(decision: Decision, ruleset: Ruleset) -> Decision:
    """``decision`` with the fitting after the tape, where a guess stands in for a measurement on record that could not be read.

    ``ruleset`` tells which facts are measurements.
    """
    if not unread_measurements(ruleset, decision.measure_next, decision.not_used):
        return decision
    others = [one.size_class.in_words for one in decision.candidates[1:2]]
    tasks = tuple(
        _waiting(task, _ONCE_MEASURED, *(f"bring {other} too" for other in others)) for task in decision.tasks
    )
    return decision.model_copy(update={"tasks": tasks})


def _waiting(task: Task, once: str, *also: str) -> Task:
    """``task``, where it is the fitting, waiting for ``once`` after all that it waits for already."""
    if task.task != FIT_TASK:
        return task
    waits = task.begins if task.begins.startswith(ONCE) else ""
    begins = waits if once.removeprefix(ONCE) in waits else once_all(filter(None, [waits, once]))
    return task.model_copy(update={"begins": "; ".join([begins, *also])})


def _caution(first: list[NotUsed]) -> Caution:
    named = unread_names(first)
    dangers = dict.fromkeys(one.may_be or "" for one in first)
    what = " or ".join(_IN_WORDS.get(fact, fact.replace("_", " ")) for fact in dangers)
    return Caution(
        severity="warning",
        summary=markdown.shorten(f"Read this first, it is not used here: {named}", _LONGEST),
        text=(
            f"May be {what}: {named}. Read it before a collar is put on, opened or taken off. "
            "Until then airway first, head and neck held in line, log-roll."
        ),
        rules=(),
        leads=True,
    )
