"""Pasted claims whose answers were worked out by hand, and whole tables against brute force (common practice, no source)."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from econmodel.errors import ParameterError
from econmodel.evidence.claims import check_claim, read_pasted
from econmodel.evidence.claims.figures import Figure, Sizes
from econmodel.evidence.claims.joint import joint_solution, meets

CLAIMS = list(csv.DictReader((Path(__file__).parent / "data" / "claims.csv").read_text(encoding="utf-8").splitlines()))


def answer(text: str) -> dict:
    pasted = read_pasted(text)
    return check_claim(pasted.claim, unread=pasted.unread).to_dict()


@pytest.fixture(scope="module")
def claims() -> dict[str, dict]:
    """Every listed claim, answered as printed."""
    return {row["id"]: answer(row["printed"]) for row in CLAIMS}


def test_nothing_of_the_listed_claims_is_unread(claims: dict[str, dict]) -> None:
    """All eight are read whole."""
    assert len(claims) == 8
    assert {key: found["unread"] for key, found in claims.items() if found["unread"]} == {}


def test_counts_with_and_without_labels(claims: dict[str, dict]) -> None:
    """K1: labels rule; without them the first of a v is treated, and the order is asked."""
    found = answer("untreated 7/34 v treated 1/34")
    assert 100 * found["implied"]["arr"] == pytest.approx(17.6, abs=0.05)
    assert found["implied"]["nnt"] == {"value": pytest.approx(5.67, abs=0.005), "kind": "NNTB"}
    assert found["interval"]["nnt_text"] == "NNTB 2.94 to 52.9"
    assert found["order"] == "as labelled"
    assert any("right way round?" in c for c in claims["K1"]["cautions"])


def test_pooled_and_crude_readings(claims: dict[str, dict]) -> None:
    """K2: pooled, no integers and NNT 12.2 to 12.4; without the word four tables, none of which prints the interval."""
    found = claims["K2"]["consistent"]
    assert found["is"]
    assert found["tables"] == []
    assert [round(x, 1) for x in found["nnt"]] == [12.2, 12.3, 12.4]
    assert 100 * found["arr"][1] == pytest.approx(8.1, abs=0.05)
    crude = answer(CLAIMS[1]["printed"].removesuffix(", pooled"))
    assert crude["consistent"]["is"]
    assert len(crude["consistent"]["tables"]) == 4
    assert any("none of the tables" in c for c in crude["cautions"])


def test_what_rounding_does_not_decide(claims: dict[str, dict]) -> None:
    """K3 and K4: ranges, and a verdict at face value only."""
    found = claims["K3"]["consistent"]
    assert [round(100 * x, 1) for x in found["p0"]] == [36.1, 40.8, 57.5]
    assert found["nnt"] == pytest.approx([2.0, 3.0, 3.5], abs=1e-7)
    text = claims["K3"]["verdict"]["text"]
    assert "does not save" in text
    assert "2.00 (1.82 to 2.22)" in text
    assert "from 2.00 to 2.22 rounding does not decide" in text
    assert not claims["K3"]["verdict"]["certain"]
    fourth = claims["K4"]
    assert fourth["order"] == "turned"
    assert [round(x, 2) for x in fourth["consistent"]["nnt"]] == [2.27, 2.33, 2.38]
    for words in ("saves by itself: NNT 2.33", "2.38 (2.35 to 2.41)", "by its risks, not by its printed NNT 3", "does not decide"):
        assert words in fourth["verdict"]["text"]


def test_what_the_data_cannot_tell(claims: dict[str, dict]) -> None:
    """K5: Newcombe's interval spans the break-even. K6: an empty cell, said."""
    pasted = read_pasted(CLAIMS[4]["printed"])
    assert any(
        "NNTB 1.64 to 4.97 (Newcombe), holds the break-even: the data cannot tell" in s
        for s in check_claim(pasted.claim).verdict.sentences
    )
    assert claims["K5"]["implied"]["nnt"]["value"] == pytest.approx(2.31, abs=0.005)
    sixth = claims["K6"]
    assert sixth["implied"]["arr"] == pytest.approx(0.2)
    assert sixth["implied"]["relative_risk"] == 0
    assert any("empty cell" in c for c in sixth["cautions"])


def test_contradictions_of_the_listed_claims(claims: dict[str, dict]) -> None:
    """K7 and K8 contradict themselves; the NNT gives way, and a borrowed comparator has no interval."""
    assert "no difference" in claims["K7"]["verdict"]["text"]
    assert claims["K7"]["set_aside"] == ["NNT 3"]
    assert "7.58" in claims["K8"]["verdict"]["text"]
    assert claims["K8"]["interval"]["nnt_text"] is None
    assert any("borrowed" in c for c in claims["K8"]["cautions"])


def test_contradictions_are_minimal_and_ranked() -> None:
    """Risks against RR and NNT: named in one sentence, the weaker set aside, the stretch the least that lets them meet."""
    found = answer("from 30% to 10%, RR 0.50, NNT 4")
    assert "cannot have RR 0.50 or NNT 4" in found["verdict"]["text"]
    assert found["set_aside"] == ["RR 0.50", "NNT 4"]
    stretch = dict((tuple(names), k) for names, k in found["contradiction_sets"])
    assert stretch["treated 10%", "untreated 30%", "NNT 4"] == pytest.approx(1.27, abs=0.01)
    assert [len(names) for names, _ in found["contradiction_sets"]] == sorted(len(names) for names, _ in found["contradiction_sets"])


def printed(p1: float, p0: float, rng: np.random.Generator) -> list[Figure]:
    """Print a table's figures as a paper might: risks to 0 or 1 decimals, and perhaps RR and NNT, rounded either way."""

    def near(kind: str, value: float, unit: float) -> Figure:
        shown = round(value / unit) * unit
        return Figure(kind, kind, shown, shown - unit / 2, shown + unit / 2)

    unit = rng.choice([0.01, 0.001])
    found = [near("treated risk", p1, unit), near("untreated risk", p0, unit)]
    if p0 > 0 and rng.random() < 0.5:
        found.append(near("rr", p1 / p0, 0.01))
    arr = p0 - p1
    if abs(arr) > 1e-9 and rng.random() < 0.5:
        nnt = abs(1 / arr)
        size = max(math.ceil(nnt - 1e-9) if rng.random() < 0.5 else round(nnt), 1)
        low, high = max(size - 1.0, 1.0), size + 0.5
        ends = (low, high) if arr > 0 else (-high, -low)
        found.append(Figure("nnt", "nnt", math.copysign(size, arr), *ends, open_end=size > 1))
    return found


def brute(figures: list[Figure], n1: int, n0: int) -> set[tuple[int, int]]:
    """Every table of these arms that could print as the figures, all looked at."""
    p1, p0 = np.meshgrid(np.arange(n1 + 1) / n1, np.arange(n0 + 1) / n0, indexing="ij")
    prints = np.logical_and.reduce([_prints(f, p1, p0) for f in figures])
    return {(int(a), int(b)) for a, b in zip(*np.nonzero(prints), strict=True)}


def _prints(figure: Figure, p1: np.ndarray, p0: np.ndarray) -> np.ndarray:
    with np.errstate(divide="ignore", invalid="ignore"):
        if figure.kind == "nnt":
            nnt, size = np.sign(figure.value) / (p0 - p1), abs(figure.value)
            least = nnt > (size - 1 + 1e-9 if size > 1 else 1 - 1e-9)
            return least & (nnt <= size + 0.5 + 1e-9)
        value = p1 if figure.kind == "treated risk" else p0 if figure.kind == "untreated risk" else p1 / p0
        return (figure.low - 1e-9 <= value) & (value <= figure.high + 1e-9)


def agrees_with_brute_force(n1: int, n0: int, a: int, b: int, rng: np.random.Generator) -> bool:
    """The true table is in the set, and the set holds as many tables as brute force finds."""
    figures = printed(a / n1, b / n0, rng)
    found = joint_solution(figures, Sizes(n1, n0))
    wanted = brute(figures, n1, n0)
    assert found is not None, (a, n1, b, n0, figures)
    assert (a, b) in wanted
    gaps = [y / n0 - x / n1 for x, y in wanted]
    assert found.arr is not None
    assert (found.arr.low, found.arr.high) == pytest.approx((min(gaps), max(gaps)), abs=1e-12)
    if len(wanted) <= 10:
        assert {(one.events, other.events) for one, other in found.tables} == wanted
    return True


@pytest.mark.parametrize("n1", [1, 2, 3, 7, 12, 20, 30])
def test_small_tables_are_found_again(n1: int) -> None:
    """Printed and solved, a sample of small tables comes back with exactly the others that print the same."""
    rng = np.random.default_rng(n1)
    for n0 in (1, 2, 5, 11, 20):
        for a, b in {(int(rng.integers(n1 + 1)), int(rng.integers(n0 + 1))) for _ in range(6)}:
            assert agrees_with_brute_force(n1, n0, a, b, rng)


def test_larger_tables_are_found_again() -> None:
    """So do random larger ones; and a table that prints otherwise is refused."""
    rng = np.random.default_rng(7)
    for _ in range(40):
        n1, n0 = (int(n) for n in rng.integers(20, 120, 2))
        assert agrees_with_brute_force(n1, n0, int(rng.integers(n1 + 1)), int(rng.integers(n0 + 1)), rng)
    figures = [Figure("treated risk", "", 0.075, 0.0745, 0.0755), Figure("untreated risk", "", 0.41, 0.405, 0.415)]
    assert not meets(figures, Sizes(37, 40))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("nothing of use", "no figure"),
        ("course 1.250", "1.250' may be 1,250 or 1.25"),
        ("RR 0.5, RR 0.6", "stated twice"),
        ("x" * 4001, "characters long"),
        ("5/40 v 50/43", "exceed"),
        ("RR 0.50 (0.84-0.30)", "runs backwards"),
        ("treated 130%", "between 0 and 1"),
    ],
)
def test_bad_pastes_are_one_error(text: str, words: str) -> None:
    """Each is refused with one message."""
    with pytest.raises(ParameterError, match=words):
        answer(text)


def test_numbers_are_read_in_the_style_of_the_claim() -> None:
    """Decimal commas, thousands, middle dots and dashes of print; a piece that is no figure is listed."""
    found = read_pasted("HR 0,45 (95% CI 0,21 \u2013 0,96), course 1.250, bleed 9.000")
    assert found.claim.hazard_ratio == "0.45 (95% CI 0.21 to 0.96)"
    assert (found.claim.course_cost, found.claim.bleed_cost) == ("1250", "9000")
    assert read_pasted("RR 0\u00b750, course $1,250").claim.course_cost == "1250"
    assert read_pasted("30% v 10%, rebleeding fell").unread == ("rebleeding fell",)
