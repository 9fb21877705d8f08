"""What the live workbook can hold: the base structure. Other structures are refused, never approximated."""

from __future__ import annotations

from econmodel.errors import AnalysisError, EconModelError, join_faults
from econmodel.parameters.loading import Case

LIVE_CHOICES: dict[str, tuple[str, ...]] = {
    "effect_basis": ("intention_to_treat",),
    "effect_clock": ("start",),
    "years_excess_after_bleed": ("lifelong",),
    "hazard_decline": ("time", "constant"),
}
MOST = 40
FIXED_INPUTS = ("price_list", "effect_basis", "effect_clock", "years_excess_after_bleed", "currency", "price_year")


def check_scope(case: Case) -> None:
    """Refuse a case whose structure is not the base structure.

    Raises
    ------
    AnalysisError
        Per-protocol effect, an effect clock that restarts, frailty, or an excess death rate for one year only (names
        the input and where it was set); or more groups or strategies than a formula can hold.
    """
    faults: list[EconModelError] = []
    for name, allowed in LIVE_CHOICES.items():
        value = case.parameters.text(name)
        if value not in allowed:
            what = f"{name} = {value!r}: the live workbook holds the base structure only, where it is {' or '.join(allowed)}"
            faults.append(
                AnalysisError(
                    what,
                    where=str(case.parameters[name].where),
                    fix="leave that scenario out of the workbook; `econmodel case` reports its results",
                )
            )
    sizes = {"patient groups": len(case.parameters.rows("case_mix")), "strategies": len(case.parameters.strategies)}
    for words, size in sizes.items():
        if size > MOST:
            what = f"{size} {words}: the live workbook holds at most {MOST}, or its formulas outgrow a cell"
            faults.append(AnalysisError(what, fix="merge some of them for the workbook"))
    if faults:
        raise join_faults(faults)
