"""Acknowledged feedback outlives the death of the process: writers are killed with SIGKILL, 200 times on each database.

What this shows is that nothing is acknowledged before its commit. That a commit is on the disk (a power cut) rests on the
databases' own promise for the settings that ``test_database.py`` reads back: ``synchronous=FULL`` and ``synchronous_commit=on``.
"""

import json
import subprocess
import sys

import pytest
import sqlalchemy as sa

from cds.settings import StoreSettings
from cds.storage.database import Store
from cds.storage.database_schema import feedback
from tests.cds.faults.processes import ROOT

pytestmark = pytest.mark.slow

KILLS = 200


def test_no_acknowledged_feedback_is_lost_in_200_kills(database_url: str) -> None:
    command = [sys.executable, "-m", "tests.cds.faults.killed_writer", database_url, str(KILLS)]
    told = json.loads(subprocess.run(command, cwd=ROOT, capture_output=True, check=True, timeout=500).stdout)
    with Store(StoreSettings(store_url=database_url)) as store, store.reading() as connection:
        kept = set(connection.execute(sa.select(feedback.c.card)).scalars())
    assert len(told["acknowledged"]) >= KILLS
    assert set(told["acknowledged"]) - kept == set()
    # The kills must really strike writes in progress, or this would show nothing.
    assert told["struck"] > KILLS / 4
