"""The same fictional prices as a tall, a wide and a JSON file of the templates 2 and 3; run by itself it measures 50 MB of each."""

from __future__ import annotations

import csv
import json
import sys
import time
from pathlib import Path

CODES = (
    ("43243", "CPT", "outpatient", 1800.0),
    ("43253", "CPT", "outpatient", 1900.0),
    ("43235", "CPT", "outpatient", 900.0),
    ("43259", "CPT", "outpatient", 1850.0),
    ("37241", "CPT", "outpatient", 11000.0),
    ("432", "MS-DRG", "inpatient", 14000.0),
    ("433", "MS-DRG", "inpatient", 9000.0),
    ("378", "MS-DRG", "inpatient", 8600.0),
    ("175", "MS-DRG", "inpatient", 12000.0),
)
PLANS = (
    ("Fernhollow Medicare Advantage", "HMO", 1.0),
    ("Larkmere Medicare Advantage", "PPO", 1.1),
    ("Fernhollow Commercial", "PPO", 2.0),
    ("Larkmere Commercial", "HMO", 2.4),
    ("Stonebridge Mutual", "Gold", 3.0),
)
DEVICES = (
    ("COIL EMBOLIZATION FIBERED .035 X 6", 600.0),
    ("Coil, pushable, .035 x 8", 640.0),
    ("COIL EMBOLIZATION .035 X 10", 700.0),
    ("COIL EMBOLIZATION DETACHABLE", 4000.0),
    ("N-BUTYL CYANOACRYLATE 0.5 ML AMPULE", 200.0),
    ("ADHESIVE SKIN CYANOACRYLATE", 90.0),
)
HOSPITAL = ("Fernhollow University Hospital (fictional)", "2026-05-01")
DOLLAR, ALGORITHM = "standard_charge|{}negotiated_dollar", "standard_charge|{}negotiated_algorithm"


def services(fillers: int) -> list[dict]:
    """Services: those looked for, one with a modifier, one of a drug, one by the day, and as many others as asked."""
    found = [
        {"codes": [(code.zfill(3) if system == "MS-DRG" else code, system)], "setting": setting, "gross": 4 * base, "base": base}
        for code, system, setting, base in CODES
    ]
    found += [
        {"codes": [("43253", "CPT")], "setting": "outpatient", "gross": 100.0, "base": 10.0, "modifiers": "50"},
        {"codes": [("43253", "CPT"), ("1-2", "NDC")], "setting": "outpatient", "gross": 9.0, "base": 3.0, "drug": "1"},
        {"codes": [("432", "MS-DRG")], "setting": "inpatient", "gross": 9000.0, "base": 1500.0, "methodology": "per diem"},
        {"codes": [("750", "RC")], "setting": "outpatient", "gross": 9000.0, "base": 1500.0},
    ]
    found += [
        {"codes": [("C1889", "HCPCS")], "setting": "both", "gross": gross, "base": gross / 5, "description": said}
        for said, gross in DEVICES
    ]
    return found + [
        {"codes": [(str(70000 + i % 9000), "CPT")], "setting": "outpatient", "gross": 100.0 + i, "base": 50.0 + i}
        for i in range(fillers)
    ]


def figures(service: dict, share: float, version: str) -> dict[str, str]:
    """Figures of one plan: dollars; half the plans of one code an amount, one code a percentage of the gross charge."""
    code = service["codes"][0][0]
    amount = "median_amount" if version.startswith("3") else "estimated_amount"
    found = dict.fromkeys(("dollar", "percentage", "algorithm", "amount"), "")
    if code == "43235":
        found |= {"algorithm": "by a formula", "amount": f"{service['base'] * share:.2f}"}
    elif code == "43259":
        found |= {"percentage": f"{25 * share:g}", "amount": "999999999"}
    else:
        found |= {"dollar": f"{service['base'] * share:.2f}"}
    return found | {"amount_name": amount, "methodology": service.get("methodology", "case rate")}


def write_csv(path: Path, version: str, fillers: int, *, tall: bool, encoding: str = "utf-8") -> Path:
    """Write a CSV of the template."""
    amount = figures(services(0)[0], 1.0, version)["amount_name"]
    plain = ["description", "code|1", "code|1|type", "code|2", "code|2|type", "modifiers", "setting", "drug_unit_of_measurement"]
    plain += ["standard_charge|gross"]

    def of(middle: str) -> list[str]:
        names = [f"standard_charge|{middle}{end}" for end in ("negotiated_dollar", "negotiated_percentage", "negotiated_algorithm")]
        return [*names, f"{amount}|{middle}".rstrip("|"), f"standard_charge|{middle}methodology"]

    more = ["payer_name", "plan_name", *of("")] if tall else [h for payer, plan, _ in PLANS for h in of(f"{payer}|{plan}|")]
    with path.open("w", encoding=encoding, newline="") as file:
        out = csv.writer(file)
        out.writerow(["hospital_name", "last_updated_on", "version", "attestation"])
        out.writerow([*HOSPITAL, version, "true"])
        out.writerow([*plain, *more])
        for service in services(fillers):
            codes = [text for pair in (*service["codes"], ("", ""))[:2] for text in pair]
            head = [
                service.get("description", "Prüfung"),
                *codes,
                service.get("modifiers", ""),
                service["setting"],
                service.get("drug", ""),
                service["gross"],
            ]
            cells = []
            for payer, plan, share in PLANS:
                f = figures(service, share, version)
                row = [f["dollar"], f["percentage"], f["algorithm"], f["amount"], f["methodology"]]
                cells += row
                if tall:
                    out.writerow([*head, payer, plan, *row])
            if not tall:
                out.writerow([*head, *cells])
    return path


def write_json(path: Path, version: str, fillers: int) -> Path:
    """Write a JSON of the template."""

    def paid(service: dict, payer: str, plan: str, share: float) -> dict:
        f = figures(service, share, version)
        keys = {"dollar": "standard_charge_dollar", "percentage": "standard_charge_percentage", "amount": f["amount_name"]}
        numbers = {name: float(f[key]) for key, name in keys.items() if f[key]}
        worded = {"standard_charge_algorithm": f["algorithm"]} if f["algorithm"] else {}
        return {"payer_name": payer, "plan_name": plan, "methodology": f["methodology"], **numbers, **worded}

    def item(service: dict) -> dict:
        charge = {"setting": service["setting"], "gross_charge": service["gross"]}
        charge |= {"modifier_code": [service["modifiers"]]} if "modifiers" in service else {}
        drug = {"drug_information": {"unit": "1", "type": "UN"}} if "drug" in service else {}
        codes = [{"code": code, "type": system} for code, system in service["codes"]]
        payers = [paid(service, *plan) for plan in PLANS]
        return {
            "description": service.get("description", "x"),
            "code_information": codes,
            **drug,
            "standard_charges": [charge | {"payers_information": payers}],
        }

    head = {"hospital_name": HOSPITAL[0], "last_updated_on": HOSPITAL[1], "version": version}
    document = head | {"standard_charge_information": [item(service) for service in services(fillers)]}
    path.write_text(json.dumps(document), encoding="utf-8")
    return path


if __name__ == "__main__":
    from econmodel.evidence.price_files import read_price_file

    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for made in (
        write_csv(folder / "tall.csv", "3.0.0", 70_000, tall=True),
        write_csv(folder / "wide.csv", "3.0.0", 200_000, tall=False),
        write_json(folder / "a.json", "3.0.0", 60_000),
    ):
        begun, size = time.process_time(), made.stat().st_size / 1e6
        read_price_file(made)
        print(f"{made.name}: {size:.0f} MB, {size / (time.process_time() - begun):.0f} MB/s")
