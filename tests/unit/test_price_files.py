"""Files of standard charges: one set of fictional prices in every shape gives one override."""

from __future__ import annotations

import gzip
import json
import re
import zipfile
from pathlib import Path

import pytest
import tomli
from made_price_files import write_csv, write_json

from econmodel.errors import DataError
from econmodel.evidence.price_files import PriceFile, price_override, read_price_file
from econmodel.parameters.loading import load_case

FILLERS = 300


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The same prices, tall and wide, as JSON, of both templates."""
    folder = tmp_path_factory.mktemp("prices")
    return {
        "tall 3": write_csv(folder / "a.csv", "3.0.0", FILLERS, tall=True),
        "wide 3": write_csv(folder / "b.csv", "3.0.0", FILLERS, tall=False, encoding="utf-8-sig"),
        "json 3": write_json(folder / "c.json", "3.0.0", FILLERS),
        "tall 2": write_csv(folder / "d.csv", "2.2.0", FILLERS, tall=True, encoding="cp1252"),
        "json 2": write_json(folder / "e.json", "2.0.0", FILLERS),
    }


@pytest.fixture(scope="module")
def read(files: dict[str, Path]) -> dict[str, PriceFile]:
    """Each of them, read."""
    return {shape: read_price_file(path) for shape, path in files.items()}


def told(found: PriceFile) -> dict[str, tuple[float, str]]:
    """Overrides less what only names the file: version, hash and row."""
    changes = tomli.loads(price_override(found))["override"]
    changes = {name: row for name, row in changes.items() if "value" in row}
    return {name: (row["value"], re.sub(r", first in row \d+|, template .*", "", row["note"])) for name, row in changes.items()}


def test_five_shapes_give_one_override(read: dict[str, PriceFile]) -> None:
    """Values, plans and ranges are the same whatever the shape."""
    first = told(read["tall 3"])
    assert all(told(found) == first for found in read.values())
    assert {name: value for name, (value, _) in first.items()} == {
        "payment_session_direct": 1890.0,  # median of 1800 and 1980
        "payment_session_eus": 1995.0,
        "payment_surveillance_egd": 945.0,  # the amount that such claims came to
        "payment_surveillance_eus": 1942.5,  # 25% and 27.5% of a gross charge of 7,400; 999999999 is no amount
        "payment_session_transvenous": 11550.0,
        "payment_readmission": 9450.0,
        "payment_ulcer_bleed": 9030.0,
        "payment_embolism": 12600.0,
    }


def test_ratios_where_three_codes_are_shared(read: dict[str, PriceFile]) -> None:
    """Commercial over Medicare Advantage, by group; one code of transvenous is too few."""
    for found in read.values():
        assert found.ratios == {("commercial", "session"): 2.095, ("commercial", "stay"): 2.095}  # 2.2 / 1.05
        assert found.unknown_payers == ("Stonebridge Mutual",)
    changes = tomli.loads(price_override(read["json 2"]))["override"]
    private = next(row for row in changes["payers"]["table"] if row["name"] == "Private insurance")
    terms = {row["activity"]: row["payment_ratio"] for row in changes["payer_terms"]["table"] if row["payer"] == "Private insurance"}
    assert private["payment_ratio"] == terms["prophylaxis"] == terms["sepsis"] == 2.095
    assert terms["session_transvenous"] == 1.7, "too few codes: as in the price list"


def test_what_is_left_out_is_counted(read: dict[str, PriceFile]) -> None:
    """Modifiers, drugs and payments by the day, five plans each; the unknown payer in every code."""
    for found in read.values():
        wanted = {"with a modifier": 5, "of a drug": 5, "per day, not per case": 5, "of a payer not known": 9, "used": 36}
        assert {key: found.counts[key] for key in wanted} == wanted


def test_devices_cost_their_charge_at_the_hospitals_ratio(read: dict[str, PriceFile], tmp_path: Path) -> None:
    """Three coils of 640 in the middle, one ampoule of 200; without the ratio no charge becomes a cost."""
    for found in read.values():
        assert [(d.name, d.items, d.charge, d.low, d.high) for d in found.charged] == [
            ("c_coil", 3, 640.0, 600.0, 700.0),
            ("c_glue_ml", 1, 200.0, 200.0, 200.0),
        ]
    assert "c_coil" not in price_override(read["tall 3"])
    (tmp_path / "prices.toml").write_text(price_override(read["json 2"], 0.28), encoding="utf-8")
    parameters = load_case(None, [tmp_path / "prices.toml"]).parameters
    assert (parameters.number("c_coil"), parameters.number("c_glue_ml")) == (179.2, 56.0)
    p = parameters["c_coil"]
    assert (p.status, p.source, p.derive and p.derive.text) == ("derived", "own_price_file", "0.28 * 640.0")
    assert read["json 2"].sha256 in p.locator


def test_a_payer_named_by_the_reader(files: dict[str, Path]) -> None:
    """Its class then moves the median; an unknown class is refused."""
    found = read_price_file(files["wide 3"], {"Stonebridge Mutual": "commercial"})
    assert found.unknown_payers == ()
    assert next(p for p in found.paid if (p.code, p.payer_class) == ("433", "commercial")).plans == 3
    with pytest.raises(DataError, match="must be one of medicare_advantage"):
        read_price_file(files["wide 3"], {"Stonebridge Mutual": "private"})


def test_packed_files_and_the_case(files: dict[str, Path], tmp_path: Path) -> None:
    """Read in place; the override runs, and a payment says where it was read."""
    (tmp_path / "a.gz").write_bytes(gzip.compress(files["json 3"].read_bytes()))
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.write(files["tall 3"], "prices.csv")
    packed = [read_price_file(tmp_path / name) for name in ("a.gz", "a.zip")]
    assert told(packed[0]) == told(packed[1])
    (tmp_path / "prices.toml").write_text(price_override(packed[0]), encoding="utf-8")
    p = load_case(None, [tmp_path / "prices.toml"]).parameters["payment_session_eus"]
    assert (p.value, p.status, p.price_year) == (1995.0, "local", "2026")
    assert packed[0].sha256 in p.note


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "no headings"),
        ("a,b\n1,2\nx,y\n", "no headings"),
        ("{}", "no list standard_charge_information"),
        ('{"version": "3", "standard_charge_information": [{"code_information": [', "ends, or is broken"),
        (json.dumps({"standard_charge_information": []}), "names no version"),
    ],
)
def test_other_files_are_refused(tmp_path: Path, text: str, message: str) -> None:
    """One message each."""
    (tmp_path / "x").write_text(text, encoding="utf-8")
    with pytest.raises(DataError, match=message):
        read_price_file(tmp_path / "x")


def test_nothing_of_use(tmp_path: Path) -> None:
    """A file without our codes gives no override."""
    (tmp_path / "x.json").write_text(json.dumps({"version": "3.0.0", "standard_charge_information": []}), encoding="utf-8")
    with pytest.raises(DataError, match="no payment of Medicare Advantage"):
        price_override(read_price_file(tmp_path / "x.json"))
