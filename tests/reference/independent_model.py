"""A second reckoning of the disease model in plain Python, from a result document's ``inputs`` block alone.

It was written from the model's description in words, takes nothing from the package and uses no array library, so
that agreement with the package's results means something. Mass moves month by month in a dictionary of states; a
state's tag is the year its course ended (``protected``) or the months since recovery (``post_bleed``), 0 when the
run has no use for it.
"""

from __future__ import annotations

from collections import defaultdict
from math import exp, log
from typing import Any

MONTH = 1 / 12
NEVER_BLED = ("at_risk", "in_course", "protected")
ALIVE = (*NEVER_BLED, "bleeding", "post_bleed", "rebleeding", "transplanted")
CAUSES = {"bleed": "bleed_death", "procedure": "procedure_death", "other": "other_death"}
State = tuple[str, int]
Exit = tuple[str, State, float]
Totals = dict[str, dict[int, dict[str, float]]]


def step(steps: list[list[float]], year: int) -> float:
    """Return the value of a step function: that of the last step which has begun."""
    return [value for start, value in steps if start <= year][-1]


def compete(rates: dict[str, float]) -> tuple[dict[str, float], float]:
    """Probability of each competing event in a month, and of none."""
    total = sum(rates.values())
    any_event = 1 - exp(-total * MONTH)
    return {k: (r / total * any_event if total else 0.0) for k, r in rates.items()}, 1 - any_event


class Patient:
    """One kind of patient under one strategy; ``susceptibility`` multiplies the gastric bleeding rate."""

    def __init__(self, inputs: dict[str, Any], key: str, group: dict[str, Any], susceptibility: float = 1.0) -> None:
        self.inputs, self.plan, self.group = inputs, inputs["strategies"][key], group
        self.susceptibility = susceptibility
        self.restarts = inputs["effect_clock"] == "last_course"
        self.known: dict[tuple[State, int], list[Exit]] = {}

    def effect(self, ratio: float, since: int) -> float:
        """Hazard ratio at mid-year ``since``, fading on the log scale between two years."""
        full, none = self.plan["effect_full_years"], self.plan["effect_none_years"]
        middle = since + 0.5
        fade = (1.0 if middle > full else 0.0) if none == full else (middle - full) / (none - full)
        return float(ratio ** (1 - min(max(fade, 0.0), 1.0)))

    def never_bled(self, year: int, gastric: float, other: float) -> dict[str, float]:
        """Rates of leaving a never-bled state."""
        i, g = self.inputs, self.group
        log_risk = i["b_child"] * "ABC".index(g["child"]) + i["b_size"] * (g["size_step"] - 2) + i["b_red"] * g["red_spot"]
        rate = i["r_first_bleed"] * exp(log_risk) * step(i["first_bleed_time"], year) * self.susceptibility
        return {
            "gastric_bleed": rate * gastric,
            "other_bleed": i["r_other_bleed"] * other,
            "transplant": i["r_transplant"][g["child"]],
            "other_death": self.background(year) + i["excess_death"][g["child"]],
        }

    def background(self, year: int) -> float:
        """Death rate of the general population at the age reached, sexes mixed on the probability."""
        i, age = self.inputs, str(self.inputs["start_age"] + year)
        women = i["share_female"]
        return -log(1 - (1 - women) * i["life_table"]["male"][age] - women * i["life_table"]["female"][age])

    def exits(self, state: State, year: int) -> list[Exit]:
        """Every way out of a state in a month: kind, new state, probability; the same for all months of a year."""
        if (state, year) not in self.known:
            self.known[state, year] = self.find_exits(state, year)
        return self.known[state, year]

    def find_exits(self, state: State, year: int) -> list[Exit]:
        """Work out the ways out of a state in a model year."""
        name, tag = state
        if name in NEVER_BLED:
            return getattr(self, name)(tag, year)
        if name in ("bleeding", "rebleeding"):
            return self.acute("p_death_rebleed" if name == "rebleeding" else "p_death_bleed")
        if name == "post_bleed":
            return self.post_bleed(tag, year)
        if name == "transplanted":
            p, _ = compete({"other_death": self.background(year) + self.inputs["excess_death_transplanted"]})
            return [("other_death", ("dead", 0), p["other_death"])]
        return []

    def events(self, p: dict[str, float]) -> list[Exit]:
        """Turn the competing events of a never-bled state into exits."""
        to = {
            "gastric_bleed": "bleeding",
            "other_bleed": "bleeding",
            "transplant": "transplanted",
            "other_death": "dead",
            "retreat": "in_course",
        }
        return [(kind, (to[kind], 0), chance) for kind, chance in p.items()]

    def at_risk(self, _tag: int, year: int) -> list[Exit]:
        """Untreated."""
        return self.events(compete(self.never_bled(year, 1.0, 1.0))[0])

    def in_course(self, _tag: int, year: int) -> list[Exit]:
        """One session at the month's start, then the competing events, then perhaps the course's end."""
        plan, since = self.plan, 0 if self.restarts else year
        p, none = compete(self.never_bled(year, self.effect(plan["hr_gastric"], since), self.effect(plan["hr_other"], since)))
        dies = plan["p_death_course"] / plan["sessions_mean"]
        ends = (1 - dies) * none / plan["sessions_mean"]
        done = ("protected", year if self.restarts else 0)
        return [
            ("procedure_death", ("dead", 0), dies),
            *self.events({kind: (1 - dies) * chance for kind, chance in p.items()}),
            ("finish", done, ends),
        ]

    def protected(self, tag: int, year: int) -> list[Exit]:
        """Course done, or on a drug."""
        plan, since = self.plan, year - tag if self.restarts else year
        rates = self.never_bled(year, self.effect(plan["hr_gastric"], since), self.effect(plan["hr_other"], since))
        rates["other_death"] = self.background(year) + self.inputs["excess_death"][self.group["child"]] * plan["hr_excess_death"]
        rates["retreat"] = step(plan["r_retreat"], year)
        return self.events(compete(rates)[0])

    def acute(self, fatality: str) -> list[Exit]:
        """One month of bleeding: death, else early rebleeding, else recovery."""
        dies = self.inputs[fatality][self.group["child"]]
        early = self.inputs["p_early_rebleed"]
        return [
            ("bleed_death", ("dead", 0), dies),
            ("early_rebleed", ("rebleeding", 0), (1 - dies) * early),
            ("recover", ("post_bleed", 0), (1 - dies) * (1 - early)),
        ]

    def post_bleed(self, months: int, year: int) -> list[Exit]:
        """After a bleed, with a raised excess death rate for life or for twelve months."""
        i, child = self.inputs, self.group["child"]
        last = {"one_year": 12, "five_years": 60}.get(i["years_excess_after_bleed"], 0)
        raised = 1.0 if last and months >= last else i["hr_death_after_bleed"]
        p, none = compete(
            {
                "late_rebleed": self.plan["r_late_rebleed"],
                "transplant": i["r_transplant"][child],
                "other_death": self.background(year) + i["excess_death"][child] * raised,
            }
        )
        aged = [("ages", ("post_bleed", months + 1), none)] if months < last else []
        to = {"late_rebleed": "rebleeding", "transplant": "transplanted", "other_death": "dead"}
        return [*((kind, (to[kind], 0), chance) for kind, chance in p.items()), *aged]


def start_of(inputs: dict[str, Any], plan: dict[str, Any]) -> State:
    """Where a patient starts: the strategy's own state, or where a cohort that has bled does."""
    return (plan["starts_in"] if inputs["cohort_start"] == "never_bled" else inputs["cohort_start"]), 0


def due(plan: dict[str, Any], month: int) -> bool:
    """Whether a surveillance visit falls at this month."""
    months, interval = plan["months"], plan["interval"]
    last = max(months, default=0)
    return month in months or (interval > 0 and month > last and (month - last) % interval == 0)


def simulate(patient: Patient) -> Totals:
    """Follow one kind of patient; returns {weighting: {year: {what: amount}}}, years from 0."""
    i = patient.inputs
    rates = {"undiscounted": 0.0, "costs": i["discount_costs"], "outcomes": i["discount_outcomes"]}
    totals: Totals = {w: defaultdict(lambda: defaultdict(float)) for w in rates}
    here: dict[State, float] = {start_of(i, patient.plan): 1.0}
    for month in range(12 * i["horizon_years"]):
        year = month // 12
        after, moved = advance(patient, here, year)
        began, ended = by_name(here), by_name(after)
        first = {"sessions": began["in_course"], "begun": float(month == 0)}
        if due(patient.plan["surveillance"], month):
            first["visits"] = sum(began[state] for state in NEVER_BLED) * exp(-patient.plan["r_lost"] * month / 12)
        for w, rate in rates.items():
            at = [(1 + rate) ** -(t / 12) for t in (month, month + 0.5, month + 1)]
            into = totals[w][year]
            for what, amount in first.items():
                into[what] += amount * at[0]
            for what, amount in moved.items():
                into[what] += amount * at[1]
            for state in ALIVE:
                into[state] += MONTH * (began[state] * at[0] + ended[state] * at[2]) / 2
        here = after
    return totals


def advance(patient: Patient, here: dict[State, float], year: int) -> tuple[dict[State, float], dict[str, float]]:
    """Move everyone by one month; also what moved, by kind."""
    after: dict[State, float] = defaultdict(float)
    moved: dict[str, float] = defaultdict(float)
    for state, mass in here.items():
        stays = mass
        for kind, target, chance in patient.exits(state, year):
            moved[kind] += mass * chance
            after[target] += mass * chance
            stays -= mass * chance
        after[state] += stays
    return after, moved


def by_name(states: dict[State, float]) -> dict[str, float]:
    """Occupancy by state, whatever the tag."""
    found: dict[str, float] = defaultdict(float)
    for (name, _), mass in states.items():
        found[name] += mass
    return found


def strategy_totals(inputs: dict[str, Any], key: str) -> Totals:
    """Share-weighted totals over the patient groups and, when the run has them, classes of susceptibility."""
    classes = inputs.get("susceptibility", [1.0])
    whole: Totals = {}
    for group in inputs["groups"]:
        for susceptibility in classes:
            weight = group["share"] / len(classes)
            for w, years in simulate(Patient(inputs, key, group, susceptibility)).items():
                for year, amounts in years.items():
                    into = whole.setdefault(w, {}).setdefault(year, defaultdict(float))
                    for what, amount in amounts.items():
                        into[what] += weight * amount
    return whole
