"""SQLite's locks hold while the service looks at its own file: another process that comes and goes removes no log under it."""

import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from cds.settings import StoreSettings
from cds.storage import held_files
from cds.storage.database import Store
from cds.storage.database_schema import used_tokens
from tests.cds.storage.test_database import AT

VISIT = "import sqlite3, sys; c = sqlite3.connect(sys.argv[1]); print(*c.execute(sys.argv[2]).fetchone()); c.close()"


def visit(path: Path) -> int:
    """How many used tokens another process sees, which opens the file and closes it again."""
    command = [sys.executable, "-c", VISIT, str(path), "SELECT count(*) FROM used_tokens"]
    return int(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def test_what_is_committed_after_the_visit_of_another_process_is_found_by_the_next_one(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite3"
    settings = StoreSettings(store_url=f"sqlite:///{path}")
    with Store(settings) as first, Store(settings) as second:
        for number in range(1, 9):
            store = (first, second)[number % 2]
            with store.writing() as connection:
                connection.execute(used_tokens.insert(), {"digest": str(number), "expires_at": AT})
            assert store.problem() is None
            assert visit(path) == number
        second.close()
        assert visit(path) == 8
        with first.writing() as connection:
            connection.execute(used_tokens.insert(), {"digest": "9", "expires_at": AT})
        assert visit(path) == 9
    with closing(sqlite3.connect(path)) as connection, connection:
        assert connection.execute("SELECT count(*) FROM used_tokens").fetchone() == (9,)


def test_a_file_is_held_once_and_let_go_with_its_last_store(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_bytes(b"0123456789")
    first, second = held_files.hold(str(path)), held_files.hold(str(path))
    assert first == second
    held_files.let_go(first)
    assert held_files.beginning(first, 4) == b"0123"
    held_files.let_go(first)
    assert held_files.beginning(first, 4) == b""
    with pytest.raises(KeyError):
        held_files.let_go(first)
