"""The store: SQLite by default, PostgreSQL by URL. What was committed here survives the death of the process.

SQLite runs with a write-ahead log and ``synchronous=FULL``, PostgreSQL with ``synchronous_commit=on``: a commit returns when
the data are on the disk. A failure closes the store for a moment, so that decisions do not wait for it again and again.
"""

from __future__ import annotations

import os
import sqlite3
import threading
import time
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, nullcontext, suppress
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

import sqlalchemy as sa
from sqlalchemy import event
from sqlalchemy.exc import ArgumentError, DataError, DBAPIError, IntegrityError, NoSuchModuleError
from sqlalchemy.exc import TimeoutError as PoolTimeout
from sqlalchemy.sql.compiler import SQLCompiler

from cds.settings import StoreSettings
from cds.storage import held_files
from cds.storage.database_schema import REVISION, metadata, used_tokens
from cds.storage.deadlines import MOST_WAIT_SECONDS, Allowance, DeadlineExceeded, DeadlineRunner, current_allowance
from rules.errors import NuqueError

_WAIT_SECONDS = 2
_WAIT_FOR_WRITERS_SECONDS = 5
"""SQLite has one writer at a time; behind a slow disk the others wait for it."""
_BETWEEN_TRIES_SECONDS = 0.01
_LONG_AGO = datetime(1970, 1, 1, tzinfo=UTC)
_PATIENCE_SECONDS = 8.0
_MOST_STATEMENTS = 24
"""Calls with feedback that wait for the store at the same time: the other threads of the service decide."""
_one_upgrade = threading.Lock()
"""Alembic keeps what it works on in its module: two upgrades in one process would take each other's database."""
_UPGRADE_LOCK = 5_318_008_131
"""Any number, the same in every worker: whoever holds this lock of PostgreSQL upgrades the tables."""


_SQLITE_FILES = (b"SQLite format 3\0",)
_SQLITE_LOGS = (b"\x37\x7f\x06\x82", b"\x37\x7f\x06\x83")
"""How a database and a write-ahead log of SQLite begin (https://www.sqlite.org/fileformat2.html, 1.3.1 and 4.1)."""
_LONGEST_MARK = 16
Found = TypeVar("Found")


class StoreError(NuqueError):
    """The store's settings cannot be used."""


class StoreDown(NuqueError):
    """The store cannot be used now. ``retry_after``: seconds until it is worth trying again."""

    def __init__(self, message: str, retry_after: int) -> None:
        """Say why, and when to come back."""
        self.retry_after = retry_after
        super().__init__(message)


def default_url() -> str:
    """An SQLite file in the state folder of the account (XDG base directories)."""
    state = Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state")
    return f"sqlite:///{state / 'nuque' / 'store.sqlite3'}"


class LookUp:
    """A question to the store that is asked again and again with other values, compiled once for each kind of database."""

    def __init__(self, statement: sa.Select[Any]) -> None:
        """Ask ``statement``, whose parameters have names."""
        self.statement = statement
        self.on = cache(self._on)

    def _on(self, dialect: sa.Dialect) -> tuple[str, Callable[[Mapping[str, Any]], list[Any]]]:
        """The words for a driver that counts its parameters, and what writes given values in their places."""
        compiled = self.statement.compile(dialect=dialect)
        assert isinstance(compiled, SQLCompiler)
        names = compiled.positiontup or ()
        writers = [compiled.binds[name].type.dialect_impl(dialect).bind_processor(dialect) for name in names]

        def written(values: Mapping[str, Any]) -> list[Any]:
            given = compiled.construct_params(values)
            return [write(given[name]) if write else given[name] for name, write in zip(names, writers, strict=True)]

        return str(compiled), written


class Store:
    """Transactions on the database. Nothing is opened before the first one."""

    def __init__(
        self, settings: StoreSettings, *, hurried: bool = True, clock: Callable[[], float] = time.monotonic
    ) -> None:
        """Use the database that ``settings`` name. Raises StoreError where the URL cannot be used.

        ``hurried``: a statement that takes long fails, as a clinician waits; a purge or an export may take its time.
        """
        self._settings = settings
        self._hurried = hurried
        self._clock = clock
        self._closed_until = 0.0
        self._why = ""
        self._prepared = False
        self._file: held_files.Identity | None = None
        self._write_failed = False
        self._lock = threading.Lock()
        self._one_writer = threading.Lock()
        self._decisions, self._statements = DeadlineRunner(StoreDown), DeadlineRunner(StoreDown, _MOST_STATEMENTS)
        self._was_tried = False
        try:
            self.url = sa.make_url(settings.store_url or default_url())
            self._engine = self._make_engine()
            # The same connections. Made here: an option given to each connection costs as much as a statement.
            self._reader = self._engine.execution_options(nuque_reads=True)
        except ValueError as error:
            # Not its text: what stands where the port should may be the end of a password.
            raise StoreError(
                "NUQUE_STORE_URL: the port is not a number; a password with @ : / is written %40 %3A %2F"
            ) from error
        except (ArgumentError, NoSuchModuleError, ModuleNotFoundError) as error:
            raise StoreError(
                f"NUQUE_STORE_URL: {error}; give sqlite:////path/store.sqlite3 or postgresql+psycopg://user@host/database "
                "(the latter needs the extra `postgres`)"
            ) from error

    @property
    def is_sqlite(self) -> bool:
        """Whether this is SQLite."""
        return self.url.get_backend_name() == "sqlite"

    def _make_engine(self) -> sa.Engine:
        backend = self.url.get_backend_name()
        if backend == "sqlite":
            if not self.url.database or self.url.database == ":memory:":
                raise StoreError("NUQUE_STORE_URL: a store in memory forgets; name a file")
            engine = sa.create_engine(
                self.url, connect_args={"timeout": _WAIT_FOR_WRITERS_SECONDS}, pool_timeout=_WAIT_SECONDS
            )
            event.listen(engine, "connect", _set_up_sqlite)
            event.listen(engine, "begin", _begin_sqlite)
            return engine
        if backend == "postgresql":
            longest = _WAIT_SECONDS * 1000 if self._hurried else 0
            options = f"-c statement_timeout={longest} -c synchronous_commit=on"
            connect = {"connect_timeout": _WAIT_SECONDS, "options": options, "application_name": "nuque"}
            return sa.create_engine(self.url, connect_args=connect, pool_timeout=_WAIT_SECONDS, pool_pre_ping=True)
        raise StoreError(f"NUQUE_STORE_URL: {backend!r} is not supported; use sqlite or postgresql+psycopg")

    def in_a_hurry(self, work: Callable[[], Found]) -> Found:
        """What ``work`` on this store gives, where a decision waits for it. Raises StoreDown.

        It is given up after a moment, and at once where the same call has waited for other work before.
        """
        # Opening the store for the first time may take longer; a service tries that once, when it starts.
        if not self._was_tried:
            return self._within(self._decisions, work, _PATIENCE_SECONDS)
        with (current_allowance.get() or Allowance()).used() as seconds:
            return self._within(self._decisions, work, seconds)

    def with_patience(self, work: Callable[[], Found]) -> Found:
        """What ``work`` gives, where a statement has to be kept, which may take some seconds and be sent again.

        Raises StoreDown.
        """
        return self._within(self._statements, work, _PATIENCE_SECONDS)

    def _within(self, runner: DeadlineRunner, work: Callable[[], Found], seconds: float) -> Found:
        try:
            return runner.run(work, seconds)
        except DeadlineExceeded as late:
            raise StoreDown(f"the store cannot be used: {late}", 5) from late

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """A transaction that only reads. Raises StoreDown."""
        with self._guarded(), self._reader.connect() as connection:
            yield connection

    def found(self, look_up: LookUp, values: Mapping[str, Any]) -> bool:
        """Whether ``look_up`` finds a row for ``values``. Raises StoreDown.

        Asked at nearly every call, so on SQLite the driver is asked itself: the way through SQLAlchemy takes five times as long.
        """
        if not self.is_sqlite:
            with self.reading() as connection:
                return connection.execute(look_up.statement, values).first() is not None
        words, written = look_up.on(self._engine.dialect)
        with self._guarded(), closing(self._engine.raw_connection()) as connection:
            cursor = connection.cursor()
            with closing(cursor):
                return cursor.execute(words, written(values)).fetchone() is not None

    @contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """A transaction; when this returns, it is on the disk. Raises StoreDown, and then nothing is certain."""
        # In one process writers queue in order; SQLite's own waiting is by chance and can starve one of them.
        turn = self._one_writer if self.is_sqlite else nullcontext()
        with self._guarded():
            file = self._file
            try:
                with turn, self._engine.begin() as connection:
                    yield connection
                self._check_file(file)
            except (IntegrityError, DataError):
                raise
            except Exception:
                self._write_failed = True
                raise
            self._write_failed = False

    @contextmanager
    def _guarded(self) -> Iterator[None]:
        if self._clock() < self._closed_until:
            raise self._down()
        try:
            with self._failing():
                self._prepare()
                yield
        finally:
            self._was_tried = True

    @contextmanager
    def _failing(self) -> Iterator[None]:
        try:
            yield
        except (IntegrityError, DataError):
            raise  # An answer of a healthy store: something is there already, or cannot be kept.
        except (DBAPIError, sqlite3.Error, PoolTimeout, OSError, StoreError) as error:
            # The driver's own text only: SQLAlchemy's adds the statement and its values.
            cause = getattr(error, "orig", None) or error
            self._why = f"{type(cause).__name__}: {cause}".splitlines()[0]
            self._closed_until = self._clock() + self._settings.store_retry_seconds
            raise self._down() from error

    def _down(self) -> StoreDown:
        return StoreDown(f"the store cannot be used: {self._why}", max(1, round(self._settings.store_retry_seconds)))

    def problem(self) -> str | None:
        """What is wrong with the store now, or None (for readiness)."""
        try:
            self.with_patience(self._look)
        except StoreDown as error:
            return str(error)
        finally:
            self._was_tried = True  # Also where that has no end yet: nobody waits for it a second time.
        return None

    def try_to_open(self) -> None:
        """Begin to open the store, and wait for a moment; what is not done then goes on by itself."""
        with suppress(StoreDown):
            self._within(self._decisions, self._look, MOST_WAIT_SECONDS)
        self._was_tried = True

    def _look(self) -> None:
        if self._write_failed:
            self._try_to_write()
        with self.reading() as connection:
            for table in metadata.tables.values():
                connection.execute(sa.select(sa.literal(1)).select_from(table).limit(1))

    def _try_to_write(self) -> None:
        """A full disk can still be read, so after a write that failed only another write tells. Leaves nothing behind."""
        row = {"digest": uuid.uuid4().hex, "expires_at": _LONG_AGO}
        with self.writing() as connection:
            connection.execute(used_tokens.insert(), row)
            connection.execute(used_tokens.delete().where(used_tokens.c.digest == row["digest"]))

    def bring_up_to_date(self) -> tuple[str | None, str | None]:
        """The migration at which the tables were, and at which they are now. Raises StoreDown."""
        with self._failing():
            self._make_folder()
            before = self.revision()
            self.upgrade()
            return before, self.revision()

    def _make_folder(self) -> None:
        if self.is_sqlite and self.url.database:
            # The folder of the default must exist; for a folder that the site named this changes nothing.
            Path(self.url.database).parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            if "uri" not in self.url.query and not Path(self.url.database).exists():
                # Made here, for its owner alone: SQLite would leave that to the umask, and gives its log the same mode.
                with suppress(FileExistsError):
                    os.close(os.open(self.url.database, os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))

    def _check_file(self, file: tuple[int, int] | None) -> None:
        """SQLite goes on writing to a file that was removed or moved: what is committed there is lost to the next start."""
        if file is not None and file != self._found_file():
            self._forget_file()
            raise StoreError("its file was removed, moved or replaced while it was in use")
        if file is not None and not self._is_whole(file):
            raise StoreError("its file or the log beside it was emptied or overwritten while it was in use")

    def _forget_file(self) -> None:
        with self._lock:
            self._engine.dispose()
            self._prepared = False
            if self._file is not None:
                held_files.let_go(self._file)
                self._file = None

    def _is_whole(self, file: held_files.Identity) -> bool:
        """Whether file and write-ahead log begin as SQLite writes them; what is added to one that does not is lost to a restart."""
        if not held_files.beginning(file, _LONGEST_MARK).startswith(_SQLITE_FILES):
            return False
        log = f"{self.url.database}-wal"
        return not os.path.exists(log) or os.path.getsize(log) == 0 or _begins_with(log, _SQLITE_LOGS)

    def _found_file(self) -> held_files.Identity:
        try:
            return held_files.identity(str(self.url.database))
        except FileNotFoundError:
            return (0, 0)

    def _prepare(self) -> None:
        self._check_file(self._file)
        with self._lock:
            if self._prepared:
                return
            self._make_folder()
            found = self.revision()
            if found != REVISION:
                if not self._settings.store_upgrade:
                    where = found or "nothing"
                    raise StoreError(f"its tables are at {where}, not {REVISION}; run `nuque store upgrade`")
                self.upgrade()
            if self.is_sqlite and self.url.database and "uri" not in self.url.query:
                self._file = held_files.hold(self.url.database)
            self._prepared = True

    def revision(self) -> str | None:
        """The migration at which the tables are; None for an empty database."""
        with self._engine.connect() as connection:
            if not sa.inspect(connection).has_table("alembic_version"):
                return None
            row: Any = connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()
            return None if row is None else str(row)

    def upgrade(self) -> None:
        """Bring the tables up to date; several workers may try at once. Raises StoreError where they are newer than this code."""
        with _one_upgrade, self._engine.begin() as connection:
            if not self.is_sqlite:
                connection.execute(sa.text("SET LOCAL statement_timeout = 0"))
                connection.execute(sa.text(f"SELECT pg_advisory_xact_lock({_UPGRADE_LOCK})"))
            if sa.inspect(connection).get_table_names():
                self._migrate(connection)
            else:
                _make_tables(connection)

    def _migrate(self, connection: sa.Connection) -> None:
        """Run the migrations that are lacking. Raises StoreError."""
        # Imported here: needed a few times in the life of a database, and as much memory as all tables and statements.
        from alembic import command
        from alembic.config import Config
        from alembic.util import CommandError

        config = Config()
        config.set_main_option("script_location", "cds.storage:migrations")
        config.attributes["connection"] = connection
        try:
            command.upgrade(config, "head")
        except CommandError as error:
            raise StoreError(f"the tables cannot be brought up to {REVISION}: {error}") from error

    def close(self) -> None:
        """Close all connections."""
        self._forget_file()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()


def _make_tables(connection: sa.Connection) -> None:
    """In an empty database the tables as they are in the end, and Alembic's note of it."""
    metadata.create_all(connection)
    done = sa.Table(
        "alembic_version", sa.MetaData(), sa.Column("version_num", sa.String(32), primary_key=True, nullable=False)
    )
    done.create(connection)
    connection.execute(done.insert(), {"version_num": REVISION})


def _begins_with(path: str, beginnings: tuple[bytes, ...]) -> bool:
    with open(path, "rb") as file:
        return file.read(_LONGEST_MARK).startswith(beginnings)


def insert_new(connection: sa.Connection, table: sa.Table, rows: Sequence[Mapping[str, Any]]) -> None:
    """Insert ``rows`` into ``table`` in one batch by ``connection``; those whose key is there already stay as they are."""
    connection.execute(_insert_of(table, connection.dialect.name), rows)


@cache
def _insert_of(table: sa.Table, dialect: str) -> sa.Insert:
    """The statement, of which there is one for each table."""
    # Imported here: a process needs the one of its own database only.
    if dialect == "sqlite":
        from sqlalchemy.dialects.sqlite import insert as into_sqlite

        return into_sqlite(table).on_conflict_do_nothing()
    from sqlalchemy.dialects.postgresql import insert as into_postgresql

    return into_postgresql(table).on_conflict_do_nothing()


def _set_up_sqlite(connection: Any, record: Any) -> None:
    connection.isolation_level = None  # Transactions are begun below, not by the driver's guess.
    connection.execute(f"PRAGMA busy_timeout={_WAIT_FOR_WRITERS_SECONDS * 1000}")
    _turn_write_ahead_log_on(connection)
    connection.execute("PRAGMA synchronous=FULL")


def _turn_write_ahead_log_on(connection: sqlite3.Connection) -> None:
    """Needed once in the life of a file. Here SQLite does not wait for others by itself, and workers start together."""
    give_up = time.monotonic() + _WAIT_FOR_WRITERS_SECONDS
    while True:
        try:
            connection.execute("PRAGMA journal_mode=WAL")
            return
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > give_up:
                raise
            time.sleep(_BETWEEN_TRIES_SECONDS)


def _begin_sqlite(connection: sa.Connection) -> None:
    # A writer that begins as a reader may find the file changed under it and fail; one that begins as a writer waits.
    reads = connection.get_execution_options().get("nuque_reads", False)
    connection.exec_driver_sql("BEGIN" if reads else "BEGIN IMMEDIATE")
