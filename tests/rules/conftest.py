"""The shipped ruleset and a decider, loaded once."""

import pytest

from rules.deciding.decider import Decider
from rules.model.ruleset import Ruleset
from tests.shipped_content import RULESET


@pytest.fixture(scope="session")
def ruleset() -> Ruleset:
    return RULESET


@pytest.fixture(scope="session")
def decider(ruleset: Ruleset) -> Decider:
    return Decider(ruleset)
