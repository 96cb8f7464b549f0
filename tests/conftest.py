"""What tests of several areas share: the property-test profile, a real PostgreSQL, a real browser."""

import gc
import os
import shutil
from collections.abc import Iterator

import pytest
from hypothesis import settings
from playwright.sync_api import Browser, sync_playwright

from tests.cds.storage.databases import postgresql

# No deadline: a shared or busy machine must not turn a slow example into a failure.
# In CI the examples are the same in each run, so that a red run can be repeated.
settings.register_profile("local", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "local")


def pytest_collection() -> None:
    """What is read for all tests stays to their end: the garbage collector need not walk through it, now and during each."""
    gc.disable()


def pytest_collection_finish() -> None:
    """From here on garbage is collected, and only what the tests themselves make is looked through."""
    gc.collect()
    gc.freeze()
    gc.enable()


@pytest.fixture(scope="session")
def postgres_url() -> Iterator[str]:
    """SQLAlchemy URL of an empty PostgreSQL server that lives for this session (one for each worker)."""
    with postgresql() as url:
        yield url


# Not for the whole session: while it runs, its event loop stands in the way of every asyncio.run on the same worker.
@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Headless Chromium from the system. In CI it must be there; elsewhere tests without it are skipped."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if chromium is None:
        if os.environ.get("CI"):
            pytest.fail("Chromium was not found, and CI must not skip browser tests: apt-get install chromium")
        pytest.skip("needs Chromium: apt-get install chromium")
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        yield running
        running.close()
