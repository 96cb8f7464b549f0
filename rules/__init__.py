"""The decision: facts about one patient in, a traceable collar decision out.

This package can be imported alone. It knows neither FHIR nor HTTP, reads no clock and opens no socket:
the moment of decision is an argument, and the clinical content is data beside the code.

What stands in ``__all__`` is for embedders and keeps its name; everything else may move. Each name is imported when it is
first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rules.deciding.decider import Decider
    from rules.deciding.explanation import Explainer
    from rules.deciding.fit_check import FitAdvice, FitCheck, advise
    from rules.errors import EngineError, FactError, KnowledgeError, NuqueError
    from rules.loading.loader import load_ruleset
    from rules.model.decision import Decision
    from rules.model.facts import RecordedFact
    from rules.model.ruleset import Ruleset

__version__ = "0.1.0.dev0"

_WHERE = {
    "Decider": "rules.deciding.decider",
    "Decision": "rules.model.decision",
    "EngineError": "rules.errors",
    "Explainer": "rules.deciding.explanation",
    "FactError": "rules.errors",
    "FitAdvice": "rules.deciding.fit_check",
    "FitCheck": "rules.deciding.fit_check",
    "KnowledgeError": "rules.errors",
    "NuqueError": "rules.errors",
    "RecordedFact": "rules.model.facts",
    "Ruleset": "rules.model.ruleset",
    "advise": "rules.deciding.fit_check",
    "load_ruleset": "rules.loading.loader",
}

__all__ = [
    "Decider",
    "Decision",
    "EngineError",
    "Explainer",
    "FactError",
    "FitAdvice",
    "FitCheck",
    "KnowledgeError",
    "NuqueError",
    "RecordedFact",
    "Ruleset",
    "__version__",
    "advise",
    "load_ruleset",
]


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_WHERE[name]), name)
