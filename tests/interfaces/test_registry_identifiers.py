"""No name and no record number leaves a registry: planted in every column, heading, sheet and file name, sought in every output."""

import csv
from zipfile import ZipFile

import openpyxl
import pytest
from click.testing import CliRunner

from econmodel.errors import EconModelError
from econmodel.interfaces.commands import registry as commands

PLANTS = ("Zebulon Quist", "QX4857773")
HEAD = (
    "Study no|Birth year|Sex|Cause|Child|Varix type|Size|Red spots|Previous bleed|Decision date|Session date|Strategy|"
    "Coils|Glue mL|Obliterated|Complication|Bled|Bleed date|Source|Last seen|Status|Date of death|Cause of death|"
    "Check date|Check result|Note"
).split("|")
ROW = ("7|1960|F|HCV|A|GOV2|12|no|no|2020-01-15|2020-02-01|glue||1.5|yes|none|no|||2022-01-15|alive|||2020-05-01|closed|fine").split(
    "|"
)


@pytest.fixture(scope="module", autouse=True)
def belief():
    """Give every run of the command the base case's beliefs made once."""
    once = commands.base_case()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(commands, "base_case", lambda hospital: once)
        yield


def planted(plants, rows=12):
    """Patients of whom some cells are another's: (row, column) -> text."""
    table = [[f"A-{number}", *ROW[1:]] for number in range(rows)]
    for (row, column), text in plants.items():
        table[row][column] = text
    return table


def saved(folder, rows):
    """Write rows as CSV under the headings."""
    path = folder / "r.csv"
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows([HEAD, *rows])
    return path


def contents(folder):
    """Text of every file of a folder, of workbooks that of every part."""
    texts = []
    for path in folder.rglob("*"):
        if path.suffix == ".xlsx":
            with ZipFile(path) as book:
                texts += [book.read(name).decode("utf-8") for name in book.namelist()]
        elif path.is_file():
            texts.append(path.read_text(encoding="utf-8"))
    return "".join(texts)


def outputs(folder, path, *options):
    """Everything a run of the command shows and writes, a refusal too."""
    done = CliRunner().invoke(commands.registry, [str(path), "--out", str(folder / "out"), *options])
    assert done.exception is None or isinstance(done.exception, EconModelError | SystemExit)
    said = done.output + str(done.exception or "")
    names = " ".join(p.name for p in folder.rglob("out/*"))
    return said, said + names + contents(folder / "out")


def sought(text):
    """Plants found in a text, whole or in part, whatever the case."""
    return [word for plant in PLANTS for word in plant.lower().split() if word in text.lower()]


@pytest.mark.parametrize("each", [1, 3])
def test_in_some_rows_of_every_column(tmp_path, each):
    """Each column has the plant in one row, and in three, which once was enough to be shown."""
    cells = [(column * each + n, column) for column in range(len(HEAD)) for n in range(each)]
    for number, plant in enumerate((*PLANTS, f"fever, {PLANTS[0]} {PLANTS[1]}")):
        path = saved(tmp_path, planted(dict.fromkeys(cells, plant), len(HEAD) * each + 30))
        everything = outputs(tmp_path / str(number), path)[1]
        assert sought(everything) == []
        assert "words not known" in everything


DECIDING = tuple(
    HEAD.index(name) for name in ("Decision date", "Strategy", "Complication", "Bled", "Last seen", "Status", "Check date")
)
REST = tuple(column for column in range(len(HEAD)) if column not in DECIDING)


@pytest.mark.parametrize("columns", [REST[:13], REST[13:], *([column] for column in DECIDING)], ids=str)
def test_in_all_rows_of_a_column(tmp_path, columns):
    """A column that holds nothing else may end the run; what is said of it holds no plant."""
    path = saved(tmp_path, planted({(row, column): PLANTS[row % 2] for row in range(12) for column in columns}))
    assert sought(outputs(tmp_path, path)[1]) == []


def test_in_headings_sheet_and_file_name(tmp_path):
    """In the heading of every unused column and of two that are mapped, in titles, sheet names and the file's own."""
    book = openpyxl.Workbook()
    book.active.title = PLANTS[0]
    sheet = book.create_sheet(PLANTS[1])
    sheet.append(PLANTS)
    sheet.append([*HEAD[:-1], PLANTS[0], PLANTS[1], f"Status {PLANTS[0]}"])
    for row in planted({}):
        sheet.append([*row, "x", "y"])
    path = tmp_path / f"{PLANTS[0]} {PLANTS[1]}.xlsx"
    book.save(path)
    done, everything = outputs(tmp_path, path)
    assert sought(everything) == []
    assert "override.toml" in everything
    assert "not used: columns Z, AA, AB" in done.replace("\n", " ")


def test_shown_and_keyed_only_on_request(tmp_path):
    """``--show-words`` shows a word on the screen alone; ``--key`` writes ids to the file named, no other."""
    path = saved(tmp_path, planted({(5, 20): PLANTS[0]}))
    said, _ = outputs(tmp_path, path, "--show-words", "--key", str(tmp_path / "key.csv"))
    assert "column U (status), no. 1, 1 patients, first in row 7: 'Zebulon Quist'" in said
    assert sought(contents(tmp_path / "out")) == []
    assert (tmp_path / "key.csv").read_text(encoding="utf-8").splitlines()[:2] == ["patient,row,id", "patient-1,2,A-0"]
