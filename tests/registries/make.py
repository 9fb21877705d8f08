"""Three messy registries made from one known truth, all invented: ``python tests/registries/make.py`` writes them anew.

The truth is drawn once from a fixed seed, with no thought of plausible effects. Each file tells it in its own way, with names and
record numbers that nobody bears, and goes in with the recipe beside it.
"""

from __future__ import annotations

import csv
import io
import random
from datetime import date, timedelta
from pathlib import Path

import openpyxl

FOLDER = Path(__file__).resolve().parents[2] / "params" / "registries"
INVENTED = "Invented registry for demonstration: no real patient, clinician or hospital"
PATIENTS, SESSIONS = 60, 3
FACTS, END = ("sex", "child", "varix_type"), ("last_seen", "status", "death_date", "death_cause")
TRUTH = (
    "patient,age,sex,child,varix_type,size_mm,red_spot,decision,strategy,sessions,coils,glue_ml,complications,closed,checked,"
    "bled,bleed_date,source,last_seen,status,death_date,death_cause"
).split(",")
Patient = dict[str, object]


def truth() -> list[Patient]:
    """Patients as they were: strategy, sessions with devices and complications, bleed, death, last contact."""
    draw, found = random.Random(20260127), []
    for number in range(1, PATIENTS + 1):
        decision = date(2019, 1, 7) + timedelta(days=draw.randrange(1000))
        strategy = draw.choice(["watch", "watch", "glue", "glue", "coil_and_glue", "coil_and_glue", "beta_blocker"])
        treated = strategy in ("glue", "coil_and_glue")
        days = [decision + timedelta(days=14 + 35 * n + draw.randrange(9)) for n in range(draw.choice([1, 1, 2, 3]) if treated else 0)]
        after = (days or [decision])[-1]
        bled = draw.random() < 0.25
        bleed = after + timedelta(days=draw.randrange(60, 600)) if bled else None
        end = (bleed or after) + timedelta(days=draw.randrange(90, 900))
        status = draw.choice(["alive"] * 6 + ["dead", "dead", "lost", "transplanted"])
        checked = after + timedelta(days=45) if treated else None
        died = end + timedelta(days=draw.randrange(1, 20)) if status == "dead" else None
        found.append(
            {
                "patient": number,
                "age": draw.randrange(38, 79),
                "sex": draw.choice(["male", "male", "female"]),
                "child": draw.choice("AAABBC"),
                "varix_type": draw.choice(["GOV2", "GOV2", "IGV1"]),
                "size_mm": draw.randrange(12, 46) / 2,
                "red_spot": draw.choice(["no", "no", "yes"]),
                "decision": decision,
                "strategy": strategy,
                "sessions": days,
                "coils": [draw.choice([1, 2, 3]) if strategy == "coil_and_glue" else 0 for _ in days],
                "glue_ml": [draw.choice([0.5, 1.0, 1.5, 2.25]) for _ in days],
                "complications": [draw.choice(["none"] * 8 + ["fever", "embolism", "other"]) for _ in days],
                "closed": draw.random() < 0.7,
                "checked": checked,
                "bled": "yes" if bled else "no",
                "bleed_date": bleed,
                "source": draw.choice(["gastric", "gastric", "other"]) if bled else "",
                "last_seen": end,
                "status": status,
                "death_date": died,
                "death_cause": draw.choice(["other", "bleed"] if bled else ["other"]) if died else "",
            }
        )
    return found


def said(value: object, words: dict[str, str], pattern: str = "%d/%m/%Y") -> str:
    """A value in the words, dates and decimal comma of a file."""
    if isinstance(value, date):
        return value.strftime(pattern)
    if value is None or isinstance(value, bool):
        return "" if value is None else words[str(value)]
    return words.get(str(value), str(value).replace(".", ",") if isinstance(value, float) else str(value))


GERMAN = dict(
    pair.split("=")
    for pair in (
        "male=m|female=w|yes=ja|no=nein|watch=Beobachtung|glue=Kleber|coil_and_glue=Coil und Kleber|"
        "beta_blocker=Carvedilol|none=keine|fever=Fieber, keine Embolie|embolism=LE|gastric=Fundusvarize|"
        "other=Ösophagusvarizen|alive=lebt|dead=verstorben|lost=nicht erreichbar|transplanted=LTX|True=verschlossen|"
        "False=offen|="
    ).split("|")
)


def wide(patients: list[Patient]) -> openpyxl.Workbook:
    """German: two sheets, merged headings over three sessions across, a row of units, words of the house (LE, MOV, Schmerz)."""
    book = openpyxl.Workbook()
    base, follow = book.active, book.create_sheet("Verlauf")
    base.title = "Stammdaten"
    base.append([INVENTED])
    top = ["Nr.", "Name", "Alter", "Geschl.", "Child", "Typ", "Größe", "RCS", "Entscheid", "Verfahren"]
    base.append(top + [text for n in range(1, SESSIONS + 1) for text in (f"Sitzung {n}", "", "", "")])
    base.append([""] * len(top) + ["Datum", "Coils", "Kleber", "Komplikation"] * SESSIONS)
    base.append(["", "", "Jahre", "", "", "", "mm", "", "", ""] + ["", "n", "ml", ""] * SESSIONS)
    for n in range(SESSIONS):
        base.merge_cells(start_row=2, end_row=2, start_column=len(top) + 1 + 4 * n, end_column=len(top) + 4 + 4 * n)
    follow.append(["Fall", "Kontrolle", "Befund", "Blutung", "am", "Quelle", "zuletzt", "Zustand", "gest. am", "Ursache"])
    for p in patients:
        harms = [("Schmerz" if c == "other" else GERMAN[c]) for c in p["complications"]]
        cells = [cell for row in zip(p["sessions"], p["coils"], p["glue_ml"], harms, strict=True) for cell in row]
        facts = [said(p[key], GERMAN) for key in FACTS]
        first = [f"F-{p['patient']}", f"Erfunden {p['patient']}", p["age"], *facts, p["size_mm"], GERMAN[p["red_spot"]]]
        base.append([*first, p["decision"], GERMAN[p["strategy"]], *cells])
        cause = {"": "", "bleed": "Varizenblutung", "other": "MOV"}[p["death_cause"]]
        found = GERMAN[str(p["closed"])] if p["checked"] else ""
        told = [p["checked"], found, GERMAN[p["bled"]], p["bleed_date"], GERMAN[p["source"]], p["last_seen"], GERMAN[p["status"]]]
        follow.append([f"F-{p['patient']}", *told, p["death_date"], cause])
    return book


SPANISH = dict(
    pair.split("=")
    for pair in (
        "male=H|female=M|yes=Sí|no=No|watch=sin profilaxis|glue=cianoacrilato|coil_and_glue=coils + cianoacrilato|"
        "beta_blocker=propranolol|none=sin complicaciones|fever=fiebre|embolism=TEP|gastric=varices fúndicas|"
        "other=varices esofágicas|alive=vivo|dead=exitus|lost=perdido de seguimiento|transplanted=TOH|True=obliterada|"
        "False=permeable|="
    ).split("|")
)


def spanish(patients: list[Patient]) -> bytes:
    """Semicolons, Windows-1252, decimal commas, days first; a row a session, names and record numbers beside."""
    stream = io.StringIO(newline="")
    rows = csv.writer(stream, delimiter=";", lineterminator="\r\n")
    rows.writerow([INVENTED])
    rows.writerow(
        "Nº historia;Apellidos;Edad;Sexo;Child;Tipo;Tamaño (mm);Puntos rojos;Fecha decisión;Fecha sesión;Tratamiento;Nº coils;"
        "Volumen (ml);Complicación;Revisión;Hallazgo;¿Ha sangrado?;Fecha sangrado;Origen;Última visita;Situación;Fecha éxitus;"
        "Causa éxitus".split(";")
    )
    for p in patients:
        first = [f"HC{p['patient']:07d}", f"Inventado {p['patient']}", p["age"], *(p[k] for k in FACTS)]
        first += [p["size_mm"], p["red_spot"], p["decision"]]
        cause = {"": "", "bleed": "hemorragia varicosa", "other": "PBE"}[str(p["death_cause"])]
        last = [
            p["checked"],
            p["closed"] if p["checked"] else "",
            p["bled"],
            p["bleed_date"],
            p["source"],
            p["last_seen"],
            p["status"],
        ]
        visits = list(zip(p["sessions"], p["coils"], p["glue_ml"], p["complications"], strict=True)) or [("", "", "", "")]
        for session, coils, glue, harm in visits:
            told = "dolor leve" if harm == "other" else harm
            row = [*first, session, p["strategy"], coils or "", glue, told, *last, p["death_date"], cause]
            rows.writerow([said(cell, SPANISH) for cell in row])
    return stream.getvalue().encode("cp1252")


CODES = {
    k: tuple(v.split(","))
    for k, _, v in (
        pair.partition("=")
        for pair in (
            "sex=male,female|red_spot=no,yes|bled=no,yes|strategy=watch,glue,coil_and_glue,beta_blocker|"
            "complication=none,fever,embolism,other|bleed_source=gastric,other|check_found=open,closed|"
            "status=alive,dead,lost,transplanted|death_cause=other,bleed"
        ).split("|")
    )
}
CODED = (
    "id,age,sex,child,varix_type,size_mm,red_spot,decision_date,session_date,strategy,coils,glue_ml,complication,check_date,"
    "check_found,bled,bleed_date,bleed_source,last_seen,status,death_date,death_cause"
).split(",")


def code(name: str, value: object) -> str:
    """Code of a value: its place in the book from 1; 9 where it is not known."""
    if name in CODES:
        return str(CODES[name].index(str(value)) + 1) if value not in ("", None) else "9"
    return value.strftime("%Y%m%d") if isinstance(value, date) else str("" if value is None else value)


def coded(patients: list[Patient]) -> tuple[str, str]:
    """A research export of variables v01, v02, ... in numbers, and its code book."""
    lines = [INVENTED, ",".join(f"v{n:02d}" for n in range(1, len(CODED) + 1))]
    for p in patients:
        first = [
            1000 + int(str(p["patient"])),
            *(p[k] for k in ("age", "sex", "child", "varix_type", "size_mm", "red_spot", "decision")),
        ]
        found = ("closed" if p["closed"] else "open") if p["checked"] else ""
        last = [
            p["checked"],
            found,
            *(p[k] for k in ("bled", "bleed_date", "source", "last_seen", "status", "death_date", "death_cause")),
        ]
        visits = list(zip(p["sessions"], p["coils"], p["glue_ml"], p["complications"], strict=True)) or [("", "", "", "")]
        for session, coils, glue, harm in visits:
            row = [*first, session, p["strategy"], coils, glue, harm, *last]
            lines.append(",".join(code(name, cell) for name, cell in zip(CODED, row, strict=True)))
    book = [INVENTED, "variable,meaning,code,label"]
    for n, name in enumerate(CODED, start=1):
        labels = [*enumerate(CODES[name], start=1), (9, "not known")] if name in CODES else [("", "")]
        book += [f"v{n:02d},{name},{number},{label}" for number, label in labels]
    return "\n".join(lines) + "\n", "\n".join(book) + "\n"


def truth_text(patients: list[Patient]) -> str:
    """The truth as CSV, a row a patient, sessions parted by bars."""
    stream = io.StringIO(newline="")
    stream.write(INVENTED + "\n")
    rows = csv.writer(stream, lineterminator="\n")
    rows.writerow(TRUTH)
    rows.writerows(["|".join(map(str, v)) if isinstance(v := p[key], list) else v for key in TRUTH] for p in patients)
    return stream.getvalue()


def main() -> None:
    """Write the files; the recipes beside them are written by hand."""
    patients = truth()
    wide(patients).save(FOLDER / "wide.xlsx")
    (FOLDER / "spanish.csv").write_bytes(spanish(patients))
    for name, text in zip(("coded.csv", "coded_book.csv"), coded(patients), strict=True):
        (FOLDER / name).write_text(text, encoding="utf-8")
    (FOLDER / "truth.csv").write_text(truth_text(patients), encoding="utf-8")


if __name__ == "__main__":
    main()
