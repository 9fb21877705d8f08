"""A hospital's published file of standard charges (United States, 45 CFR 180; templates 2 and 3) to payments by class of payer.

The file is told by what it holds, not by its name: JSON, or CSV with a row a payer (tall) or columns a payer (wide), as it is,
in gzip or in zip. It is read once, as a stream. Gross charges are never taken for costs (but those of devices where the hospital's
ratio of cost to charge is given), and a formula in words for no price.
"""

from __future__ import annotations

import csv
import gzip
import hashlib
import io
import json
import re
import zipfile
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from statistics import geometric_mean, median
from typing import IO, Any

from econmodel.errors import DataError
from econmodel.evidence.device_charges import Charged, Devices, device_lines, typed_amount
from econmodel.files import toml_value
from econmodel.package import params_folder
from econmodel.parameters.documents import read_text
from econmodel.parameters.loading import load_base_case
from econmodel.records import record
from econmodel.wording import nearest

CHUNK, LEAST_SHARED, PERCENT, FIRST_DATA = 1 << 20, 3, 100, 4
MEDICARE = "medicare_advantage"
OF_GROUP = {
    "stay": ("", "embolism", "sepsis", "ulcer_bleed"),
    "session": ("prophylaxis", "aftercare"),
    "transvenous": ("session_transvenous", "secondary_transvenous"),
}
START = re.compile(r'"standard_charge_information"\s*:\s*\[')
HEADER = ("hospital_name", "last_updated_on", "version")


@record
class Line:
    """One price of one payer for one service, as the file gives it."""

    codes: tuple[tuple[str, str], ...]
    setting: str
    payer: str
    plan: str
    dollar: str
    amount: str
    percentage: str
    gross: str
    algorithm: str
    methodology: str
    skipped: str
    row: int


@record
class Paid:
    """What a class of payers pays for a code: median over plans, how many, lowest and highest, the first row of the file."""

    code: str
    system: str
    payer_class: str
    value: float
    plans: int
    low: float
    high: float
    row: int


@record
class PriceFile:
    """What was read: the hospital, its payments, ratios to Medicare Advantage by group, unknown payers, counts, charges of devices."""

    hospital: str
    updated: str
    version: str
    sha256: str
    shape: str
    paid: tuple[Paid, ...]
    ratios: dict[tuple[str, str], float]
    unknown_payers: tuple[str, ...]
    counts: dict[str, int]
    charged: tuple[Charged, ...] = ()


def read_price_file(path: Path, payers: Mapping[str, str] | None = None) -> PriceFile:
    """Read a file of standard charges.

    Parameters
    ----------
    path
        JSON or CSV, as it is, ``.gz`` or ``.zip``.
    payers
        Class of payers by their name in the file, before the words of ``params/tables/payer_words.csv``.

    Raises
    ------
    DataError
        It cannot be read, is neither template, or a class is unknown.
    """
    known = {row["class"]: row for row in _table("payer_words.csv")}
    for name, chosen in (payers or {}).items():
        if chosen not in known:
            what = f"--payer {name}={chosen}: must be one of {', '.join(known)}"
            raise DataError(what, fix=nearest(chosen, known))
    header: dict[str, str] = {}
    counts: Counter[str] = Counter()
    unknown: Counter[str] = Counter()
    devices = Devices(_table("device_words.csv"))
    found: dict[tuple[str, str, str, str], list[tuple[float, int]]] = defaultdict(list)
    try:
        encoding, is_json = _encoding(path)
        with _content(path) as content, io.TextIOWrapper(content, encoding=encoding, errors="replace", newline="") as text:
            shape, lines = _lines(path, text, is_json, header, counts, devices)
            for line in lines:
                _take(line, found, counts, unknown, payers or {}, known)
    except (OSError, EOFError, zipfile.BadZipFile, csv.Error, UnicodeDecodeError, RecursionError) as fault:
        what = f"{path.name} cannot be read: {str(fault)[:80]}"
        raise DataError(what, where=str(path), fix="take the file from the hospital's page again") from None
    if "version" not in header:
        what = f"{path.name} names no version of the template"
        raise DataError(what, where=str(path), fix="give a file of standard charges, template 2 or 3, CSV or JSON")
    paid = tuple(_by_class(found))
    name, updated, version = (header.get(key, "") for key in HEADER)
    read = (_ratios(paid), tuple(sorted(unknown)), dict(counts), devices.charged())
    return PriceFile(name, updated, version, _sha256(path), shape, paid, *read)


def _table(name: str) -> list[dict[str, str]]:
    return list(csv.DictReader(read_text(params_folder() / "tables" / name).splitlines()))


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextmanager
def _content(path: Path) -> Iterator[IO[bytes]]:
    """Content of the file, whatever holds it."""
    with path.open("rb") as file:
        start = file.read(4)
        file.seek(0)
        if start[:2] == b"\x1f\x8b":
            with gzip.GzipFile(fileobj=file) as unpacked:
                yield unpacked  # type: ignore[misc]
        elif start == b"PK\x03\x04":
            with zipfile.ZipFile(file) as archive:
                names = [name for name in archive.namelist() if not name.endswith("/")]
                if len(names) != 1:
                    what = f"{path.name} holds {len(names)} files: must be one"
                    raise DataError(what, where=str(path), fix="unpack it, and give the one with the prices")
                with archive.open(names[0]) as member:
                    yield member
        else:
            yield file


def _encoding(path: Path) -> tuple[str, bool]:
    """Encoding of a file by its beginning, and whether it is JSON."""
    with _content(path) as content:
        sample = content.read(CHUNK)
    try:
        sample[: sample.rfind(b"\n") + 1].decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252", False
    return "utf-8-sig", sample.decode("utf-8-sig", errors="replace").lstrip().startswith("{")


def _lines(
    path: Path, text: IO[str], is_json: bool, header: dict[str, str], counts: Counter[str], devices: Devices
) -> tuple[str, Iterator[Line]]:
    """Shape of a file, and its lines about codes we look for."""
    wanted = {row["code"] for row in _table("codes.csv")}
    if is_json:
        return "JSON", _json_lines(text, header, wanted, counts, devices)
    rows = csv.reader(text)
    names, values, headings = (next(rows, []) for _ in range(FIRST_DATA - 1))
    header.update({name.strip(): value.strip() for name, value in zip(names, values, strict=False) if name.strip() in HEADER})
    places = {heading.strip(): i for i, heading in enumerate(headings)}
    if not {"code|1", "setting"} <= places.keys():
        what = f"{path.name} has no headings code|1 and setting in its third row"
        raise DataError(what, where=str(path), fix="give a file of standard charges, template 2 or 3, CSV or JSON")
    tall = "payer_name" in places
    return ("CSV, tall" if tall else "CSV, wide"), _csv_lines(rows, places, wanted, counts, devices, tall=tall)


def _csv_lines(
    rows: Iterable[list[str]], places: Mapping[str, int], wanted: set[str], counts: Counter[str], devices: Devices, *, tall: bool
) -> Iterator[Line]:
    codes = [(i, places.get(f"{name}|type", i)) for name, i in places.items() if re.fullmatch(r"code\|\d+", name)]
    payers = [_columns(places, "", "payer_name", "plan_name")] if tall else _wide(places)
    shared = {key: places.get(key, -1) for key in ("modifiers", "drug_unit_of_measurement", "setting", "standard_charge|gross")}
    described, charged = places.get("description", -1), shared["standard_charge|gross"]
    for number, cells in enumerate(rows, start=FIRST_DATA):
        counts["rows"] += 1
        if 0 <= described < len(cells) and charged < len(cells):
            devices.see(cells[described], cells[charged], number)
        if not any(i < len(cells) and cells[i].strip().lstrip("0") in wanted for i, _ in codes):
            continue
        row = [*(cell.strip() for cell in cells), *("" for _ in range(len(places) - len(cells))), ""]
        held = tuple((_plain(row[i]), row[kind].upper()) for i, kind in codes if row[i])
        skipped = "with a modifier" if row[shared["modifiers"]] else "of a drug" if row[shared["drug_unit_of_measurement"]] else ""
        for columns in payers:
            texts = [row[i] if isinstance(i, int) else i for i in columns]
            if any(texts[2:]):
                payer, plan, dollar, amount, estimated, percentage, algorithm, methodology = texts
                gross = row[shared["standard_charge|gross"]]
                setting = row[shared["setting"]].lower()
                yield Line(
                    held, setting, payer, plan, dollar, amount or estimated, percentage, gross, algorithm, methodology, skipped, number
                )


def _columns(places: Mapping[str, int], middle: str, payer: str, plan: str) -> list[int | str]:
    """Where the figures of a payer stand; text in place of a column is taken as it is."""
    names = (
        f"standard_charge{middle}|negotiated_dollar",
        f"median_amount{middle}",
        f"estimated_amount{middle}",
        f"standard_charge{middle}|negotiated_percentage",
        f"standard_charge{middle}|negotiated_algorithm",
        f"standard_charge{middle}|methodology",
    )
    return [places.get(payer, payer), places.get(plan, plan), *(places.get(name, -1) for name in names)]


def _wide(places: Mapping[str, int]) -> list[list[int | str]]:
    found: dict[str, tuple[str, str]] = {}
    for heading in places:
        parts = heading.split("|")
        if parts[0] == "standard_charge" and len(parts) == len(("", "payer", "plan", "figure")):
            found[f"|{parts[1]}|{parts[2]}"] = (parts[1].strip(), parts[2].strip())
    return [_columns(places, middle, *names) for middle, names in found.items()]


def _json_lines(text: IO[str], header: dict[str, str], wanted: set[str], counts: Counter[str], devices: Devices) -> Iterator[Line]:
    """Lines of a JSON file, one service decoded at a time; what stands about it is searched for the hospital's name."""
    decoder, buffer = json.JSONDecoder(), text.read(CHUNK)
    while not (start := START.search(buffer)) and (more := text.read(CHUNK)):
        buffer += more
    if not start:
        what = "the JSON has no list standard_charge_information"
        raise DataError(what, fix="give a file of standard charges, template 2 or 3")
    about, at = buffer[: start.start()], start.end()
    _read_header(about, header)
    while True:
        at = _next_item(buffer, at)
        if at < len(buffer) and buffer[at] == "]":
            break
        try:
            if at >= len(buffer):
                raise ValueError
            item, at = decoder.raw_decode(buffer, at)
        except ValueError:
            if not (more := text.read(CHUNK)):
                what = f"the JSON ends, or is broken, after {counts['rows']:,} services"
                raise DataError(what, fix="take the file from the hospital's page again") from None
            buffer, at = buffer[at:] + more, 0
            continue
        counts["rows"] += 1
        for charge in item.get("standard_charges", ()):
            devices.see(str(item.get("description", "")), str(charge.get("gross_charge", "")), counts["rows"])
        yield from _of_service(item, counts["rows"], wanted)
    _read_header(buffer[at:] + text.read(CHUNK), header)


def _next_item(buffer: str, at: int) -> int:
    while at < len(buffer) and buffer[at] in " \t\r\n,":
        at += 1
    return at


def _read_header(text: str, header: dict[str, str]) -> None:
    for key in HEADER:
        if found := re.search(rf'"{key}"\s*:\s*("(?:[^"\\]|\\.)*")', text):
            header.setdefault(key, json.loads(found[1]))


def _of_service(item: Mapping[str, Any], row: int, wanted: set[str]) -> Iterator[Line]:
    held = tuple((_plain(str(c.get("code", ""))), str(c.get("type", "")).upper()) for c in item.get("code_information", ()))
    if not any(code in wanted for code, _ in held):
        return
    for charge in item.get("standard_charges", ()):
        modified = charge.get("modifiers") or charge.get("modifier_code") or item.get("modifiers")
        skipped = "with a modifier" if modified else "of a drug" if item.get("drug_information") else ""
        for of in charge.get("payers_information", ()):
            keys = ("payer_name", "plan_name", "standard_charge_dollar")
            payer, plan, dollar = (str(of.get(key, "")).strip() for key in keys)
            amount = str(of.get("median_amount", of.get("estimated_amount", "")))
            tail = [str(of.get(f"standard_charge_{key}", "")) for key in ("percentage", "algorithm")]
            gross, setting = str(charge.get("gross_charge", "")), str(charge.get("setting", "")).lower()
            yield Line(
                held, setting, payer, plan, dollar, amount, tail[0], gross, tail[1], str(of.get("methodology", "")), skipped, row
            )


def _plain(code: str) -> str:
    return code.strip().lstrip("0").upper()


def _take(
    line: Line,
    found: dict[tuple[str, str, str, str], list[tuple[float, int]]],
    counts: Counter[str],
    unknown: Counter[str],
    payers: Mapping[str, str],
    known: Mapping[str, Mapping[str, str]],
) -> None:
    """Put a line where it belongs, or count why it is not used."""
    kept = next((row for row in _codes() if (row["code"], row["system"]) in line.codes), None)
    if kept is None or line.setting not in (kept["setting"], "both"):
        counts["of another code or setting"] += 1
        return
    if line.skipped:
        counts[line.skipped] += 1
        return
    if "per diem" in line.methodology.lower():
        counts["per day, not per case"] += 1
        return
    price = _price(line)
    if price is None:
        counts["a formula alone, or no price"] += 1
        return
    chosen = _class_of(line.payer, line.plan, payers, known)
    if not chosen:
        unknown[line.payer] += 1
        counts["of a payer not known"] += 1
        return
    counts["used"] += 1
    found[kept["code"], kept["system"], chosen, f"{line.payer}|{line.plan}"].append((price, line.row))


@cache
def _codes() -> tuple[dict[str, str], ...]:
    return tuple(_table("codes.csv"))


def _price(line: Line) -> float | None:
    """Dollars; else the amount that such claims came to; else the percentage of the gross charge of the row."""
    dollar, amount, percentage, gross = map(typed_amount, (line.dollar, line.amount, line.percentage, line.gross))
    if dollar is None and amount is None and percentage is not None and gross is not None:
        return percentage / PERCENT * gross
    return amount if dollar is None else dollar


def _class_of(payer: str, plan: str, payers: Mapping[str, str], known: Mapping[str, Mapping[str, str]]) -> str:
    if payer in payers:
        return payers[payer]
    said = f" {re.sub(r'[^a-z0-9]+', ' ', f'{payer} {plan}'.lower())} "
    return next((name for name, row in known.items() if any(f" {word} " in said for word in row["words"].split("|"))), "")


def _by_class(found: Mapping[tuple[str, str, str, str], Sequence[tuple[float, int]]]) -> Iterator[Paid]:
    """Each plan once, by the median of its lines; then the median over plans."""
    plans: dict[tuple[str, str, str], list[tuple[float, list[float], int]]] = defaultdict(list)
    for (code, system, chosen, _), lines in found.items():
        prices = [price for price, _ in lines]
        plans[code, system, chosen].append((median(prices), prices, min(row for _, row in lines)))
    for (code, system, chosen), rows in sorted(plans.items()):
        every = [price for _, prices, _ in rows for price in prices]
        middle = median(value for value, _, _ in rows)
        yield Paid(code, system, chosen, round(middle, 2), len(rows), min(every), max(every), min(row for _, _, row in rows))


def _ratios(paid: Iterable[Paid]) -> dict[tuple[str, str], float]:
    """Class over Medicare Advantage by group: geometric mean over shared codes, where there are enough."""
    value = {(p.payer_class, p.code): p.value for p in paid}
    group = {row["code"]: row["group"] for row in _codes()}
    shared: dict[tuple[str, str], list[float]] = defaultdict(list)
    for (chosen, code), price in value.items():
        if chosen != MEDICARE and (MEDICARE, code) in value:
            shared[chosen, group[code]].append(price / value[MEDICARE, code])
    return {key: round(geometric_mean(each), 3) for key, each in sorted(shared.items()) if len(each) >= LEAST_SHARED}


def price_override(found: PriceFile, cost_to_charge: float | None = None) -> str:
    """Override with what Medicare Advantage pays, the level of the price list, each with where it was read, and the payer tables.

    Given the hospital's ratio of cost to charge, devices are in it too, at their gross charge times it.

    Raises
    ------
    DataError
        No price of it can stand for an input.
    """
    inputs: dict[str, list[Paid]] = defaultdict(list)
    named = {row["code"]: row["input"] for row in _codes()}
    for p in found.paid:
        if p.payer_class == MEDICARE and named[p.code]:
            inputs[named[p.code]].append(p)
    if not inputs and not (cost_to_charge and found.charged):
        what = "no payment of Medicare Advantage for a code of params/tables/codes.csv"
        raise DataError(what, fix="name the payers not known, --payer 'NAME=medicare_advantage'")
    origin = f"{found.hospital}, {found.updated}, template {found.version}, sha256 {found.sha256}"
    lines = [
        f"title = {toml_value(f'Published prices of {found.hospital}')}",
        'rationale = "Standard charges the hospital publishes: what Medicare Advantage plans pay, the level of the price list."',
        'baseline = "base_case"',
    ]
    lines += [f"# {chosen} over Medicare Advantage, {group}: {ratio:g}" for (chosen, group), ratio in found.ratios.items()]
    for name, rows in sorted(inputs.items()):
        said = "; ".join(f"{p.system} {p.code}, {p.plans} plans, {p.low:g} to {p.high:g}, first in row {p.row}" for p in rows)
        value = round(sum(p.value for p in rows) / len(rows), 2)
        note = f"Medicare Advantage: {said}. {origin}."
        reason = "Published by the hospital."
        fields = {"value": value, "status": "local", "price_year": _year(found.updated), "reason": reason, "note": note}
        lines += ["", f"[override.{name}]", *(f"{key} = {toml_value(field)}" for key, field in fields.items() if field)]
    if cost_to_charge:
        lines += device_lines(found.charged, cost_to_charge, origin, _year(found.updated))
    for name, table in _payers(found.ratios).items():
        note = f"Ratios to Medicare Advantage on shared codes, geometric means by group; the rest as in the price list. {origin}."
        fields = {"table": table, "status": "local", "reason": "Published by the hospital.", "note": note}
        lines += ["", f"[override.{name}]", *(f"{key} = {toml_value(field)}" for key, field in fields.items())]
    return "\n".join(lines) + "\n"


def _payers(ratios: Mapping[tuple[str, str], float]) -> dict[str, list[dict[str, Any]]]:
    """Payer tables of the United States with the ratios found: that of stays, and of activities by their group."""
    named = {(row["payer"], group): ratios.get((row["class"], group)) for row in _table("payer_words.csv") for group in OF_GROUP}
    base, found = load_base_case("US"), dict[str, list[dict[str, Any]]]()
    for name, of in (("payers", "name"), ("payer_terms", "payer")):
        rows = []
        for row in base.rows(name):
            group = next((group for group, keys in OF_GROUP.items() if row.get("activity", "") in keys), "stay")
            ratio = named.get((row[of], group)) if name == "payers" or "payment_ratio" in row else None
            rows.append(dict(row) if ratio is None else row | {"payment_ratio": ratio})
        if rows != list(base.rows(name)):
            found[name] = rows
    return found


def _year(updated: str) -> str:
    """Year of a date as it was typed; empty where there is none."""
    found = re.search(r"(19|20)\d\d", updated)
    return found[0] if found else ""
