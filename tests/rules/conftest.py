"""The shipped ruleset and a decider, loaded once."""

import pytest

from rules.deciding.decider import Decider
from rules.loading.loader import load_ruleset
from rules.model.ruleset import Ruleset


@pytest.fixture(scope="session")
def ruleset() -> Ruleset:
    return load_ruleset()


@pytest.fixture(scope="session")
def decider(ruleset: Ruleset) -> Decider:
    return Decider(ruleset)
