"""Databases of the tests."""

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
