"""The outside programs that other tests lean on really run: PostgreSQL and a browser."""

import pytest
import sqlalchemy
from playwright.sync_api import Browser


@pytest.mark.postgres
def test_postgresql_answers_and_keeps_what_was_committed(postgres_url: str) -> None:
    engine = sqlalchemy.create_engine(postgres_url)
    try:
        with engine.begin() as connection:
            connection.execute(sqlalchemy.text("CREATE TABLE kept (n integer)"))
            connection.execute(sqlalchemy.text("INSERT INTO kept VALUES (7)"))
        with engine.begin() as connection:
            assert connection.execute(sqlalchemy.text("SELECT n FROM kept")).scalar_one() == 7
            connection.execute(sqlalchemy.text("DROP TABLE kept"))
    finally:
        engine.dispose()


@pytest.mark.browser
def test_the_browser_lays_out_a_page_and_runs_its_script(browser: Browser) -> None:
    page = browser.new_page()
    page.set_content("<p id=p>before</p><script>p.textContent = 'after'</script>")
    assert page.inner_text("#p") == "after"
    page.close()
