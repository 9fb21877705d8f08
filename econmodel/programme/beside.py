"""Two cases side by side: the same headline numbers of each, and what the second has more than the first."""

from __future__ import annotations

from econmodel.economics.results import Results
from econmodel.programme.explained import Step
from econmodel.programme.report import ProgrammeResult
from econmodel.records import record


@record
class Beside:
    """One number of two cases, told as a :class:`~econmodel.programme.explained.Step`; None where a case has none."""

    label: str
    first: float | None
    second: float | None
    told: str

    @property
    def difference(self) -> float | None:
        """Second less first; None of an NNT, which does not add, and where a case has no number."""
        return None if self.first is None or self.second is None or self.told == "nnt" else self.second - self.first


def lay_beside(
    first: tuple[Results, ProgrammeResult | None], second: tuple[Results, ProgrammeResult | None], year: int
) -> tuple[Beside, ...]:
    """Lay the numbers of two cases beside each other, of the lead of each against its own usual care; the NNT is that at ``year``."""
    one, two = ({step.label: step for step in _numbers(*case, year)} for case in (first, second))
    alike = first[0].settings.currency == second[0].settings.currency
    return tuple(
        Beside(label, one[label].value if label in one else None, two[label].value if label in two else None, told)
        for label, told in {step.label: step.told for step in (*one.values(), *two.values())}.items()
        if alike or told != "money"
    )


def _numbers(results: Results, programme: ProgrammeResult | None, year: int) -> tuple[Step, ...]:
    return (*(_of_programme(programme) if programme else ()), *_of_patients(results, year))


def _of_patients(results: Results, year: int) -> tuple[Step, ...]:
    found, steps = results.strategies[results.lead], []
    if (against := results.against(results.usual_care, results.lead)) is not None:
        now, nnt = against.headline, against.headline.nnt.get(year)
        steps = [
            Step("Net cost of a patient", now.incremental_cost, "money"),
            Step("Bleeds averted per 100 patients", now.bleeds_averted_per_100, "count"),
            Step(f"NNT, first bleed, {year} years", 1.0 / nnt.arr if nnt and nnt.arr else None, "nnt"),
            Step("QALYs gained by 100 patients, time horizon", 100.0 * against.whole.incremental_qalys, "count"),
        ]
    return (*steps, Step("Procedure deaths per 1,000 patients", 1000.0 * found.deaths["procedure"], "count"))


def _of_programme(programme: ProgrammeResult) -> tuple[Step, ...]:
    found, saved = programme.headline, programme.savings
    return (
        Step("Patients started a year", found.patients_per_year, "count"),
        Step("Bleeds averted", found.bleeds_averted, "count"),
        Step("Deaths from bleeding averted", saved.bleeding_deaths_averted, "count"),
        Step("Deaths from the procedure", saved.harms_added["deaths_procedure"], "count"),
        Step("Embolisms caused", saved.harms_added["embolism"], "count"),
        Step("Bleeds caused, of glue or ulcer", saved.harms_added["ulcer_bleed"], "count"),
        Step("Net present value in cash", found.npv_cash, "money"),
        Step("with staff time freed counted", found.npv_with_capacity, "money"),
        Step("Lowest cumulative cash", found.peak_cash, "money"),
        Step("Years to payback", found.payback_years, "count"),
        Step("Net contribution in year 3", found.year_3_net_contribution, "money"),
        Step("Bed-days released", found.bed_days_released, "count"),
    )
