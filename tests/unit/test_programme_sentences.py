"""The sentences about a budget say whose money they speak of."""

from __future__ import annotations

import re

import pytest

from econmodel.errors import EconModelError
from econmodel.model.inputs import base_values
from econmodel.parameters.loading import load_base_case
from econmodel.programme.inputs import ProgrammeInputs, read_inputs
from econmodel.programme.report import evaluate_programme
from econmodel.programme.sentences import amount
from econmodel.wording import SYMBOLS, money

# Numbers that follow these words are amounts; a bare one would leave the reader to guess the currency.
BEFORE_MONEY = (
    "net present value",
    "lowest cumulative cash",
    "block budget",
    "lowers the hospital's margin by",
    "raises the margin by",
    "refill contribution of",
    "the input is",
    "work loses",
    "together give",
    "bring",
)


def bare(text: str) -> list[str]:
    """Amounts without the sign of a currency."""
    return re.findall(rf"(?:{'|'.join(BEFORE_MONEY)}) [-−]?\d[\d,]*(?<!,)", text, flags=re.IGNORECASE)


@pytest.mark.parametrize("price_list", ["us", "uk"])
def test_every_amount_has_the_currency_of_the_price_list(price_list: str) -> None:
    """Every amount carries the sign of the case's currency, and no other sign stands anywhere."""
    parameters = load_base_case(price_list)
    text = " ".join(evaluate_programme(parameters, turning=False).sentences)
    own = SYMBOLS[parameters.text("currency")]
    assert bare(text) == []
    assert text.count(own) >= 8
    assert not [sign for sign in SYMBOLS.values() if sign != own and sign in text]


def test_a_bare_amount_is_seen() -> None:
    """Negative control: the search above finds an amount without a sign, and passes one that has it."""
    assert bare("Net present value -12,300, the input is 560 per day.") == ["Net present value -12,300", "the input is 560"]
    assert bare("Net present value −$12,300, the input is £560 per day.") == []


def test_amounts_are_rounded_for_reading() -> None:
    """Whole units below 10,000, hundreds above, the minus before the sign, by the one formatter of money."""
    assert [amount(v, "GBP") for v in (-12345.6, 9999.4, -0.2)] == ["−£12,300", "£9,999", "£0"]
    assert amount(1234.0, "EUR") == money(1234.0, "EUR")


def test_the_currency_is_an_input_of_the_programme() -> None:
    """It is the price list's; one without a sign in the model is refused, never left out."""
    parameters = load_base_case("uk")
    assert read_inputs(parameters, base_values(parameters)).currency == "GBP"
    plain = {name: p.value if p.table is None else p.table for name, p in parameters.parameters.items()}
    with pytest.raises(EconModelError, match="currency = 'XYZ'"):
        ProgrammeInputs.from_values({**plain, "currency": "XYZ"})
