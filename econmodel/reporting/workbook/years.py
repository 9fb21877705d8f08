"""What happens to a cohort in a year: occupancy, events, activity and cost, the right part of a strategy's yearly sheet.

A move's flow in a year is its chance times the summed occupancy of the state it leaves, each month weighted with its
discount factor, at mid-cycle. Patient-years are by trapezoid on cycle boundaries. Sessions and visits fall at the start
of their month. Activity is ``economics.activity.count_activity`` run on cells.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.arrays import choose
from econmodel.economics.activity import ActivityRates, Rules, activity_rates, activity_rules, count_activity
from econmodel.economics.bleed_prices import share_died
from econmodel.model.course_hazards import after_session
from econmodel.model.hazards import CYCLES_PER_YEAR
from econmodel.parameters.catalogue import CATEGORY, LABELS
from econmodel.parameters.schema import WATCH
from econmodel.records import record
from econmodel.reporting.workbook.book import FIRST_MONTH_ROW, FIRST_YEAR_ROW, HEADER_ROWS, Book, Plan
from econmodel.reporting.workbook.chances import Exits
from econmodel.reporting.workbook.cohort import ALL_FIRST, COURSE, PATENT, SENT, Place, Trace
from econmodel.reporting.workbook.formula import FIRST, LAST, NEXT, ROW, Formula, as_text, value_of
from econmodel.reporting.workbook.hazards import MONTHS
from econmodel.reporting.workbook.writer import letters

LIFETIME = ("gastric_bleed", "other_bleed", "early_rebleed", "late_rebleed", "gastric_rebleed", "other_rebleed", "bleed_death")
WEIGHTINGS = {"undiscounted": "undiscounted", "costs": "discounted as costs", "outcomes": "discounted as outcomes"}
PRICE_ROW = 4
SESSION_FIGURES = ("p_death_course", "sessions_mean", "p_obliteration")
FloatArray = NDArray[np.float64]


class Cohort(Trace):
    """One strategy in the workbook, with the sums of its trace."""

    def write_sums(self) -> None:
        """Write the right part of the yearly sheet: occupancy, events, activity, cost."""
        self.sent: dict[str, Any] = {}
        self.months = self._occupancy()
        for weighting in WEIGHTINGS:
            self._items(weighting)
        if self.plan.key == WATCH:
            self._lifetime()
        self._activity()
        self._group_bleeds()

    @property
    def _marks(self) -> dict[str, Sequence[int]]:
        first = range(FIRST_MONTH_ROW, self.layout.month_rows[-1], CYCLES_PER_YEAR)
        return {FIRST: first, LAST: [row + 11 for row in first], NEXT: [row + 12 for row in first]}

    def _column(self, label: str, formula: Any, start: int = 0, style: str = "factor") -> Any:
        """Write the next column over the years from ``start`` on."""
        rows = self.layout.year_rows[start:]
        marks = {mark: numbers[start:] for mark, numbers in self._marks.items()}
        self.sheet.text(HEADER_ROWS[2], self.columns.next, label, "header_right")
        self.columns.next += 1
        cell = self.sheet.column(rows, self.columns.next - 1, formula, style, marks)
        return cell if isinstance(formula, Formula) else formula

    def _by_year(self, monthly: FloatArray) -> FloatArray:
        return monthly[: self.layout.n_years * CYCLES_PER_YEAR].reshape(self.layout.n_years, CYCLES_PER_YEAR)

    def _weighted(self, block: str, shares: FloatArray, weighting: str, start: int = 0) -> Formula:
        """Sum a block of shares over the months of a year, each weighted with its discount factor."""
        column, factor = self.book.at("factor", weighting)
        value = (self._by_year(shares) * self._by_year(factor)).sum(axis=1)[start:]
        if weighting == "undiscounted":
            return Formula(f"SUM({block})", value)
        joined = "*" if len(set(re.findall(r"\$([A-Z]+)\$", block))) > 1 else ","
        return Formula(f"SUMPRODUCT({block}{joined}{_over(column, MONTHS)})", value)

    def _blocks(self, g: int) -> Iterator[list[Place]]:
        """States of a group side by side that are left by the same chances: their occupancy is summed together."""
        keys = [key for key in self.place if key[1] == g and key[0] != SENT]

        def alike(key: Place) -> object:
            exits = self.exits[key]
            return (
                key
                if key[2] or self.layout.classes > 1
                else (key[0] in (PATENT, COURSE), exits.start, {k: as_text(c) for k, c in exits.chances.items() if k != "ages"})
            )

        for _, same in groupby(keys, key=alike):
            yield list(same)

    def _occupancy(self) -> dict[tuple[str, int], list[tuple[Exits, set[str], Formula]]]:
        """Months in each block of states by weighting and group."""
        found: dict[tuple[str, int], list[tuple[Exits, set[str], Formula]]] = {}
        labels = {state.key: state.label for state in self.states}
        for g, group in enumerate(self.layout.groups):
            for weighting, words in WEIGHTINGS.items():
                first = self.columns.next
                sent = {c: self._sent(weighting, g, c) for state, of, c in self.place if state == SENT and of == g}
                for keys in self._blocks(g):
                    start, last = self.exits[keys[0]].start, keys[-1]
                    block = _over(self.place[keys[0]], self.plan.trace_sheet, self.place[last])
                    shares = np.sum([self.shares[key] for key in keys], axis=0)
                    months = self._column(labels[keys[0][0]], self._weighted(block, shares, weighting, start), start)
                    padded = Formula(months.text, np.concatenate([np.zeros(start), months.value]))
                    if last[0] in (PATENT, COURSE) and sent:
                        padded = padded + sent[last[2]] if last[0] == COURSE else padded - sent[last[2]]
                    found.setdefault((weighting, g), []).append((self.exits[last], {key[0] for key in keys}, padded))
                self.columns.section(f"Months in state, {words}: {group.name}", first)
        return found

    def _sent(self, weighting: str, g: int, c: int) -> Any:
        """Patients whom visits of a year send to another course, and add them to those of all groups."""
        block = _over(self.place[SENT, g, c], self.plan.trace_sheet)
        cell = self._column("Sent to another course", self._weighted(block, self.shares[SENT, g, c], weighting))
        self.sent[weighting] = self.sent.get(weighting, 0.0) + self._share(g) * cell / self.layout.classes
        return cell

    def _group_flow(self, weighting: str, g: int, kinds: Sequence[str]) -> Any:
        """Events of some kinds in a group by year: chance times months in the state."""
        whole: Any = 0.0
        by_class: Any = 0.0
        classed = {state.key for state in self.states if len(self._classes(state.family)) > 1}
        for exits, states, months in self.months[weighting, g]:
            for kind in kinds:
                if kind in exits.chances:
                    chance = exits.chances[kind]
                    padded = Formula(as_text(chance, 5), exits.by_year(chance, self.layout.n_years))
                    whole, by_class = (whole, by_class + padded * months) if states <= classed else (whole + padded * months, by_class)
        return whole + by_class / self.layout.classes

    def _item(self, weighting: str, item: str) -> Any:
        """One cohort sum by year; a plain 0 where it cannot happen."""
        kind, _, name = item.partition(".")
        if name == "retreat" and self.layout.process:
            return self.sent.get(weighting, 0.0)
        if kind == "move":
            flow: Any = sum(self._share(g) * self._group_flow(weighting, g, [name]) for g in self.groups)
            return flow * self.book.at("middle", weighting)
        if kind == "years":
            return self._patient_years(weighting, name) if name in self.families else 0.0
        if kind == "sessions":
            return self._sessions(weighting)
        seen = [family for family in self.layout.kinds.seen if family in self.families]
        due_column, due = self.book.at("due", self.plan.key)
        column, factor = self.book.at("factor", weighting)
        blocks = "+".join(_over(self._all_column(family), self.plan.trace_sheet) for family in seen)
        value = self._by_year(due * factor * sum(self.all_patients[family] for family in seen)).sum(axis=1)
        return Formula(f"SUMPRODUCT({_over(due_column, MONTHS)}*{_over(column, MONTHS)}*({blocks}))", value)

    def _all_column(self, family: str) -> int:
        return ALL_FIRST + self.families.index(family)

    def _all(self, family: str, weighting: str) -> Formula:
        block = _over(self._all_column(family), self.plan.trace_sheet)
        return self._weighted(block, self.all_patients[family], weighting)

    def _sessions(self, weighting: str) -> Any:
        """Months begun in a course, once visits have sent more to it."""
        return self._all(COURSE, weighting) + self.sent.get(weighting, 0.0) if COURSE in self.families else 0.0

    def _opened(self, weighting: str, family: str) -> Any:
        """Months to add to a state, as visits and sessions open their month: half of what they move."""
        if not self.layout.process or family not in (COURSE, "protected", PATENT) or COURSE not in self.families:
            return 0.0
        dies, sessions, closes = (self.book.at("strategy", self.plan.key, item) for item in SESSION_FIGURES)
        after = after_session(dies / sessions, 1.0 / sessions, closes)
        sent, begun = self.sent.get(weighting, 0.0) / 2, self._sessions(weighting) / 2
        to = {
            COURSE: sent - begun * sum(after.values()),
            "protected": begun * after["protected"],
            PATENT: begun * after[PATENT] - sent,
        }
        return to[family]

    def _patient_years(self, weighting: str, family: str) -> Any:
        """Trapezoid over the months of a year."""
        column, factor = self.book.at("factor", weighting)
        weighted, letter = self.all_patients[family] * factor, letters(self._all_column(family))

        def end(mark: str, value: FloatArray) -> Formula:
            return Formula(f"{self.plan.trace_sheet}!${letter}{mark}*{MONTHS}!${letters(column)}{mark}", value, 2)

        ends = end(NEXT, weighted[CYCLES_PER_YEAR::CYCLES_PER_YEAR]) - end(FIRST, weighted[:-1:CYCLES_PER_YEAR])
        return (self._all(family, weighting) + ends / 2 + self._opened(weighting, family)) / CYCLES_PER_YEAR

    def _items(self, weighting: str) -> None:
        first, within = self.columns.next, self.book.at("within")
        for item, label in self.layout.items.items():
            cell = self._column(label, within * self._item(weighting, item))
            self.book.cells["item", self.plan.key, weighting, item] = cell
            self.book.cells["over_years", self.plan.key, weighting, item] = self.layout.over_years(
                self.sheet.name, self.columns.next - 1, value_of(cell)
            )
        self.columns.section(f"All patients, per patient, {WEIGHTINGS[weighting]}", first)

    def _lifetime(self) -> None:
        """Bleeds and deaths in them to the last age, whatever the horizon: what splits the mean price of a bleed rests on them."""
        first, found = self.columns.next, {}
        for kind in (kind for kind in LIFETIME if f"move.{kind}" in self.layout.items):
            flow = self._item("undiscounted", f"move.{kind}")
            cell = self._column(self.layout.items[f"move.{kind}"], self.book.at("lifetime") * flow)
            found[f"move.{kind}"] = self.layout.over_years(self.sheet.name, self.columns.next - 1, value_of(cell)).sum()
        self.columns.section("Over a lifetime", first)
        sums = CellSums(lambda item: found.get(item, 0.0), 0.0)
        counts = count_activity(sums, *strategy_rules(self.book, self.plan), self.book.case.parameters.secondary)
        self.book.cells["share_died",] = share_died(counts.__getitem__)

    def _activity(self) -> None:
        """Counts and priced activity by year, undiscounted, the price of each above it, cost and survival by year."""
        first, key = self.columns.next, self.plan.key
        sums = CellSums(
            lambda item: self.book.at("item", key, "undiscounted", item),
            choose(self.book.at("model_year") <= 1, lambda: 1.0, lambda: 0.0),
        )
        counts = count_activity(sums, *strategy_rules(self.book, self.plan), self.book.case.parameters.secondary)
        words = self.layout.counts | {name: LABELS[name] for name in CATEGORY}
        found = {name: self._column(label, counts[name]) for name, label in words.items()}
        priced = first + len(self.layout.counts)
        self.sheet.text(PRICE_ROW, priced - 1, "Price", "key")
        prices = [self.sheet.formula(PRICE_ROW, priced + i, self.book.at("price", name), "money") for i, name in enumerate(CATEGORY)]
        ends = letters(priced), letters(self.columns.next - 1)
        total = sum(value_of(found[name]) * price.value for name, price in zip(CATEGORY, prices, strict=True))
        text = f"SUMPRODUCT(${ends[0]}{ROW}:${ends[1]}{ROW},${ends[0]}${PRICE_ROW}:${ends[1]}${PRICE_ROW})"
        found["cost"] = self._column("Cost", Formula(text, total), style="money_exact")
        deaths = sum(sums.moved(kind) for kind in ("bleed_death", "procedure_death", "other_death"))
        so_far = self.sheet.at(FIRST_YEAR_ROW, self.columns.next, 1.0).text
        until = Formula(
            f"SUM({so_far.removeprefix(self.sheet.name + '!')}:{letters(self.columns.next)}{ROW})", np.cumsum(deaths.value)
        )
        self._column("Deaths", deaths)
        found["alive"] = self._column("Alive at the end", 1.0 - until)
        self.columns.section("Activity per patient, undiscounted", first)
        for name, cell in found.items():
            self.book.cells["yearly", key, name] = cell

    def _group_bleeds(self) -> None:
        """First bleeds by year and group, undiscounted."""
        first, within = self.columns.next, self.book.at("within")
        for g, group in enumerate(self.layout.groups):
            cell = self._column(group.name, within * self._group_flow("undiscounted", g, ("gastric_bleed", "other_bleed")))
            self.book.cells["group_bleeds", self.plan.key, str(g)] = self.layout.over_years(
                self.sheet.name, self.columns.next - 1, value_of(cell)
            )
        self.columns.section("First bleeds by group", first)


def _over(column: int, sheet: str, last: int | None = None) -> str:
    """Pattern of a column, or a block, over the months of a year."""
    return f"{sheet}!${letters(column)}${FIRST}:${letters(last or column)}${LAST}"


@record
class CellSums:
    """Cohort sums as cells, for ``economics.activity``; ``item`` gives one by name, ``first`` counts the patient's start."""

    item: Any
    first: Any

    def years_in(self, *families: str) -> Any:
        """Patient-years in some states."""
        return sum(self.item(f"years.{family}") for family in families)

    def starts_in(self, family: str) -> Any:
        """Treatment sessions: each month of a course holds one."""
        assert family == "in_course"
        return self.item("sessions")

    def moved(self, *kinds: str) -> Any:
        """Moves of some kinds."""
        return sum(self.item(f"move.{kind}") for kind in kinds)

    def seen(self, *families: str) -> Any:
        """Surveillance visits: of patients who never bled."""
        return self.item("visits")

    def begun(self) -> Any:
        """The patient who starts."""
        return self.first


def strategy_rules(book: Book, plan: Plan) -> tuple[ActivityRates, Rules]:
    """What events of a strategy bring in activity, and what the case chose, as cells."""
    p, position = book.case.parameters, list(book.case.parameters.strategies).index(plan.key)

    def own(names: Sequence[str]) -> Any:
        return book.v[names[position]] if names[position] else 0.0

    rates = activity_rates(p, book.v, book.at("strategy", plan.key, "sessions_mean"), own, 0.0)  # type: ignore[arg-type]
    return rates, activity_rules(p, book.input, lambda flags: float(flags[position]))  # type: ignore[arg-type, return-value]


def write_cohort(book: Book, plan: Plan) -> Cohort:
    """Write the two sheets of a strategy."""
    cohort = Cohort(book, plan)
    cohort.write_chances()
    cohort.write_trace()
    cohort.write_sums()
    return cohort
