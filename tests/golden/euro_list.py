"""The euro list after the list of GB, or a purchasing power, was retyped: ``python tests/golden/euro_list.py``.

Its amounts are those of GB at Germany's purchasing power. A row that is none of these (``own``: its derivation is not of that
form) stays as it is typed, and so do the notes, which hold what was read in euros.
"""

from __future__ import annotations

import csv
import io

from econmodel.package import params_folder
from econmodel.parameters.countries import EURO_LEVEL, Country, convert_prices, factors
from econmodel.parameters.loading import load_base_case
from econmodel.parameters.schema import Parameter, money_parts

FIELDS = ("source", "locator", "as_published", "derivation", "status", "price_year", "replaced_by")
UNSAID = ("rationale", "judgement", "derive_not", "follows_draws")


def own(row: dict[str, str]) -> bool:
    """Whether a row holds a figure of its own."""
    return not row["derivation"].startswith("Converted prices: the list of GB x")


def converted_row(row: dict[str, str], p: Parameter, note: str) -> dict[str, str]:
    """Row of GB, as it is where it is no amount or nil, else converted."""
    if not money_parts(p.unit) or p.value == 0:
        judged = {"judgement": row["judgement"] or "as in the list of GB"} if row["derive"] and not row["derive_not"] else {}
        return row | judged | {"note": note} | ({"price_year": "2024"} if row["price_year"] else {})
    assert p.derive is not None
    assert isinstance(p.value, float)
    cv = p.distribution.sd / p.distribution.mean if p.is_uncertain else 0.0
    numbers = {"value": p.value, "rounded_to": p.rounded_to} | ({"low": p.range.low, "high": p.range.high} if p.range else {})
    told = {key: f"{float(f'{number:.4g}'):.10g}" for key, number in numbers.items() if number is not None}
    spread = f"gamma cv {cv:.4g}" if cv else f"fixed: {p.distribution.reason}"
    drawn = {"distribution": spread, "basis": p.range.basis if p.range else "", "derive": p.derive.text, "note": note}
    kept = dict.fromkeys(UNSAID, "") | {"follows_draws": "true" if p.follows_draws else ""}
    return row | kept | {key: str(getattr(p, key)) for key in FIELDS} | drawn | told


def euro_list(present: str) -> str:
    """Text of the list from its present text."""
    known = {row["name"]: row for row in csv.DictReader(io.StringIO(present))}
    with (params_folder() / "prices" / "GB.csv").open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(lines))
    base = load_base_case("GB").parameters
    by = factors(Country(EURO_LEVEL), "GB", "2024")
    found = convert_prices({row["name"]: base[row["name"]] for row in rows}, base, by, "GB", "EUR")
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    for row in rows:
        name = row["name"]
        kept, p = known[name], found[name]
        typed = money_parts(p.unit) and p.value and own(kept)
        writer.writerow(kept if typed else converted_row(row, p, kept["note"]))
    return out.getvalue()


if __name__ == "__main__":
    path = params_folder() / "prices" / "converted" / "EUR.csv"
    path.write_text(euro_list(path.read_text(encoding="utf-8")), encoding="utf-8")
