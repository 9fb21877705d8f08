"""Tables as data: rows of numbers for the terminal, HTML, PDF and DOCX; renderers only lay them out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from econmodel.parameters.catalogue import HEADLINE_COMPLICATIONS, KEPT_COMPLICATIONS
from econmodel.reporting import formatting as f
from econmodel.reporting.series import Document, headline_years, latest_year

NNT_YEAR = "3"
ENDOSCOPIC_FOCUS = "coil_and_glue"


def focus_strategy(document: Document) -> str:
    """Strategy the brief's first sentence is about.

    EUS-guided coil and glue where the case has it, else the last strategy that starts a course, else the last one.
    """
    strategies: Mapping[str, Any] = document["inputs"]["strategies"]
    if ENDOSCOPIC_FOCUS in strategies:
        return ENDOSCOPIC_FOCUS
    courses = [key for key, row in strategies.items() if row["starts_in"] == "in_course"]
    return courses[-1] if courses else list(strategies)[-1]


def against(document: Document, versus: str, key: str) -> Mapping[str, Any] | None:
    """Comparison of one strategy with one comparator; None for the comparator itself or one not in the case."""
    found: Mapping[str, Any] | None = document["comparisons"].get(versus, {}).get(key)
    return found


def at_headline(comparison: Mapping[str, Any] | None) -> Mapping[str, Any] | None:
    """Give the same comparison at the headline years (at the horizon where that is shorter)."""
    return None if comparison is None else comparison.get("at_five_years", comparison)


def headline_rows(document: Document) -> list[dict[str, Any]]:
    """One row of numbers per strategy: cost, net costs, bleeds averted, NNT, QALYs and harms.

    Returns
    -------
    list of dict
        ``cost`` and ``net_cost_*`` are discounted, per patient, over the headline years; ``bleeds_averted`` is first
        bleeds per patient over the same years; ``nnt_*`` blocks are at three years; ``qalys`` over the time horizon;
        harms are expected numbers per patient over the time horizon. None where a comparison does not exist.
    """
    return [_headline_row(document, key) for key in document["strategies"]]


def _headline_row(document: Document, key: str) -> dict[str, Any]:
    block = document["strategies"][key]
    row: dict[str, Any] = {
        "key": key,
        "label": block["label"],
        "cost": block["cost_five_years"]["total"],
        "qalys": block["qalys"],
        "procedure_deaths": block["deaths"]["procedure"],
        **{kind: block["complications"][kind] for kind in KEPT_COMPLICATIONS},
        "bleed_deaths": block["deaths"]["bleed"],
    }
    for versus in ("watch", "beta_blocker"):
        now = at_headline(against(document, versus, key))
        row[f"net_cost_{versus}"] = now and now["incremental_cost"]
        row[f"bleeds_averted_{versus}"] = now and now["arr"][str(latest_year(now["arr"], headline_years(document)))]
        row[f"nnt_{versus}"] = now and now["nnt"].get(NNT_YEAR)
    return row


def headline_columns(document: Document) -> list[tuple[str, str]]:
    """Keys and headings of the headline table."""
    settings = document["settings"]
    years = headline_years(document)
    end = latest_year(next(iter(document["strategies"].values()))["first_bleed_risk"], years)
    money = f"{f.duration(years)}, {f.price_note(settings)}"
    return [
        ("label", "Strategy"),
        ("cost", f"Cost per patient ({money})"),
        ("net_cost_watch", "Net cost v. no prophylaxis"),
        ("net_cost_beta_blocker", "Net cost v. beta-blocker"),
        ("bleeds_averted_watch", f"First bleeds averted per 100 v. no prophylaxis ({end} years)"),
        ("nnt_watch", f"NNT at {NNT_YEAR} years v. no prophylaxis"),
        ("nnt_beta_blocker", f"NNT at {NNT_YEAR} years v. beta-blocker"),
        ("qalys", "QALYs (time horizon)"),
        ("procedure_deaths", "Procedure deaths per 1,000"),
        *((kind, f"{short} per 1,000") for kind, short in HEADLINE_COMPLICATIONS.items()),
    ]


def headline_text(document: Document) -> list[dict[str, str]]:
    """Headline rows as text, keyed as :func:`headline_columns`."""
    currency = document["settings"]["currency"]
    return [
        {
            "key": row["key"],
            "label": row["label"],
            "cost": f.money(row["cost"], currency),
            "net_cost_watch": f.money_change(row["net_cost_watch"], currency),
            "net_cost_beta_blocker": f.money_change(row["net_cost_beta_blocker"], currency),
            "bleeds_averted_watch": f.per(row["bleeds_averted_watch"], 100),
            "nnt_watch": f.nnt(row["nnt_watch"]),
            "nnt_beta_blocker": f.nnt(row["nnt_beta_blocker"]),
            "qalys": f.number(row["qalys"], 2),
            "procedure_deaths": f.per(row["procedure_deaths"], 1000),
            **{kind: f.per(row[kind], 1000) for kind in HEADLINE_COMPLICATIONS},
        }
        for row in headline_rows(document)
    ]


def result_rows(document: Document) -> list[dict[str, Any]]:
    """Every number of the results, one per line, for ``results.csv``; year by year for all patients only."""
    rows = _group_rows("all patients", document)
    for name, block in document["groups"].items():
        strategies = {key: {k: v for k, v in found.items() if k != "yearly"} for key, found in block["strategies"].items()}
        rows += _group_rows(name, block | {"strategies": strategies})
    return rows


def _group_rows(group: str, block: Mapping[str, Any]) -> list[dict[str, Any]]:
    rows = [
        {"group": group, "strategy": key, "versus": "", "measure": measure, "value": value}
        for key, results in block["strategies"].items()
        for measure, value in _flat(results)
    ]
    return rows + [
        {"group": group, "strategy": key, "versus": versus, "measure": measure, "value": value}
        for versus, compared in block["comparisons"].items()
        for key, results in compared.items()
        for measure, value in _flat(results)
    ]


def _flat(block: Mapping[str, Any], prefix: str = "") -> list[tuple[str, Any]]:
    """Give nested results as ``outer.inner`` names; the lines of ``yearly`` are named by year."""
    found: list[tuple[str, Any]] = []
    for key, value in block.items():
        if isinstance(value, Mapping):
            found += _flat(value, f"{prefix}{key}.")
        elif key == "yearly":
            found += [item for row in value for item in _flat({k: v for k, v in row.items() if k != "year"}, f"yearly.{row['year']}.")]
        elif key not in ("label", "versus"):
            found.append((prefix + key, value))
    return found
