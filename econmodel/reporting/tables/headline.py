"""Tables as data: rows of numbers for the terminal, HTML, PDF and DOCX; renderers only lay them out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from econmodel.economics.results import Compared, Results
from econmodel.parameters.catalogue import HEADLINE_COMPLICATIONS
from econmodel.records import record
from econmodel.reporting import formatting as f
from econmodel.reporting.papers.phrases import short

NNT_YEAR = 3


@record
class HeadlineRow:
    """Numbers of one strategy, per patient.

    ``cost`` is discounted, over the headline years; ``compared`` holds the comparison with each comparator of the summaries
    (None with itself); QALYs and harms are over the time horizon.
    """

    key: str
    label: str
    cost: float
    compared: Mapping[str, Compared | None]
    qalys: float
    procedure_deaths: float
    complications: Mapping[str, float]
    bleed_deaths: float


def headline_rows(results: Results) -> list[HeadlineRow]:
    """One row of numbers per strategy: cost, comparisons, QALYs and harms."""
    return [
        HeadlineRow(
            key,
            found.label,
            found.headline_cost,
            {versus: results.against(versus, key) for versus in results.beside},
            found.qalys,
            found.deaths["procedure"],
            found.complications,
            found.deaths["bleed"],
        )
        for key, found in results.strategies.items()
    ]


def headline_columns(results: Results) -> list[tuple[str, str]]:
    """Keys and headings of the headline table; a key of a comparison ends in its comparator."""
    settings, years = results.settings, results.settings.headline
    against = {versus: short(results, versus) for versus in results.beside}
    return [
        ("label", "Strategy"),
        ("cost", f"Cost per patient ({f.duration(years)}, {f.price_note(settings)})"),
        *((f"net_cost_{versus}", f"Net cost v. {name}") for versus, name in against.items()),
        *(
            (f"bleeds_averted_{v}", f"First bleeds averted per 100 v. {name} ({f.duration(years)})")
            for v, name in [*against.items()][:1]
        ),
        *((f"nnt_{versus}", f"NNT at {NNT_YEAR} years v. {name}") for versus, name in against.items()),
        ("qalys", "QALYs (time horizon)"),
        ("procedure_deaths", "Procedure deaths per 1,000"),
        *((kind, f"{short} per 1,000") for kind, short in HEADLINE_COMPLICATIONS.items()),
    ]


def headline_text(results: Results) -> list[dict[str, str]]:
    """Headline rows as text, keyed as :func:`headline_columns`."""
    currency = results.settings.currency
    return [
        {
            "key": row.key,
            "label": row.label,
            "cost": f.money(row.cost, currency),
            **{name: text for versus, found in row.compared.items() for name, text in _compared(versus, found, currency).items()},
            "qalys": f.number(row.qalys, 2),
            "procedure_deaths": f.per(row.procedure_deaths, 1000),
            **{kind: f.per(row.complications[kind], 1000) for kind in HEADLINE_COMPLICATIONS},
        }
        for row in headline_rows(results)
    ]


def _compared(versus: str, found: Compared | None, currency: str) -> dict[str, str]:
    if found is None:
        return dict.fromkeys((f"net_cost_{versus}", f"bleeds_averted_{versus}", f"nnt_{versus}"), f.NOTHING)
    now = found.headline
    return {
        f"net_cost_{versus}": f.money_change(now.incremental_cost, currency),
        f"bleeds_averted_{versus}": f.per(now.arr_at_end, 100),
        f"nnt_{versus}": f.nnt(now.nnt.get(NNT_YEAR)),
    }


def result_rows(document: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Every number of a result document, one per line, for ``results.csv``; year by year for all patients only."""
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
