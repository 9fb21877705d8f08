"""The cohort of one strategy by month.

Next month's share of a state is, over the declared moves, the share of each state that leads to it times the chance of
that move. A run of years in which the same states feed a state has one pattern of formula.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property
from itertools import groupby
from typing import Any

import numpy as np
from numpy.typing import NDArray

from econmodel.arrays import choose
from econmodel.model.course import STOP_STEPS
from econmodel.model.hazards import CYCLES_PER_YEAR
from econmodel.model.structure import ALL_LABELS, COURSE_MOVE_LABELS, MOVE_LABELS, State
from econmodel.reporting.workbook.book import FIRST_MONTH_ROW, FIRST_YEAR_ROW, HEADER_ROWS, Book, Plan
from econmodel.reporting.workbook.chances import CellCourse, CellMoves, Exits, YearColumns
from econmodel.reporting.workbook.formula import BEFORE, ROW, Formula, as_text, value_of
from econmodel.reporting.workbook.hazards import MONTHS
from econmodel.reporting.workbook.writer import Sheet, letters, span

MONTH, ALL_FIRST = 1, 2
HELD = f"${ROW}"
SENT, PATENT, COURSE = "sent", "patent", "in_course"
ACUTE = ("bleeding", "rebleeding", "bleeding_other", "rebleeding_other")
LABELS = MOVE_LABELS | COURSE_MOVE_LABELS
RETREAT = ("r_retreat_1", "r_retreat_later"), 1, "Re-treatment"
STOP = ("r_stop", "r_stop_later"), STOP_STEPS[1], "Drug stopped"
Place = tuple[str, int, int]
FloatArray = NDArray[np.float64]


class Trace:
    """One strategy in the workbook: its states, chances and trace."""

    def __init__(self, book: Book, plan: Plan) -> None:
        self.book, self.plan, self.layout = book, plan, book.layout
        self.structure, self.groups = book.layout.structure, range(len(book.layout.groups))
        self.sheet = book.add_sheet(plan.years_sheet, tab="14506B")
        self.columns = YearColumns(self.sheet, book.layout.n_years)
        self._write_years()
        self.states = self._reachable()
        self.state = {state.key: state for state in self.states}
        self.moves_into = {key: [m for m in self.structure.moves if m.target == key and m.source in self.state] for key in self.state}
        self.found = self.book.at("strategy", plan.key, "p_found") if self.layout.process else 0.0
        self.families = tuple(f for f in self.layout.families if any(s.family == f for s in self.states))
        self.place: dict[Place, int] = {}
        self.exits: dict[Place, Exits] = {}

    def _write_years(self) -> None:
        """Write the model years, and the rate of re-treatment in each."""
        years = np.arange(1, self.layout.n_years + 1)
        self.sheet.text(HEADER_ROWS[2], 1, "Model year", "header")
        for number, row in enumerate(self.layout.year_rows, start=1):
            self.sheet.number(row, 1, number, "whole")
        self.book.cells["model_year",] = year = Formula(f"$A{ROW}", years.astype(float))
        self.columns.next = 2
        names, until, label = STOP if self.layout.process else RETREAT
        first, later = (self.book.at("strategy", self.plan.key, name) for name in names)
        rate = choose(year <= until, lambda: first, lambda: later) if isinstance(first, Formula) else first
        self.book.cells["by_year", self.plan.key] = self.columns.put(f"{label}, rate", rate)
        self.columns.section(label, 2)

    # Chances

    def _start(self, state: State) -> int:
        """Year from which a state can be in use."""
        return state.part if self.layout.restarts and state.family == "protected" else 0

    def _classes(self, family: str) -> range:
        """Susceptibility classes that are told apart in a state."""
        return range(self.layout.classes if family in self.layout.classed else 1)

    def _moves(self, g: int, c: int, columns: YearColumns | None) -> CellMoves:
        """Moves of a kind of patient."""
        kind = CellCourse if self.layout.process else CellMoves
        return kind(self.book, self.plan, g, g * self.layout.classes + c, columns)

    def _leave(self, moves: CellMoves, state: State) -> dict[str, Any]:
        """Chance of each move out of a state; those that cannot happen are left out."""
        moves.start, moves.note = self._start(state), ALL_LABELS[state.family]
        factors = moves.chances(state.family, state.part, np.arange(0))
        kinds = dict.fromkeys(move.kind for move in self.structure.moves if move.source == state.key)
        found = {kind: factors[kind][0] * factors[kind][1] for kind in kinds}
        return {kind: chance for kind, chance in found.items() if isinstance(chance, Formula) or float(np.squeeze(chance)) != 0}

    def _reachable(self) -> tuple[State, ...]:
        """States that can be reached from the start."""
        moves = self._moves(0, 0, None)
        by_key = {state.key: state for state in self.structure.states}
        first = self.structure.states[self.structure.family(self.plan.row.starts_in)[0]]
        reached, ahead = {first.key}, [first]
        while ahead:
            state = ahead.pop()
            kinds = self._leave(moves, state)
            new = {m.target for m in self.structure.moves if m.source == state.key and m.kind in kinds} - reached
            reached |= new
            ahead += [by_key[key] for key in new]
        return tuple(state for state in self.structure.states if state.key in reached and state.family != "dead")

    def write_chances(self) -> None:
        """Write effects and chances, the left part of the yearly sheet."""
        title = f"By model year: {self.plan.row.label}"
        self.sheet.heading(
            title, "Left to right: effect, chances a month by group, occupancy summed over the year, events and activity, cost."
        )
        for g, group in enumerate(self.layout.groups):
            first_column = self.columns.next
            for state in self.states:
                for c in self._classes(state.family):
                    self._write_exits(state, g, c)
            self.columns.section(f"Chances a month: {group.name}", first_column)
        self.sheet.heights[HEADER_ROWS[2]] = 50
        self.sheet.frame(f"B{FIRST_YEAR_ROW}", self.book.footer, wide=True)

    def _write_exits(self, state: State, g: int, c: int) -> None:
        moves = self._moves(g, c, self.columns)
        chances = {kind: moves.keep(LABELS[kind], chance) for kind, chance in self._leave(moves, state).items()}
        left: Any = 1.0
        for chance in chances.values():
            left = left - chance
        stay = moves.keep("Stays", left) if state.family not in ACUTE else 0.0
        self.exits[state.key, g, c] = Exits(chances, stay, self._start(state))

    # Trace

    def write_trace(self) -> None:
        """Write the monthly sheet."""
        sheet = self.book.add_sheet(self.plan.trace_sheet, tab="5C6670")
        sheet.heading(
            f"Cohort trace: {self.plan.row.label}",
            "Share of patients in each state at the start of each month; who is in none of them has died.",
        )
        self._place(sheet)
        sheet.text(FIRST_MONTH_ROW - 1, MONTH, "Month", "header")
        sheet.heights[FIRST_MONTH_ROW - 1] = 38
        for month, row in enumerate(self.layout.month_rows):
            sheet.number(row, MONTH, month, "whole")
        self.shares = {key: values for g in self.groups for key, values in self._follow(g).items()}
        for key in self.place:
            self._write_state(sheet, key)
        for column, family in enumerate(self.families, start=ALL_FIRST):
            terms = [f"{self._share(g).text}*{self._block(family, g, ROW, ROW)}" for g in self.groups]
            sheet.column(self.layout.month_rows, column, Formula("+".join(terms), self.all_patients[family]), "trace")
        sheet.frame(f"B{FIRST_MONTH_ROW}", self.book.footer, wide=True)

    def _place(self, sheet: Sheet) -> None:
        """Give every state its column: all patients by family, then each group by state and class."""
        sheet.row(FIRST_MONTH_ROW - 2, ["All patients"] + [""] * (len(self.families) - 1), "section", first=ALL_FIRST)
        sheet.row(FIRST_MONTH_ROW - 1, [ALL_LABELS[f] for f in self.families], "header_right", first=ALL_FIRST)
        column = ALL_FIRST + len(self.families)
        sheet.page.column_dimensions[letters(MONTH)].width = 8
        for g, group in enumerate(self.layout.groups):
            sheet.page.column_dimensions[letters(column)].width = 2
            first = column = column + 1
            for state in self.states:
                for c in self._classes(state.family):
                    self.place[state.key, g, c] = column
                    sheet.text(FIRST_MONTH_ROW - 1, column, state.label, "header_right")
                    column += 1
            for c in self._classes("patent") if isinstance(self.found, Formula) else ():
                self.place[SENT, g, c] = column
                sheet.text(FIRST_MONTH_ROW - 1, column, "Sent to another course by a visit", "header_right")
                column += 1
            sheet.row(FIRST_MONTH_ROW - 2, [group.name] + [""] * (column - first - 1), "section", first=first)

    def _flows(self, key: Place, year: int) -> Iterator[tuple[Place, Any, float]]:
        """Where a state's patients come from in a year: the state, the chance, and its weight in the group."""
        target, g, c = key
        if self.exits[key].start <= year and _possible(self.exits[key].stay):
            yield key, self.exits[key].stay, 1.0
        for move in self.moves_into[target]:
            late_finish = self.layout.restarts and move.kind == "finish" and self.state[target].part != year
            if late_finish or self._start(self.state[move.source]) > year:
                continue
            classes = self._classes(self.state[move.source].family)
            merged = len(classes) > 1 and len(self._classes(self.state[target].family)) == 1
            for source_class in classes if merged else [min(c, len(classes) - 1)]:
                source = move.source, g, source_class
                if move.kind in self.exits[source].chances:
                    yield source, self.exits[source].chances[move.kind], 1 / len(classes) if merged else 1.0

    def _runs(self, key: Place) -> Iterator[tuple[range, list[tuple[Place, Any, float]]]]:
        """Runs of years in which the same states feed a state, and those states."""
        years = range(self.exits[key].start, self.layout.n_years)
        if not self.layout.restarts:
            yield years, list(self._flows(key, years[0]))
            return
        found = ((year, list(self._flows(key, year))) for year in years)
        for _, same in groupby(found, key=lambda item: [(flow[0], as_text(flow[1])) for flow in item[1]]):
            rows = list(same)
            yield range(rows[0][0], rows[-1][0] + 1), rows[0][1]

    def _follow(self, g: int) -> dict[Place, FloatArray]:
        """Shares of a group in each state by month, from the values of the chances."""
        keys = [key for key in self.place if key[1] == g and key[0] != SENT]
        at, n_years = {key: i for i, key in enumerate(keys)}, self.layout.n_years
        matrices = np.zeros((n_years, len(keys), len(keys)))
        for key in keys:
            for years, flows in self._runs(key):
                for source, chance, weight in flows:
                    by_year = self.exits[source].by_year(chance, n_years)
                    matrices[years.start : years.stop, at[source], at[key]] += weight * by_year[years.start : years.stop]
        first = self.structure.states[self.structure.family(self.plan.row.starts_in)[0]].key
        share = np.array([float(key[0] == first) for key in keys])
        sent = {key: (at[PATENT, g, key[2]], at[COURSE, g, key[2]]) for key in self.place if key[0] == SENT and key[1] == g}
        due = value_of(self.found) * self.book.at("due", self.plan.key)[1]
        found = [share]
        for month in range(n_years * CYCLES_PER_YEAR):
            share = share.copy()
            for patent, course in sent.values():
                moved = due[month] * share[patent]
                share[patent], share[course] = share[patent] - moved, share[course] + moved
            share = share @ matrices[month // CYCLES_PER_YEAR]
            found.append(share)
        shares = np.array(found).T
        return dict(zip(keys, shares, strict=True)) | {key: due * shares[patent] for key, (patent, _) in sent.items()}

    def _write_state(self, sheet: Sheet, key: Place) -> None:
        column, shares, rows = self.place[key], self.shares[key], self.layout.month_rows
        if key[0] == SENT:
            due, patent = letters(self.book.at("due", self.plan.key)[0]), letters(self.place[PATENT, key[1], key[2]])
            sheet.column(rows, column, Formula(f"{MONTHS}!${due}{ROW}*{as_text(self.found)}*{patent}{ROW}", shares), "trace")
            return
        if self.exits[key].start == 0:
            sheet.number(rows[0], column, float(shares[0]), "trace")
        for years, flows in self._runs(key):
            months = range(years.start * CYCLES_PER_YEAR + 1, years.stop * CYCLES_PER_YEAR + 1)
            terms = [(weight, f"{self._before(source)}*{as_text(chance, 2).replace(ROW, HELD)}") for source, chance, weight in flows]
            merged = "+".join(term for weight, term in terms if weight < 1)
            text = "+".join(
                [term for weight, term in terms if weight == 1] + ([f"({merged})/{self.layout.classes}"] if merged else [])
            )
            marks = {
                ROW: [FIRST_YEAR_ROW + (month - 1) // CYCLES_PER_YEAR for month in months],
                BEFORE: [rows[month - 1] for month in months],
            }
            sheet.column([rows[m] for m in months], column, Formula(text or "0", shares[months.start : months.stop]), "trace", marks)

    def _before(self, source: Place) -> str:
        """Share in a state at the start of the month before, once its visit has moved some."""
        state, cell = source[0], f"{letters(self.place[source])}{BEFORE}"
        if state not in (PATENT, COURSE) or (SENT, *source[1:]) not in self.place:
            return cell
        return f"({cell}{'+' if state == COURSE else '-'}{letters(self.place[SENT, source[1], source[2]])}{BEFORE})"

    def _share(self, g: int) -> Any:
        return self.book.at("group", str(g), "share")

    def _columns_of(self, family: str, g: int) -> list[int]:
        """Columns of a family of states in a group: side by side."""
        keys = {state.key for state in self.states if state.family == family}
        return [column for (key, group, _), column in self.place.items() if group == g and key in keys]

    def _block(self, family: str, g: int, first: str, last: str) -> str:
        """Share of a group in a family of states, between two marks of rows."""
        columns, classes = self._columns_of(family, g), len(self._classes(family))
        one = letters(columns[0])
        if len(columns) == 1:
            return f"{one}{first}"
        whole = f"SUM({one}{first}:{letters(columns[-1])}{last})"
        return f"{whole}/{classes}" if classes > 1 else whole

    @cached_property
    def all_patients(self) -> dict[str, FloatArray]:
        """Share of all patients in a family of states by month."""
        family_of = {state.key: state.family for state in self.states}
        found = {family: np.zeros(len(self.layout.month_rows)) for family in self.families}
        for (state, g, _), shares in self.shares.items():
            if state == SENT:
                continue
            family = family_of[state]
            found[family] += value_of(self._share(g)) * shares / len(self._classes(family))
        return found

    def everything(self) -> tuple[Formula, Formula]:
        """Smallest share anywhere in the trace, and the sum of all patients' shares at the start."""
        rows, sheet = self.layout.month_rows, self.plan.trace_sheet
        least = min(float(shares.min()) for shares in self.shares.values())
        whole = span(rows[0], rows[-1], ALL_FIRST, sheet, max(self.place.values()))
        start = span(rows[0], rows[0], ALL_FIRST, sheet, ALL_FIRST + len(self.families) - 1)
        return Formula(f"MIN({whole})", least), Formula(f"SUM({start})", sum(float(s[0]) for s in self.all_patients.values()))


def _possible(chance: Any) -> bool:
    return isinstance(chance, Formula) or bool(chance)
