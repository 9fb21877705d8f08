"""Devices in a file of standard charges: gross charges, which become costs by the hospital's own ratio of cost to charge alone.

Devices share no code, so they are told by the words of their description (``params/tables/device_words.csv``).
"""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from statistics import median

from econmodel.files import toml_value
from econmodel.records import record

NO_AMOUNT = 999_999_999


@record
class Charged:
    """Gross charges of a device, an item of the file each: how many, median, lowest and highest, and the first row."""

    name: str
    words: str
    items: int
    charge: float
    low: float
    high: float
    row: int


def typed_amount(text: str) -> float | None:
    """Amount in a cell of the file; None where it is empty, no number, or the nines that stand for none."""
    try:
        value = float(text.replace("$", "").replace(",", "").replace("%", ""))
    except ValueError:
        return None
    return value if 0 < value < NO_AMOUNT and math.isfinite(value) else None


class Devices:
    """The devices seen so far; ``rows`` are those of the table of words."""

    def __init__(self, rows: Sequence[Mapping[str, str]]) -> None:
        self.maybe = re.compile("|".join(row["all_of"].split("&")[0] for row in rows), re.IGNORECASE)
        self.rows = [(row, [group.split("|") for group in row["all_of"].split("&")], row["none_of"].split("|")) for row in rows]
        self.seen: dict[str, dict[tuple[str, float], int]] = defaultdict(dict)

    def see(self, description: str, charge: str, row: int) -> None:
        """Keep the charge of a line that describes a device; the same item over several payers counts once."""
        if not self.maybe.search(description):
            return
        said, gross = description.lower(), typed_amount(charge)
        for known, all_of, none_of in self.rows:
            if gross and all(any(word in said for word in group) for group in all_of) and not any(word in said for word in none_of):
                self.seen[known["input"]].setdefault((said, gross), row)

    def charged(self) -> tuple[Charged, ...]:
        """What was seen, by input."""
        found = []
        for known, _, _ in self.rows:
            if items := self.seen.get(known["input"]):
                charges = [gross for _, gross in items]
                spread = (round(median(charges), 2), min(charges), max(charges))
                found.append(Charged(known["input"], known["words"], len(items), *spread, min(items.values())))
        return tuple(found)


def device_lines(found: Sequence[Charged], ratio: float, origin: str, year: str) -> list[str]:
    """Lines of an override in which devices cost their charge times the ratio."""
    lines = []
    for device in found:
        spread = f"{device.items} items, {device.low:g} to {device.high:g}, first in row {device.row}"
        fields = {
            "value": round(ratio * device.charge, 2),
            "status": "derived",
            "price_year": year,
            "derive": f"{ratio!r} * {device.charge!r}",
            "rounded_to": 0.01,
            "source": "own_price_file",
            "locator": f"gross charges of {spread}. {origin}",
            "as_published": f"median gross charge {device.charge:g}",
            "derivation": f"The hospital's ratio of cost to charge, {ratio:g}, times the median gross charge of {device.words}.",
            "reason": "Charges of the hospital at its own ratio of cost to charge; an invoice is better.",
        }
        lines += ["", f"[override.{device.name}]", *(f"{key} = {toml_value(field)}" for key, field in fields.items() if field)]
    return lines
