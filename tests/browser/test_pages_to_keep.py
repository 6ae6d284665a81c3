"""The plan and the report as a small phone shows them: files for the kitchen, opened without any program."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from live_page import chromium
from playwright.sync_api import Browser

from coalminder.cli import main

pytestmark = pytest.mark.browser

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("pages")
    plan, report, records = folder / "plan.html", folder / "report.html", folder / "records"
    assert main(["plan", "char", "--serve", "19:00", "--html", str(plan)]) == 0
    assert main(["rehearse", "--fast", "--hours", "1", "--record", str(records)]) == 0
    (record,) = records.glob("*.cook")
    assert main(["replay", str(record), "--report", str(report), "--quiet"]) == 0
    return {"plan": plan, "report": report}


@pytest.mark.parametrize("text", ["100%", "200%"])
@pytest.mark.parametrize("name", ["plan", "report"])
def test_it_fits_a_small_phone_and_big_letters(
    browser: Browser, pages: dict[str, Path], name: str, text: str
) -> None:
    """WCAG 2.2, 1.4.4: text of twice the size; 1.4.10: at 320 px no scrolling in two directions. The rules of
    axe-core stand for the rest of level AA."""
    context = browser.new_context(viewport={"width": 320, "height": 640})
    page = context.new_page()
    page.goto(pages[name].as_uri())
    letters = "parseFloat(getComputedStyle(document.querySelector('p')).fontSize)"
    before = page.evaluate(letters)
    page.evaluate(f"document.documentElement.style.fontSize = '{text}'")
    assert page.evaluate(letters) == before * int(text[:-1]) / 100, "letters do not grow"
    assert page.evaluate("document.documentElement.scrollWidth") <= 320
    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": TAGS}})
    assert found.response["violations"] == [], found.generate_report()
    context.close()
