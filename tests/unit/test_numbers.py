"""The one reader of numbers: one reading each, or a refusal that shows both."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from econmodel.errors import ParameterError
from econmodel.numbers import read_number, write_number
from econmodel.wording import nearest

STYLES = ("point", "comma", "unknown")


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize(
    ("text", "value"),
    [
        *(
            ("0,35", 0.35),
            ("240,5", 240.5),
            ("0.125", 0.125),
            ("0,125", 0.125),
            ("1,25,000", 125e3),
            ("₹12,50,000.50", 1250000.5),
            ("1250.500", 1250.5),
            (".5", 0.5),
            ("5.", 5.0),
        ),
        *(("1.250,50", 1250.5), ("1,250.50", 1250.5), ("1.250.000", 1.25e6), ("1,250,000", 1.25e6), ("1,250,000.5", 1250000.5)),
        *(
            ("1 250", 1250.0),
            ("1\u202f250,5", 1250.5),
            ("1'250.25", 1250.25),
            ("1 250,500", 1250.5),
            ("12\u00a0345\u00a0678", 12345678.0),
        ),
        *(("1,25,000", 125e3), ("₹12,50,000.50", 1250000.5)),
        *(("€ 12", 12.0), ("12 EUR", 12.0), ("-$5", -5.0), ("$-5", -5.0), ("\u22122,5", -2.5), ("R$ 1.250,00", 1250.0)),
        *(("35%", 0.35), ("12,5 %", 0.125), ("7 per 100", 0.07), ("7 per 1000", 0.007), ("1.5e-3", 0.0015), ("1.250e2", 125.0)),
    ],
)
def test_most_numbers_have_one_reading_whatever_the_style(text: str, value: float, style: str) -> None:
    """Both marks, one mark twice, spaces, money and shares read alike everywhere."""
    assert read_number(text, style) == pytest.approx(value, rel=1e-15)


@pytest.mark.parametrize(("text", "as_point", "as_comma"), [("1.250", 1.25, 1250), ("1,250", 1250, 1.25), ("12,500", 12500, 12.5)])
def test_style_decides_the_one_case_that_has_two_readings(text: str, as_point: float, as_comma: float) -> None:
    """Three digits after a lone mark; without a style the refusal gives both readings."""
    assert (read_number(text, "point"), read_number(text, "comma")) == (as_point, as_comma)
    with pytest.raises(ParameterError, match="may be") as refused:
        read_number(text, "unknown")
    assert all(f"{value:g}" in refused.value.fix for value in (as_point, as_comma))


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize(
    "text",
    ["", "two", "1.25.3", "1,25,3.5", "12 34", "1.250,5,5", "1,2.3.4", "--5", "1e999", "nan", "inf", "٣", "9" * 5000, "5 apples"],
)
def test_what_is_no_number_is_refused_shortly(text: str, style: str) -> None:
    """A message, never a fault, an infinity or the whole of a long text."""
    with pytest.raises(ParameterError) as refused:
        read_number(text, style)
    assert len(str(refused.value)) < 250


@given(st.floats(min_value=0.001, max_value=1e12))
def test_what_a_style_writes_it_reads(value: float) -> None:
    """Property: groups and two decimals, in either style."""
    point = f"{value:,.2f}"
    comma = point.translate({ord(","): ".", ord("."): ","})
    assert read_number(point, "point") == read_number(comma, "comma") == float(f"{value:.2f}")


@pytest.mark.parametrize("style", STYLES)
@given(value=st.floats(min_value=-1e7, max_value=1e7))
def test_what_is_written_is_read_back(value: float, style: str) -> None:
    """Property: a box left as it was filled changes nothing beyond its digits."""
    assert read_number(write_number(value, style), style) == float(f"{value:g}")


def test_no_name_is_sought_near_a_very_long_one() -> None:
    """A hundred thousand characters are answered with what there is to choose from."""
    assert nearest("c_coil" * 20_000, ["c_coil", "c_glue_ml"]) == "choose one of c_coil, c_glue_ml"
    assert nearest("c_cil", ["c_coil", "c_glue_ml"]) == "did you mean 'c_coil'?"
