"""The service, in this process, at a fixed moment."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from cds.app import create_app
from cds.feedback import FeedbackFile
from cds.settings import Settings

AT = datetime(2026, 1, 31, 10, tzinfo=UTC)


@pytest.fixture(scope="session")
def feedback_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("feedback") / "feedback.ndjson"


@pytest.fixture(scope="session")
def client(feedback_file: Path) -> Iterator[TestClient]:
    app = create_app(Settings(), clock=lambda: AT, feedback=FeedbackFile(feedback_file))
    with TestClient(app) as client:
        yield client
