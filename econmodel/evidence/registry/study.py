"""A site's registry as studies: first bleeds from any source, death and transplant competing, of each strategy's patients.

One study a strategy, since nobody was allotted at random: each has the mix of its own patients. Points are the years to which
enough are still followed; what the registry has already moved in the case carries no verdict.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from econmodel.evidence.pieces import Numbers, exact_intervals, interval_risks
from econmodel.evidence.registry.analysis import RegistryResult, analyse_registry
from econmodel.evidence.registry.curves import BLED, Curve
from econmodel.evidence.registry.settings import DAYS_PER_YEAR, HORIZONS, Options
from econmodel.evidence.study_files import Arm, Endpoint, Study
from econmodel.evidence.untreated import Mix
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import WATCH

if TYPE_CHECKING:
    import pandas as pd

UNTREATED = ("log_rate_mean", "log_rate_site", "log_rate_reference", "p_first_bleed_year_1")


def registry_studies(path: Path, parameters: ParameterSet) -> list[Study]:
    """Read a registry (CSV or XLSX) and make a study of each strategy with enough patients followed for a year.

    Raises
    ------
    DataError
        The file cannot be read as a registry; ``econmodel registry`` shows what to settle, and its repaired file can be read.
    """
    result = analyse_registry(path, Options(strategies=parameters.strategies))
    moved = tuple(name for name in UNTREATED if parameters[name].changed_by == result.clean.title)
    found = (_study(result, str(strategy), patients, parameters, moved) for strategy, patients in result.followup.groupby("strategy"))
    return [study for study in found if study]


def _study(
    result: RegistryResult, strategy: str, patients: pd.DataFrame, parameters: ParameterSet, moved: tuple[str, ...]
) -> Study | None:
    known = patients.dropna(subset=["child", "size_step", "red"])
    curve, fewest = result.curves[strategy, "all"], result.options.minimum
    years = [y for y in HORIZONS if (curve.at(y * DAYS_PER_YEAR)["at_risk"] or 0) >= fewest]
    if not years or len(known) < fewest:
        return None
    child, size = ([float(known[column].eq(x).mean()) for x in xs] for column, xs in (("child", "ABC"), ("size_step", range(3))))
    mix, values = Mix(tuple(child), tuple(size), float(known["red"].mean())), {v.name: v.value for v in result.values}
    return Study(
        key=f"registry_{result.clean.mark}_{strategy}",
        title=f"{result.clean.title}: {parameters.strategies[strategy].label}",
        source="",
        locator="own patients",
        population=f"{len(patients)} patients, {len(known)} with class, size and red spots recorded",
        start="never_bled",
        mix_name="own",
        mix=mix,
        weights=(None, None, None),
        mix_basis="own patients",
        age=values.get("start_age"),
        share_female=values.get("share_female"),
        note=("Invented data. " if result.clean.invented else "") + "Nobody was allotted at random.",
        arms={strategy: Arm(strategy, parameters.strategies[strategy].label, strategy, {})},
        endpoints=(_first_bleeds(strategy, patients, curve, years, moved if strategy == WATCH else ()),),
    )


def _first_bleeds(strategy: str, patients: pd.DataFrame, curve: Curve, years: list[int], moved: tuple[str, ...]) -> Endpoint:
    ends = [y * DAYS_PER_YEAR for y in years]
    at = [curve.at(day) for day in ends]
    risk: Numbers = tuple(float(point["value"] or 0.0) for point in at)
    bled = patients.loc[patients["event"].eq(BLED), "days"]
    counts = np.histogram(bled, [0.0, *ends])[0]
    before = [len(patients), *(int(point["at_risk"] or 0) for point in at)]
    steps = interval_risks(risk)
    whole = tuple(
        max(1, round(n / q) if q > 0 else round((a + b) / 2)) for n, q, a, b in zip(counts, steps, before, before[1:], strict=False)
    )
    return Endpoint(
        key="first_bleed",
        arm=strategy,
        event="first_bleed",
        scale="competing",
        months=tuple(12.0 * y for y in years),
        risk=risk,
        events=tuple(n * q for n, q in zip(whole, steps, strict=True)),
        at_risk=whole,
        intervals=tuple(exact_intervals(risk, steps, whole)),
        used_in=moved,
    )
