"""The dashboard in a real headless browser: what a user does, on a wide and a narrow screen.

Skipped where Chromium or the driver is missing, unless ``CI`` is set. With ``DASHBOARD_SCREENS`` set to a folder, each page is
saved there as a picture at both widths.
"""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import sys
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import openpyxl
import pytest

ROOT = Path(__file__).resolve().parents[2]
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
WIDE, NARROW = {"width": 1280, "height": 900}, {"width": 390, "height": 844}
PAGES = {
    "summary": "Summary",
    "patients": "Patients",
    "bleeds": "Bleeds prevented",
    "money": "Money",
    "risks": "What could go wrong",
    "surveillance": "Surveillance",
    "research": "What to find out",
    "registry": "My registry",
    "inputs": "Inputs and sources",
}
PATIENCE = 60_000
TALLEST = 1900
TALL = "() => document.querySelector('[data-testid=stMainBlockContainer]').scrollHeight"

if not os.environ.get("CI"):
    pytest.importorskip("playwright.sync_api", reason="needs playwright")
    if CHROMIUM is None:
        pytest.skip("needs Chromium", allow_module_level=True)

from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright  # noqa: E402


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    """Start the dashboard as the command does, and give its address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    start = f"from econmodel.interfaces.commands.dashboard import run_dashboard; run_dashboard({port})"
    server = subprocess.Popen(
        [sys.executable, "-c", start],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    assert server.stdout is not None
    said = iter(server.stdout.readline, "")
    found = next(m.group() for line in said if (m := re.search(r"http://127\.0\.0\.1:\d+", line)))
    _wait_for(found)
    yield found
    server.terminate()
    server.wait(timeout=20)
    server.stdout.close()


def _wait_for(address: str) -> None:
    place = urlsplit(address)
    for _ in range(300):
        try:
            socket.create_connection((place.hostname or "", place.port or 0), 0.5).close()
        except OSError:
            time.sleep(0.1)
        else:
            return
    pytest.fail("the dashboard does not answer")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Headless Chromium of the system."""
    with sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield started
        started.close()


class Visit:
    """One visit: a page of a session of its own, with every host asked and every console error kept."""

    def __init__(self, context: BrowserContext, address: str) -> None:
        self.page: Page = context.new_page()
        self.hosts: set[str] = set()
        self.errors: list[str] = []
        self.page.on("request", lambda request: self.hosts.add(urlsplit(request.url).hostname or ""))
        self.page.on("console", lambda said: self.errors.append(said.text) if said.type == "error" else None)
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.goto(address, timeout=PATIENCE)
        self.settle()

    def settle(self) -> None:
        """Wait until the page has been worked out and shown."""
        self.page.wait_for_selector(".foot", timeout=PATIENCE)
        self.page.wait_for_function(
            "() => document.querySelector('[data-testid=stApp]')?.getAttribute('data-test-script-state') === 'notRunning'",
            timeout=PATIENCE,
        )
        self.page.wait_for_timeout(400)

    def turn_to(self, title: str) -> None:
        """Go to another page by its link."""
        self.page.get_by_role("link", name=title, exact=True).click()
        self.page.wait_for_function("title => document.querySelector('h1')?.innerText === title", arg=title, timeout=PATIENCE)
        self.settle()

    def answer(self) -> str:
        """The decision, and the answer for one patient."""
        return self.page.inner_text(".st-key-answer")

    def answer_changes_from(self, before: str) -> str:
        """Wait for another answer, and until all that belongs to it is drawn."""
        self.page.wait_for_function(
            "before => { const now = document.querySelector('.st-key-answer')?.innerText;"
            " return now !== undefined && now !== before; }",
            arg=before,
            timeout=PATIENCE,
        )
        self.settle()
        return self.answer()

    def answers_passed(self) -> list[str]:
        """Every answer on the screen since this was first asked, each once: between two cases none may stand that is of neither."""
        watch = (
            "() => { if (!window.passed) { const look = () => window.passed.add(document.querySelector('.st-key-answer')?.innerText);"
            " window.passed = new Set(); look();"
            " new MutationObserver(look).observe(document.body, {subtree: true, childList: true, characterData: true}); }"
            " return [...window.passed]; }"
        )
        return list(self.page.evaluate(watch))


@pytest.fixture
def wide(browser: Browser, address: str) -> Iterator[Visit]:
    """A visit on a wide screen."""
    with browser.new_context(viewport=WIDE, accept_downloads=True) as context:
        yield Visit(context, address)


def test_no_page_asks_anything_of_another_computer_or_logs_an_error(wide: Visit) -> None:
    """Fonts, scripts and data all come from this computer, on every page; no table is cut at the edge."""
    for title in PAGES.values():
        wide.turn_to(title)
        cut = "() => [...document.querySelectorAll('.scroll')].filter(t => t.scrollWidth > t.clientWidth + 1)"
        assert wide.page.evaluate(f"({cut})().map(t => t.getAttribute('aria-label'))") == [], title
    assert wide.hosts <= {"127.0.0.1", "localhost", ""}
    assert wide.errors == []


def test_the_first_screen_answers_and_two_clicks_change_the_hospital(wide: Visit) -> None:
    """The answer is there at once; country and own hospital are one click each."""
    first = wide.answer()
    assert "$" in first
    wide.page.get_by_text("United Kingdom", exact=True).click()
    second = wide.answer_changes_from(first)
    assert "£" in second
    wide.page.get_by_text("My hospital", exact=True).click()
    wide.answer_changes_from(second)
    assert "case=GB" in wide.page.url


def test_an_input_moved_by_the_keyboard_changes_the_answer_and_the_address(wide: Visit) -> None:
    """A slider answers to the arrow keys, all of the answer at once; opening the address again gives the same answer."""
    before = wide.answer()
    wide.answers_passed()
    slider = wide.page.get_by_role("slider", name=re.compile("after direct endoscopic glue")).first
    slider.focus()
    slider.press("ArrowRight")
    after = wide.answer_changes_from(before)
    assert wide.answers_passed() == [before, after]
    assert "hr_glue" in wide.page.url
    again = Visit(wide.page.context, wide.page.url)
    assert again.answer() == after


def test_a_bad_number_is_refused_in_words_and_the_answer_stays(wide: Visit) -> None:
    """Typed nonsense names the rule."""
    wide.turn_to("Inputs and sources")
    before = wide.answer()
    wide.page.get_by_label("Search by name, words or source").fill("hr_glue")
    wide.page.keyboard.press("Enter")
    wide.settle()
    box = wide.page.get_by_label(re.compile("^Value"))
    box.fill("minus three")
    wide.page.get_by_role("button", name="Use this value").click()
    wide.page.wait_for_selector("[role=alert]", timeout=PATIENCE)
    assert "must be a number" in wide.page.inner_text("[role=alert]")
    assert wide.answer() == before


def test_a_messy_registry_is_read_and_used(wide: Visit) -> None:
    """The invented registry, uploaded as a file, gives values that change the answer; names are nowhere on the page."""
    wide.turn_to("My registry")
    before = wide.answer()
    wide.page.locator("[data-testid=stMain] input[type=file]").first.set_input_files(ROOT / "params/hospitals/demo_registry.csv")
    use = wide.page.get_by_role("button", name="Use them in this case")
    use.wait_for(timeout=PATIENCE)
    wide.settle()
    said = wide.page.inner_text("[data-testid=stMain]")
    assert "held" in said
    assert "Invented Person" not in said
    use.click()
    wide.answer_changes_from(before)


@pytest.mark.parametrize(
    ("name", "content", "expected"),
    [
        ("empty.csv", b"", "empty"),
        ("picture.csv", b"\x89PNG\r\n\x1a\n\x00\x00\x00\x00", "not text"),
        ("letter.csv", b"Dear colleague,\nthank you.\n", "not a registry table"),
        ("bomb.xlsx", b"PK\x03\x04", "damaged"),
    ],
)
def test_bad_registries_are_refused_with_a_sentence(wide: Visit, name: str, content: bytes, expected: str) -> None:
    """Empty, binary, foreign and damaged files leave the page standing."""
    wide.turn_to("My registry")
    file = {"name": name, "mimeType": "text/csv", "buffer": content}
    wide.page.locator("[data-testid=stMain] input[type=file]").first.set_input_files(files=[file])  # type: ignore[list-item]
    wide.page.wait_for_selector("[role=alert]", timeout=PATIENCE)
    assert expected in wide.page.inner_text("[role=alert]")


def test_formulas_and_markup_in_a_registry_do_nothing(wide: Visit) -> None:
    """A formula cell and a tag in a name are shown as text or dropped; no script runs, nothing is fetched."""
    rows = (
        "id,decision date,strategy,bled,bleed date,last seen,<img src=http://example.invalid/x onerror=alert(1)>\n"
        "=HYPERLINK(1),2020-01-13,none,no,,2022-01-20,a\n"
        "<script>alert(1)</script>,2020-01-14,none,yes,2020-06-20,2022-01-20,b\n"
        + "".join(f"p{i},2020-01-{i + 13},none,no,,2022-01-20,c\n" for i in range(10))
    )
    wide.turn_to("My registry")
    alerts: list[str] = []
    wide.page.on("dialog", lambda dialog: (alerts.append(dialog.message), dialog.dismiss()))
    file = {"name": "x.csv", "mimeType": "text/csv", "buffer": rows.encode()}
    wide.page.locator("[data-testid=stMain] input[type=file]").first.set_input_files(files=[file])  # type: ignore[list-item]
    wide.page.get_by_text("Counts at every step").wait_for(timeout=PATIENCE)
    wide.settle()
    assert alerts == []
    assert wide.hosts <= {"127.0.0.1", "localhost", ""}


def test_a_filled_form_shows_its_differences_and_is_used(wide: Visit, tmp_path: Path) -> None:
    """The form is downloaded, one answer filled in, loaded back, shown beside ours, and used."""
    wide.turn_to("Inputs and sources")
    wide.page.get_by_role("tab", name="Ask those who know").click()
    before = wide.answer()
    form = _download(wide, "Download the form (XLSX)", tmp_path / "form.xlsx")
    book = openpyxl.load_workbook(form)
    sheet = book["Procurement"]
    heading = next(row for row in sheet.iter_rows() if row[0].value == "Question")
    column = next(cell.column for cell in heading if cell.value == "Your value")
    asked = next(row for row in sheet.iter_rows() if row[2].value == "c_coil")
    sheet.cell(asked[0].row, column).value = 900
    book.save(form)
    wide.page.locator("[data-testid=stMain] input[type=file]").set_input_files(form)
    use = wide.page.get_by_role("button", name="Use these answers")
    use.wait_for(timeout=PATIENCE)
    assert "900" in wide.page.get_by_role("region", name="Differences from the present values").inner_text()
    assert wide.answer() == before
    use.click()
    wide.answer_changes_from(before)


def test_brief_reports_and_case_file_are_downloaded_and_the_case_opens_again(wide: Visit, tmp_path: Path) -> None:
    """What is saved can be opened; the case file brings the answer back."""
    before = wide.answer()
    slider = wide.page.get_by_role("slider", name=re.compile("after direct endoscopic glue")).first
    slider.focus()
    slider.press("ArrowRight")
    changed = wide.answer_changes_from(before)
    wide.page.get_by_role("tab", name="Take away").click()
    brief = _download(wide, "Brief (web page)", tmp_path / "brief.html")
    assert "Invented data" in brief.read_text(encoding="utf-8")
    packed = _download(wide, re.compile("Charts, data and papers"), tmp_path / "reports.zip")
    assert {"results.json", "figures/first_bleeds.svg"} <= set(zipfile.ZipFile(packed).namelist())
    saved = _download(wide, "Save the case file", tmp_path / "mine.toml")
    wide.page.get_by_role("button", name="Undo all changes").click()
    wide.answer_changes_from(changed)
    wide.page.locator("[data-testid=stSidebar] input[type=file]").set_input_files(saved)
    assert wide.answer_changes_from(before) == changed


def _download(visit: Visit, name: str | re.Pattern[str], target: Path) -> Path:
    with visit.page.expect_download(timeout=PATIENCE) as started:
        visit.page.get_by_role("button", name=name).click()
    started.value.save_as(target)
    return target


def test_all_inputs_are_varied_together_on_demand(wide: Visit) -> None:
    """The analysis runs when asked for and says whether the draws suffice."""
    wide.turn_to("What could go wrong")
    for tab in ("How sure is the answer?", "All inputs together"):
        wide.page.get_by_role("tab", name=tab).click()
    wide.page.get_by_role("button", name="Vary all inputs together").click()
    wide.page.get_by_text(re.compile("draws (suffice|leave)")).first.wait_for(timeout=PATIENCE)


def test_five_sessions_at_once_stay_correct_and_separate(browser: Browser, address: str) -> None:
    """Each session keeps its own change; equal cases give equal answers."""
    values = (0.3, 0.35, 0.4, 0.45, 0.3)
    contexts = [browser.new_context(viewport=WIDE) for _ in values]
    visits = [Visit(context, f"{address}/?case=demo&set=hr_glue={value}") for context, value in zip(contexts, values, strict=True)]
    answers = [visit.answer() for visit in visits]
    for context in contexts:
        context.close()
    assert answers[0] == answers[4]
    assert len(set(answers)) == 4


@pytest.mark.parametrize("size", [WIDE, NARROW], ids=["wide", "narrow"])
def test_every_page_fits_its_screen(browser: Browser, address: str, size: dict[str, int]) -> None:
    """No page scrolls sideways or, wide, is taller than two screens; with ``DASHBOARD_SCREENS`` each is kept as a picture."""
    folder = os.environ.get("DASHBOARD_SCREENS")
    with browser.new_context(viewport=size) as context:  # type: ignore[arg-type]
        visit = Visit(context, address)
        for key, title in PAGES.items():
            visit.turn_to(title)
            across = visit.page.evaluate(
                "() => document.querySelector('[data-testid=stMain]').scrollWidth"
                " - document.querySelector('[data-testid=stMain]').clientWidth"
            )
            assert across <= 0, title
            assert size is NARROW or visit.page.evaluate(TALL) <= TALLEST, title
            if folder:
                _picture(visit, size, Path(folder) / f"{key}_{size['width']}.png")


def _picture(visit: Visit, size: dict[str, int], target: Path) -> None:
    whole = visit.page.evaluate(TALL)
    visit.page.set_viewport_size({"width": size["width"], "height": min(int(whole) + 40, TALLEST)})
    visit.page.wait_for_timeout(500)
    target.parent.mkdir(parents=True, exist_ok=True)
    visit.page.screenshot(path=target)
    visit.page.set_viewport_size(size)  # type: ignore[arg-type]
