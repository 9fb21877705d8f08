"""Printed figures: counts, risks and numbers with the range rounding allows."""

import pytest

from econmodel.errors import ParameterError
from econmodel.evidence.printed import (
    Counts,
    Span,
    as_printed,
    checked_counts,
    combine,
    parse_counts,
    parse_number,
    parse_risk,
    possible_counts,
)


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("7/5", "exceed"),
        ("-1/10", "below 0"),
        ("0/0", "at least one patient"),
        ("3/-4", "at least one patient"),
        ("six/80", "not events/patients"),
        ("6", "not events/patients"),
        ("6/80/2", "not events/patients"),
        ("", "not events/patients"),
        ("2.5/10", "not events/patients"),
    ],
)
def test_impossible_counts_are_refused(text, rule):
    """Each impossible count gives one error that names the option, the value and the rule."""
    with pytest.raises(ParameterError, match=rule) as caught:
        parse_counts(text, "--treated")
    assert "--treated" in str(caught.value)
    assert text in str(caught.value)


def test_counts_are_read():
    """Counts come as text, as a pair, or read already."""
    assert parse_counts(" 6 / 80 ", "") == parse_counts((6, 80), "") == parse_counts(Counts(6, 80), "") == Counts(6, 80)
    assert str(Counts(6, 80)) == "6/80"
    with pytest.raises(ParameterError, match="whole"):
        checked_counts((2.5, 10), "treated")


@pytest.mark.parametrize(
    ("given", "low", "high"),
    [
        ("0.41", 0.405, 0.415),
        ("41%", 0.405, 0.415),
        (0.075, 0.0745, 0.0755),
        ("7.5%", 0.0745, 0.0755),
        ("0.4", 0.395, 0.405),
        (0.0, 0.0, 0.005),
        ("1", 0.995, 1.0),
        ("0.40000", 0.399995, 0.400005),
        ("0,41", 0.405, 0.415),
        ("7,5 %", 0.0745, 0.0755),
        ("75 per 1000", 0.0745, 0.0755),
    ],
)
def test_rounding_of_risks(given, low, high):
    """A risk covers half a unit of its last digit, a whole percent at most, and stays within 0 to 1."""
    span = parse_risk(given, "risk", "")
    assert (span.low, span.high) == pytest.approx((low, high), abs=1e-12)


@pytest.mark.parametrize("given", ["41", "-0.1", "101%", "abc", "nan", "inf", "1e999", "", "0,41,5", "EUR"])
def test_what_is_no_risk_is_refused(given):
    """A percentage without its sign, a negative risk, and what is no number are errors naming the option."""
    with pytest.raises(ParameterError, match="--treated-risk"):
        parse_risk(given, "treated risk", "--treated-risk")


def test_numbers_and_bounds():
    """A number covers half a unit of its last digit, cut at its bound; outside the bound it is refused."""
    assert parse_number("3", "NNT", "") == Span(3.0, 2.5, 3.5)
    assert parse_number("0.2", "ratio", "", at_least=0.0) == Span(0.2, 0.15, 0.25)
    assert parse_number("0", "ratio", "", at_least=0.0).low == 0.0
    assert parse_number(Span.exact(2.0), "ratio", "") == Span.exact(2.0)
    for bad, bound in (("0", {"above": 0.0}), ("-1", {"at_least": 0.0})):
        with pytest.raises(ParameterError, match="must be"):
            parse_number(bad, "cost", "--bleed-cost", **bound)


def test_possible_counts():
    """Every listed count prints the risk; 0% and 100% are allowed; an exact 7.5% excludes 6/79."""
    listed = possible_counts(parse_risk("12%", "risk", ""), 30)
    assert listed
    assert all(abs(c.risk - 0.12) <= 0.005 + 1e-12 for c in listed)
    assert Counts(0, 10) in possible_counts(parse_risk("0%", "risk", ""), 10)
    assert Counts(10, 10) in possible_counts(parse_risk("100%", "risk", ""), 10)
    assert possible_counts(parse_risk("0.4444", "risk", ""), 5) == ()
    assert as_printed(Counts(5, 12)).value == pytest.approx(0.417)


def test_combine_takes_the_extremes():
    """A difference of two ranges is widest where they are farthest apart."""
    found = combine(lambda a, b: a - b, Span(0.41, 0.405, 0.415), Span(0.08, 0.075, 0.085))
    assert (found.value, found.low, found.high) == pytest.approx((0.33, 0.32, 0.34))
    assert Span(1, 0, 2).overlaps(Span(3, 2, 4))
    assert not Span(1, 0, 2).overlaps(Span(3, 2.5, 4))
