"""The dashboard's logic, page by page, without a browser."""

from __future__ import annotations

import ast
import io
import re
from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest
from streamlit.testing.v1 import AppTest

from econmodel import workflow
from econmodel.economics.evaluate import evaluate
from econmodel.economics.results import Results, case_results
from econmodel.errors import EconModelError
from econmodel.interfaces.commands.dashboard import free_port, read_settings
from econmodel.interfaces.dashboard.controls import step
from econmodel.interfaces.dashboard.pages.inputs import blank_form
from econmodel.interfaces.dashboard.screen_words import SPOKEN_OF, on_screen
from econmodel.interfaces.dashboard.state import case_file, session
from econmodel.interfaces.dashboard.state.address import address_of, case_of
from econmodel.interfaces.start import case_of as case_of_answers
from econmodel.parameters.loading import demo_file, load_case
from econmodel.parameters.schema import Surveillance
from econmodel.reporting import formatting as f
from econmodel.reporting.form.build import build_form
from econmodel.reporting.papers import phrases
from econmodel.reporting.papers.programme import key_numbers
from econmodel.reporting.tables.programme import reconciliation_table
from econmodel.reporting.tables.surveillance import protocol_numbers
from econmodel.uncertainty.surveillance import compare_protocols, lay_protocols

ROOT = Path(__file__).resolve().parents[2]
PAGES = ("summary", "patients", "bleeds", "money", "risks", "surveillance", "research", "registry", "inputs")


def open_page(key: str = "summary", **query: str | list[str]) -> AppTest:
    """Open one page inside its frame, as the navigation does."""
    script = f"from econmodel.interfaces.dashboard.shell import show_page\nshow_page({key!r})\n"
    page = AppTest.from_string(script, default_timeout=120)
    for name, value in query.items():
        page.query_params[name] = value
    page.run()
    assert not page.exception, page.exception
    return page


def words(page: AppTest) -> str:
    """Everything said in HTML on the page."""
    return " ".join(str(block.proto.body) for block in page.get("html"))


def results(*sets: str) -> Results:
    """Results of the demo hospital by the library alone."""
    case = load_case(demo_file(), sets=sets)
    return case_results(case, evaluate(case.parameters))


def test_the_metrics_shown_equal_the_reporting_table() -> None:
    """Every tile of the summary is a key number of the brief, in order, and the sentence is its decision, at most 40 words."""
    page, case, found = open_page(), load_case(demo_file()), results()
    plan = workflow.run_programme(case, worse=False)
    expected = [(n.label, n.value) for n in key_numbers(case, found, plan, None).numbers]
    assert [(m.label, m.value) for m in page.metric] == expected
    assert plan.decision
    assert f'aria-live="polite"><p class="say answer">{plan.decision.does}' in words(page)
    assert len(plan.decision.does.split()) <= 40
    assert phrases.answer(found) in words(page)
    for row in reconciliation_table(plan)[0].rows:
        assert f"<b>{row[1]}</b>" in words(page)
    turns = workflow.turns_of(case)
    assert turns
    assert turns.sentence in words(page)


def test_a_number_that_is_asked_about_is_explained_and_stays_so_as_inputs_move() -> None:
    """Nothing is worked out unasked; what leads to it, its inputs with their source, and what moves it follow the case."""
    page = open_page()
    assert "The arithmetic" not in words(page)
    page.selectbox(key="explained").set_value(0).run()
    assert "The inputs in it" in words(page)
    page.selectbox(key="explained").set_value(1).run()
    assert "What moves it most, one input at a time." in words(page)
    before = page.metric[1].value
    page.slider(key="aside_hr_glue").set_value(0.5).run()
    after = page.metric[1].value
    assert before != after
    assert f'<th scope="row">One divided by it</th><td class="number" data-label="Number">{after}</td>' in words(page)


def test_a_pinned_case_stands_beside_the_one_that_is_changed() -> None:
    """The difference of each headline number, what each table had, both files; unpinned, nothing of it is left."""
    visit = Visit("bleeds")
    page = visit.page
    page.session_state["bleeds_part"] = "NNT"
    submit(page, "Pin this case")
    assert "(was " not in words(page)
    page.slider(key="aside_hr_glue").set_value(0.5).run()
    assert f"(was {f.nnt(results().against('watch', 'glue').whole.nnt[5])})" in words(page)
    assert "hr_glue" not in session.case_text(*page.session_state["pinned"][:2], "Mine")
    both = [load_case(demo_file(), sets=sets) for sets in ((), ("hr_glue=0.5",))]
    first, second = (workflow.run_programme(case, worse=False).headline.npv_cash for case in both)
    visit.turn_to("summary")
    assert first != second
    assert "grey: pinned" in words(page)
    row = words(page).split('<th scope="row">Net present value in cash</th>')[1].split("</tr>")[0]
    assert [f.money(first, "USD"), f.money(second, "USD"), f.money_change(second - first, "USD")] == re.findall(r">([^<]+)</td>", row)
    submit(page, "Unpin")
    assert "Two cases side by side" not in words(page)


def test_a_changed_case_does_not_equal_the_unchanged_table() -> None:
    """Negative control: the comparison above notices another input."""
    page = open_page(set="hr_glue=0.5")
    case = load_case(demo_file())
    shown = key_numbers(case, results(), workflow.run_programme(case, worse=False), None)
    assert [m.value for m in page.metric] != [n.value for n in shown.numbers]


def test_moving_a_slider_gives_the_answer_of_the_command_line() -> None:
    """A slider is a ``--set``: same sentence, and the address carries it."""
    page = open_page()
    page.slider(key="aside_hr_glue").set_value(0.5).run()
    assert phrases.answer(results("hr_glue=0.5")) in words(page)
    assert "hr_glue=0.5" in page.query_params["set"]


@pytest.mark.parametrize("key", PAGES)
def test_every_page_says_the_answer_the_evidence_the_harms_and_that_data_are_invented(key: str) -> None:
    """Nothing is shown without its grade, its harms, the cautions and the banner."""
    said = words(open_page(key))
    for expected in (phrases.answer(results()), "Certainty of the evidence", "Harms:", "Not advice for a patient", "Invented data"):
        assert expected in said
    assert not SPOKEN_OF.search(said)


@pytest.mark.parametrize(
    ("key", "part", "captions"),
    [
        ("bleeds", "NNT", ("NNT against",)),
        ("bleeds", "Bleeds averted and harms", ("Bleeds averted over 5 years, against",)),
        ("money", "Whose money is counted", ("Net cost per patient over 5 years against",)),
        ("patients", "Risk and benefit by patient group", ()),
    ],
)
def test_each_comparator_stands_beside_the_others(key: str, part: str, captions: tuple[str, ...]) -> None:
    """Usual care, no prophylaxis and the next strategy of the route, wherever bleeds, NNT or cost are compared."""
    page = open_page(key)
    page.session_state[f"{key}_part"] = part
    found, said = results(), words(page.run())
    assert list(found.comparisons) == [found.usual_care, "watch", found.next_of_route]
    for versus in found.comparisons:
        name = found.labels[versus]
        for caption in captions or ("NNT at 5 years v.",):
            assert f"{caption} {name[:1].lower()}{name[1:]}" in said or f"{caption} {name}" in said


def test_no_sentence_of_the_library_speaks_of_the_command_line_on_the_screen() -> None:
    """Options and verbs, wherever a message may come from, are put in words of the screen."""
    left, seen = [], 0
    for file in sorted((ROOT / "econmodel").rglob("*.py")):
        if "interfaces" not in file.parts:
            texts = [n.value for n in ast.walk(ast.parse(file.read_text(encoding="utf-8"))) if isinstance(n, ast.Constant)]
            spoken = [text for text in texts if isinstance(text, str) and SPOKEN_OF.search(text)]
            seen += len(spoken)
            left += [text for text in spoken if SPOKEN_OF.search(on_screen(text))]
    assert left == []
    assert seen > 50


def test_a_value_a_hundred_times_ours_is_warned_of_in_its_confirmation_and_on_every_other_page() -> None:
    """A wrong unit is seen before it is believed."""
    page = open_page("inputs")
    page.text_input(key="inputs_search").set_value("c_coil").run()
    page.text_input(key="inputs_c_coil_value").set_value("24,000")
    submit(page, "Use this value")
    assert "c_coil is now 24,000 USD/coil. That is 100 times ours" in words(page)
    again = "Look again before use: c_coil = 24,000 USD/coil is 100 times ours: check the unit."
    assert again in words(open_page("patients", set="c_coil=24000"))


class Visit:
    """A session that goes from page to page: what a box holds is forgotten by the library when its page is left."""

    def __init__(self, key: str) -> None:
        script = "from econmodel.interfaces.dashboard import shell\nshell.show_page(shell.st.session_state.page)\n"
        self.page = AppTest.from_string(script, default_timeout=120)
        self.turn_to(key)

    def turn_to(self, key: str) -> None:
        """Show another page of the same session."""
        self.page.session_state["page"] = key
        self.page.run()
        assert not self.page.exception, self.page.exception


def test_draws_are_not_drawn_again_nor_shown_to_be() -> None:
    """What was worked out once is there when the page is shown again, without a bar."""
    page = open_page("risks")
    assert not page.select_slider
    page.session_state["risks_part"] = "How sure is the answer?"
    page.session_state["sure_part"] = "All inputs together"
    page.run()
    page.select_slider(key="psa_draws").set_value(500)
    submit(page, "Vary all inputs together")
    page.run()
    assert not page.exception
    assert "with 95% intervals" in words(page)
    assert len(page.get("progress")) == 0
    assert "run again" not in words(page)
    page.select_slider(key="psa_draws").set_value(1000).run()
    assert "Of an earlier case or choice: run again." in words(page)
    assert "with 95% intervals" in words(page)


def test_the_programmes_money_is_asked_of_two_inputs_and_of_other_assumptions() -> None:
    """Its map has the inputs of money, its scenarios begin with the case's own net present value; no options are then compared."""
    page = open_page("risks")
    for key, value in (("risks_part", "How sure is the answer?"), ("sure_part", "Two inputs"), ("ask_outcome", "npv_cash")):
        page.session_state[key] = value
    page.run()
    assert not page.exception, page.exception
    assert "The programme: net present value in cash over 5 years" in words(page)
    assert (page.selectbox(key="money_x").value, page.selectbox(key="money_y").value) == ("ratio_volume", "ratio_payment")
    assert page.selectbox(key="ask_strategy").disabled
    page.session_state["sure_part"] = "Other assumptions"
    page.run()
    submit(page, "Try every other assumption")
    worth = f.money(workflow.run_programme(load_case(demo_file()), worse=False).headline.npv_cash, "USD")
    assert f'<th scope="row">This case</th><td class="number" data-label="Cash NPV">{worth}' in words(page)


def test_a_bad_number_keeps_the_last_good_answer_and_says_why() -> None:
    """A share above 1 is refused with the rule, and the answer stays."""
    page = open_page("inputs")
    page.text_input(key="inputs_search").set_value("share_female").run()
    page.text_input(key="inputs_share_female_value").set_value("1.7")
    submit(page, "Use this value")
    said = words(page)
    assert "must be between 0 and 1" in said
    assert phrases.answer(results()) in said


def submit(page: AppTest, label: str) -> None:
    """Press the button with this label."""
    next(b for b in page.button if b.label == label).click().run()
    assert not page.exception, page.exception


def test_a_typed_value_is_used_and_can_be_reset() -> None:
    """An exact value with its reason becomes the site's own; reset brings the start's back."""
    page = open_page("inputs")
    page.text_input(key="inputs_search").set_value("c_bleed_mean").run()
    page.text_input(key="inputs_c_bleed_mean_value").set_value("25,000")
    submit(page, "Use this value")
    assert phrases.answer(results("c_bleed_mean=25000")) in words(page)
    submit(page, next(b.label for b in page.button if b.label.startswith("Reset")))
    assert phrases.answer(results()) in words(page)


def test_changes_are_undone_and_redone_one_by_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """The address follows; what was undone is gone once something else is changed."""
    monkeypatch.setattr(session, "TOGETHER", 0.0)
    page = open_page("research", set="c_coil=300")
    assert next(b for b in page.button if b.label == "Undo").disabled
    page.slider(key="aside_hr_glue").set_value(0.5).run()
    page.slider(key="aside_hr_glue").set_value(0.4).run()
    submit(page, "Undo")
    assert phrases.answer(results("c_coil=300", "hr_glue=0.5")) in words(page)
    assert "hr_glue=0.5" in page.query_params["set"]
    submit(page, "Redo")
    assert phrases.answer(results("c_coil=300", "hr_glue=0.4")) in words(page)
    submit(page, "Undo")
    page.slider(key="aside_hr_glue").set_value(0.3).run()
    assert next(b for b in page.button if b.label == "Redo").disabled


def test_moves_of_one_slider_in_a_row_are_one_step_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two moves of it, then one of another: Undo takes back the other, then both."""
    monkeypatch.setattr(session, "TOGETHER", 600.0)
    page = open_page("research", set="c_coil=300")
    for name, value in (("hr_glue", 0.5), ("hr_glue", 0.4), ("hr_coil_and_glue_vs_glue", 0.6)):
        page.slider(key=f"aside_{name}").set_value(value).run()
    submit(page, "Undo")
    assert phrases.answer(results("c_coil=300", "hr_glue=0.4")) in words(page)
    submit(page, "Undo")
    assert phrases.answer(results("c_coil=300")) in words(page)


def test_the_meeting_view_shows_one_block_a_screen() -> None:
    """No controls beside it; Next turns to the tiles, and leaving brings the page back."""
    page = open_page("research")
    submit(page, "Meeting view")
    assert [h.value for h in page.header] == ["The decision"]
    assert not page.slider
    submit(page, "Next")
    assert len(page.metric) == 8
    assert "Invented data" in words(page)
    submit(page, "Leave the meeting view")
    assert page.slider


def test_a_decimal_comma_is_no_mark_of_thousands() -> None:
    """0,35 is read as 0.35 and said in full with its unit; where groups fit no reading the value is refused."""
    page = open_page("inputs")
    page.text_input(key="inputs_search").set_value("share_female").run()
    page.text_input(key="inputs_share_female_value").set_value("0,35")
    submit(page, "Use this value")
    assert phrases.answer(results("share_female=0.35")) in words(page)
    page.text_input(key="inputs_share_female_value").set_value("1.25.3")
    submit(page, "Use this value")
    assert "groups of three" in words(page)


def test_a_mix_that_does_not_sum_to_one_is_refused() -> None:
    """Shares are never rescaled in silence."""
    page = open_page("patients")
    first = next(t for t in page.text_input if t.key and t.key.startswith("shares_case_mix_") and t.key.endswith("_0"))
    first.set_value("0.9")
    submit(page, "Use this mix")
    assert "sum to" in words(page)


def test_an_option_dropped_is_in_the_address_and_the_programme_says_what_it_misses() -> None:
    """Without coil and glue the answer is about what else gains share, and the proposed mix must be mended."""
    page = open_page("money", drop="coil_and_glue")
    said = words(page)
    assert "Direct endoscopic glue over five years: against a non-selective beta-blocker" in said
    assert "which is not a strategy of this case" in said


def test_a_proposed_mix_that_does_not_sum_to_one_is_refused() -> None:
    """The programme's own inputs are tried too before a change is kept."""
    page = open_page("money")
    before = page.session_state["edits"]
    next(t for t in page.text_input if t.key and t.key.startswith("shares_proposed_mix_")).set_value("0.9")
    next(b for b in page.button if b.label == "Use this mix" and "proposed" in str(b.proto.form_id)).click().run()
    assert "Not changed." in words(page)
    assert page.session_state["edits"] == before


def test_an_address_that_makes_no_sense_is_refused_in_words() -> None:
    """A name that does not exist in the address leaves the case as it was, with the nearest name."""
    said = words(open_page(set="hr_glu=0.4"))
    assert "Not changed." in said
    assert phrases.answer(results()) in said


def test_sessions_do_not_see_each_other() -> None:
    """A change in one session leaves another as it was."""
    one, two = open_page(), open_page()
    one.slider(key="aside_hr_glue").set_value(0.5).run()
    two.run()
    assert phrases.answer(results("hr_glue=0.5")) in words(one)
    assert phrases.answer(results()) in words(two)


@pytest.mark.parametrize("start", ["us", "uk"])
def test_national_start_has_no_invented_value(start: str) -> None:
    """My hospital holds no value of the fictional one, in either country."""
    page = open_page(case=start)
    assert "Invented data" not in words(page)
    assert not case_file.load_start(start).is_demo


def test_the_british_start_is_the_price_list_and_its_conventions() -> None:
    """Two clicks give what a file that chooses the country gives on the command line, its conventions with it."""
    found = case_file.load_start("GB").parameters
    plain = load_case(None, sets=["price_list=uk"]).parameters
    assert (plain.text("life_table"), plain.number("discount_costs")) == ("england_wales_2000_02", 0.035)
    differing = {name for name in plain.parameters if (plain[name].value, plain[name].table) != (found[name].value, found[name].table)}
    assert differing == set()
    assert "£" in words(open_page("risks", case="uk"))
    assert "$" not in words(open_page("risks", case="uk"))


def test_the_price_list_of_a_loaded_case_is_that_of_its_start() -> None:
    """A file that builds on the fictional hospital and names another list would mix two currencies: refused."""
    with pytest.raises(EconModelError, match="price_list = 'GB'"):
        open_file(b"baseline = 'demo'\n[override.price_list]\nvalue = 'uk'\nreason = 'x'\n")


@pytest.mark.parametrize("start", [*case_file.FICTIONAL, "US", "GB", "IN;payment_basis=block"])
def test_a_saved_case_opens_again_as_it_was(start: str) -> None:
    """The file holds the start and every change."""
    edits: case_file.Edits = {
        "override": {"hr_glue": case_file.change(0.41)},
        "strategy": {"coil": {"drop": True, "reason": "not offered"}},
    }
    text = case_file.case_text(start, edits, 'A "quoted" title\n')
    found, again, title = case_file.read_case(case_file.MemoryFile("mine.toml", text.encode()))
    assert (found, title) == (start, 'A "quoted" title\n')
    assert session.build(found, again).parameters.sha256 == session.build(start, edits).parameters.sha256


@pytest.mark.parametrize("start", ["demo", "GB"])
def test_a_case_saved_unchanged_opens_again(start: str) -> None:
    """Nothing changed is a case too."""
    text = case_file.case_text(start, {}, "Mine")
    assert case_file.read_case(case_file.MemoryFile("mine.toml", text.encode())) == (start, {}, "Mine")


def test_a_file_of_another_country_is_taken() -> None:
    """What ``econmodel new`` writes gives the same inputs here, and its saved case and its link the same again."""
    case, text = case_of_answers({"country": "IN", "payment_basis": "block", "values": {"n_endoscoped": 900.0}}, "india", Path())
    start, edits, title = case_file.read_case(case_file.MemoryFile("india.toml", text.encode()))
    assert start == "IN;payment_basis=block"
    assert session.build(start, edits).parameters.sha256 == case.parameters.sha256
    saved = case_file.case_text(start, edits, title)
    assert case_file.read_case(case_file.MemoryFile("india.toml", saved.encode()))[:2] == (start, edits)
    page = open_page("money", **address_of(start, edits))
    assert "₹" in words(page) or "INR" in words(page)
    assert "India" in [o for radio in page.radio for o in radio.options] or page.session_state["start"] == start


def test_a_link_holds_the_whole_case_or_says_that_it_does_not() -> None:
    """Tables, reasons and schedules too; a case beyond what a link carries opens with a word about it, not as another case."""
    mix = [{"strategy": "watch", "share": 0.5}, {"strategy": "coil_and_glue", "share": 0.5}]
    edits: case_file.Edits = {
        "override": {
            "hr_glue": case_file.change(0.41),
            "c_coil": case_file.change(900.0, 'the "list", 5 May'),
            "proposed_mix": {"table": mix, "status": "local", "reason": "r"},
        },
        "strategy": {"coil": {"drop": True, "reason": case_file.REASON}, "glue": case_file.follow("surveillance_egd", 6, 0, 3)},
    }
    assert case_of(address_of("demo", edits)) == ("demo", edits)
    long: case_file.Edits = {"override": {"c_coil": case_file.change(900.0, "x" * 5000)}}
    assert address_of("demo", long) == {"case": ["demo"], "whole": ["no"]}
    assert "does not hold its whole case" in words(open_page(whole="no"))


@pytest.mark.parametrize("address", [{"case": "atlantis"}, {"hr_glue": "0.4"}, {"more": "override = 3"}, {"more": "[["}])
def test_an_address_that_is_not_known_is_said(address: dict[str, str]) -> None:
    """No part of an address is left out in silence."""
    assert "Not changed." in words(open_page(**address))


def test_a_saved_case_runs_on_the_command_line(tmp_path: Path) -> None:
    """The same file as an override of the fictional hospital gives the same inputs."""
    edits: case_file.Edits = {"override": {"hr_glue": case_file.change(0.41)}}
    file = tmp_path / "mine.toml"
    file.write_text(case_file.case_text("demo", edits, "Mine"), encoding="utf-8")
    assert load_case(demo_file(), [file]).parameters.sha256 == session.build("demo", edits).parameters.sha256


def open_file(content: bytes) -> None:
    """Open an uploaded case file as the page does."""
    start, edits, _ = case_file.read_case(case_file.MemoryFile("x.toml", content))
    session.build(start, edits)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "changes no input"),
        (b"\x00\x01\xff\xfe binary", "cannot be read as UTF-8 text"),
        (b"title = ", "not valid TOML"),
        (b"[project]\nname = 'x'\n", "not a case file"),
        (b"[override.hr_glu]\nvalue = 0.4\n", "hr_glu"),
    ],
)
def test_bad_case_files_are_refused_with_a_sentence(content: bytes, said: str) -> None:
    """Empty, binary, broken, foreign and misspelt files each say what is wrong."""
    with pytest.raises(EconModelError) as refused:
        open_file(content)
    assert said in str(refused.value)


def test_an_upload_that_is_too_large_is_refused() -> None:
    """The limit is said in the message, and a folder in the name is dropped."""
    with pytest.raises(EconModelError, match="at most 10"):
        case_file.uploaded("x.csv", b"12345678901", largest=10)
    assert case_file.uploaded("../../etc/x.csv", b"1").name == "x.csv"


def tiles(page: AppTest) -> list[tuple[str, str]]:
    """Tiles of a page."""
    return [(m.label, m.value) for m in page.metric]


def followed_up(months: list[int], interval: int, visit: str, *sets: str) -> list[tuple[str, str]]:
    """Tiles of the lead's follow-up under a schedule, by the library alone."""
    parameters = load_case(demo_file(), sets=sets).parameters
    row = replace(parameters.strategies["coil_and_glue"], surveillance=Surveillance(tuple(months), interval, visit))
    plans = lay_protocols(replace(parameters, strategies=parameters.strategies | {row.key: row}), row.key)
    return [(n.label, n.value) for n in protocol_numbers(compare_protocols(plans, "Here")).numbers]


def test_bleeds_and_cost_move_together_as_the_interval_is_dragged() -> None:
    """Each step of the slider is the library's answer: seldom looked at, fewer bleeds are averted at less cost."""
    page = open_page("surveillance")
    assert tiles(page) == followed_up([3, 6, 12], 12, "surveillance_eus")
    averted, cost = [], []
    for months in (6, 12, 24, 60):
        page.select_slider(key="plan_interval").set_value(months).run()
        assert tiles(page) == followed_up([3, 6, 12], months, "surveillance_eus")
        averted.append(float(page.metric[0].value))
        cost.append(float(page.metric[1].value.lstrip("+$").replace(",", "")))
    assert averted == sorted(averted, reverse=True)
    assert cost == sorted(cost, reverse=True)
    assert len(set(averted)) == len(set(cost)) == 4


def test_the_schedule_is_in_the_case_and_in_the_address() -> None:
    """Examination and attendance too: a link gives the same tiles; the saved file has the schedule; undone, it is the start's."""
    page = open_page("surveillance")
    page.selectbox(key="plan_visit").set_value("surveillance_egd").run()
    page.slider(key="surveillance_r_lost").set_value(0.4).run()
    wanted = followed_up([3, 6, 12], 12, "surveillance_egd", "r_lost=0.4")
    assert tiles(page) == wanted
    assert "coil_and_glue:surveillance_egd:12:0:3:6:12" in page.query_params["follow"]
    again = open_page("surveillance", follow="coil_and_glue:surveillance_egd:12:0:3:6:12", set="r_lost=0.4")
    assert tiles(again) == wanted
    text = case_file.case_text("demo", again.session_state["edits"], "Mine")
    edits = case_file.read_case(case_file.MemoryFile("mine.toml", text.encode()))[1]
    assert session.build("demo", edits).parameters.strategies["coil_and_glue"].surveillance.visit == "surveillance_egd"
    submit(page, "Undo this schedule")
    assert tiles(page) == followed_up([3, 6, 12], 12, "surveillance_eus", "r_lost=0.4")


@pytest.mark.parametrize(
    "plan", ["coil_and_glue", "coil_and_glue:surveillance_egd:often:0", "coil_and_glue:surveillance_egd:12:0:6:3"]
)
def test_a_schedule_that_makes_no_sense_is_refused_in_words(plan: str) -> None:
    """A link with a broken schedule leaves the case as it was."""
    page = open_page("surveillance", follow=plan)
    assert "Not changed." in words(page)
    assert tiles(page) == followed_up([3, 6, 12], 12, "surveillance_eus")


def test_what_surveillance_is_worth_is_said_once_asked() -> None:
    """The sentences of the command line, and two maps."""
    page = open_page("surveillance")
    assert "is the best value of these" not in words(page)
    page.toggle(key="surveillance_worth").set_value(True).run()
    assert "is the best value of these" in words(page)
    assert words(page).count("<figure") == 3


def test_the_invented_registry_is_read_and_its_values_used() -> None:
    """The registry page reads a messy file and puts its values in the case."""
    visit = Visit("registry")
    page = visit.page
    submit(page, "Try with an invented registry")
    visit.turn_to("inputs")
    visit.turn_to("registry")
    assert "dropped on load, as identifiers" in words(page)
    assert "column G (child), words not known: no. 1" in words(page)
    for key, text in (("column", "g"), ("row", "50"), ("meaning", "C")):
        page.text_input(key=f"registry_word_{key}").set_value(text)
    page.run()
    submit(page, "Explain it")
    assert "words not known" not in words(page)
    submit(page, "Use them in this case")
    submit(page, "Forget the registry that is loaded")
    assert "Counts at every step" not in words(page)
    assert page.session_state["edits"]["override"]["share_female"]["status"] == "demo"


def test_a_claim_is_checked_and_nonsense_refused() -> None:
    """Counts and an NNT give the implied untreated risk; a risk above 1 is refused."""
    visit = Visit("bleeds")
    page = visit.page
    page.session_state["bleeds_part"] = "Check a claim"
    page.run()
    page.text_input(key="claim_treated").set_value("6/80")
    page.text_input(key="claim_nnt").set_value("3")
    submit(page, "Check the claim")
    assert "40.8%" in words(page)
    visit.turn_to("inputs")
    visit.turn_to("bleeds")
    assert "40.8%" in words(page)
    page.text_input(key="claim_treated").set_value("90/80")
    submit(page, "Check the claim")
    assert "90" in words(page)
    assert "40.8%" not in words(page)


def test_text_of_a_user_is_never_markup() -> None:
    """A name with a tag in it is shown as text."""
    page = open_page(set="hr_glue=<img src=x onerror=alert(1)>")
    assert "<img src=x" not in words(page)
    assert "&lt;img src=x" in words(page)


def test_pages_hold_no_numerical_library() -> None:
    """No page imports numpy or pandas to run; numbers come from the library."""
    for file in (ROOT / "app.py", *sorted((ROOT / "econmodel/interfaces/dashboard").glob("*.py"))):
        tree = ast.parse(file.read_text(encoding="utf-8"))
        guarded = {id(n) for i in ast.walk(tree) if isinstance(i, ast.If) for n in ast.walk(i)}
        names = [a.name for n in ast.walk(tree) if isinstance(n, ast.Import) and id(n) not in guarded for a in n.names]
        assert not {"numpy", "pandas", "scipy"} & set(names), file.name


def test_the_server_stays_on_this_computer_and_sends_nothing() -> None:
    """Settings: loopback, no telemetry, nothing asked."""
    settings = read_settings(ROOT)
    assert settings["server.address"] == "127.0.0.1"
    assert settings["browser.gatherUsageStats"] is False
    assert settings["server.headless"] is True


def test_a_port_in_use_is_passed_over() -> None:
    """The next free port is taken."""
    import socket

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert free_port(port) != port
    with pytest.raises(EconModelError, match="no port"):
        free_port(70_000)


def test_steps_of_sliders_are_round() -> None:
    """A hundredth of the range, rounded up to 1, 2 or 5."""
    assert [step(0.0, 1.0), step(100.0, 400.0), step(0.2, 0.6)] == [0.01, 5.0, 0.005]


def test_the_form_begins_with_what_to_find_out_first(tmp_path: Path) -> None:
    """The form that is downloaded is the one that ``econmodel form`` writes, its first sheet included."""
    found = workflow.answer(case := load_case(demo_file(), sets=["draws=64"]))
    ours = openpyxl.load_workbook(build_form(case, tmp_path / "form.xlsx", workflow.first_asked(case))).worksheets[0]
    theirs = openpyxl.load_workbook(io.BytesIO(blank_form(found))).worksheets[0]
    said = [[cell.value for cell in row] for row in theirs.iter_rows()]
    assert said == [[cell.value for cell in row] for row in ours.iter_rows()]
    plain = openpyxl.load_workbook(build_form(case, tmp_path / "plain.xlsx")).worksheets[0]
    assert said != [[cell.value for cell in row] for row in plain.iter_rows()]


def test_what_to_find_out_is_worked_out_when_asked_for() -> None:
    """The page says what it is about; asked, it tells what doubt costs and lists the studies, and any one of them by size."""
    page = open_page("research")
    assert "value of information" in words(page)
    assert "Being wrong costs" not in words(page)
    page.select_slider(key="research_draws").set_value(500)
    submit(page, "Work out what it is worth to know more")
    said = words(page)
    for part in (
        "To ask in the house",
        "Being wrong costs",
        "Group of inputs",
        "Studies proposed",
        "EUS-guided coil and glue against a beta-blocker",
        "by size",
    ):
        assert part in said
    assert words(page).count("<figure") == 2
    page.selectbox(key="research_trial").set_value("registry_untreated").run()
    assert "Own registry of untreated patients, by size" in words(page)
