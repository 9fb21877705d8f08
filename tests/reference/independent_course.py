"""A second reckoning of the process of the varix in plain Python, from a result document's ``inputs`` block alone.

Written from the description in words, as ``independent_model`` is; it takes nothing from the package. Mass moves month by
month in a dictionary of states; a state's tag is the months since a survived bleed, 0 elsewhere. Each month is told step
by step: the visit, the session, the events, and what comes to those who had none.
"""

from __future__ import annotations

from collections import defaultdict
from math import exp, log
from typing import Any

from independent_model import MONTH, Exit, Patient, State, Totals, by_name, compete, start_of, step

LOST = {"protected": "protected_lost", "patent": "patent_lost"}
NEVER = ("at_risk", "in_course", "protected", "patent", "protected_lost", "patent_lost")
AFTER = ("bleeding", "post_bleed", "rebleeding", "bleeding_other", "post_other", "rebleeding_other", "transplanted")
SAME = {
    **dict.fromkeys(("patent", "protected_lost", "patent_lost"), "at_risk"),
    **{f"{name}_other": name for name in ("bleeding", "rebleeding")},
    "post_other": "post_bleed",
}
Mass = dict[State, float]


def month(rate: float) -> float:
    """Probability within a month of something that nothing competes with."""
    return 1 - exp(-rate * MONTH)


class Follower(Patient):
    """One kind of patient under one strategy."""

    def ratios(self, name: str) -> tuple[float, float, float]:
        """Gastric bleeding, other bleeding and excess death relative to untreated."""
        plan = self.plan
        if name in ("protected", "protected_lost"):
            return plan["hr_obliterated"], plan["hr_other"], plan["hr_excess_death"]
        return (1.0 if name == "at_risk" else plan["hr_patent"]), 1.0, 1.0

    def events_of(self, name: str, year: int) -> tuple[dict[str, float], float]:
        """Competing events of a never-bled state in a month, and none."""
        gastric, other, excess = self.ratios(name)
        death = self.background(year) + self.inputs["excess_death"][self.group["child"]] * excess
        return compete(self.never_bled(year, gastric, other) | {"other_death": death})

    def visit(self, here: Mass, at: int, moved: dict[str, float]) -> Mass:
        """Those seen, and the open varices found and treated again."""
        visits, after = self.plan["visits"], defaultdict(float, here)
        if at in visits["months"]:
            come = 1.0 if self.plan["starts_in"] == "in_course" else exp(-self.plan["r_lost"] * at / 12)
            moved["visits"] += come * sum(here.get((name, 0), 0.0) for name in ("at_risk", "protected", "patent"))
            again = visits["p_detect"] * self.plan["p_retreat_accepted"] * here.get(("patent", 0), 0.0)
            moved["retreat_at_start"] += again
            after["patent", 0] -= again
            after["in_course", 0] += again
        return after

    def session(self, here: Mass, moved: dict[str, float], dead: dict[str, float]) -> Mass:
        """A session for everyone in a course; some die of it, some courses end, not all of them with a closed varix."""
        plan, after = self.plan, defaultdict(float, here)
        now = after.pop(("in_course", 0), 0.0)
        moved["sessions"] += now
        dies = now * plan["p_death_course"] / plan["sessions_mean"]
        dead["procedure_death"] += dies
        ends = (now - dies) / plan["sessions_mean"]
        after["in_course", 0] += now - dies - ends
        after["protected", 0] += ends * plan["p_obliteration"]
        after["patent", 0] += ends * (1 - plan["p_obliteration"])
        return after

    def rest(self, here: Mass, year: int, moved: dict[str, float]) -> Mass:
        """Events, then recurrence, loss or stop for those without one."""
        after: Mass = defaultdict(float)
        for (name, tag), mass in here.items():
            if name in NEVER:
                self.leave(name, mass, year, moved, after)
            else:
                self.leave_after_bleed((name, tag), mass, year, moved, after)
        return after

    def leave(self, name: str, mass: float, year: int, moved: dict[str, float], after: Mass) -> None:
        """A month of a never-bled state."""
        to = {"gastric_bleed": "bleeding", "other_bleed": "bleeding_other", "transplant": "transplanted", "other_death": "dead"}
        p, none = self.events_of(name, year)
        for kind, chance in p.items():
            moved[kind] += mass * chance
            after[to[kind], 0] += mass * chance
        plan, left = self.plan, mass * none
        if name == "protected":
            stops = month(step(plan["r_stop"], year))
            after["at_risk", 0] += left * stops
            left *= 1 - stops
        back = month(plan["r_recurrence"]) if name in ("protected", "protected_lost") else 0.0
        lost = month(plan["r_lost"]) if name in LOST and plan["starts_in"] == "in_course" else 0.0
        opened = {"protected": "patent", "protected_lost": "patent_lost"}.get(name, name)
        for state, share in ((name, 1 - back), (opened, back)):
            after[state, 0] += left * share * (1 - lost)
            after[LOST.get(state, state), 0] += left * share * lost

    def leave_after_bleed(self, state: State, mass: float, year: int, moved: dict[str, float], after: Mass) -> None:
        """A month after the first bleed."""
        exits, stays = self.exits(state, year), mass
        for kind, target, chance in exits:
            gone = mass * chance
            moved[kind] += gone
            after[target] += gone
            stays -= gone
        name, tag = state
        after[(name, min(tag + 1, 60)) if name.startswith("post") else state] += stays

    def find_exits(self, state: State, year: int) -> list[Exit]:
        """Ways out after the first bleed; a gastric bleed puts those who bled elsewhere before on its path."""
        name, tag = state
        i, child, other = self.inputs, self.group["child"], name.endswith("_other")
        again, post = ("rebleeding_other", "post_other") if other else ("rebleeding", "post_bleed")
        if name.startswith(("bleeding", "rebleeding")):
            dies = i["p_death_rebleed" if name.startswith("re") else "p_death_bleed"][child]
            early = (1 - dies) * i["p_early_rebleed"]
            return [
                ("bleed_death", ("dead", 0), dies),
                ("early_rebleed", (again, 0), early),
                ("recover_other" if other else "recover", (post, 0), 1 - dies - early),
            ]
        if name.startswith("post"):
            return self.late(name, tag, year, again)
        if name == "transplanted":
            p, _ = compete({"other_death": self.background(year) + i["excess_death_transplanted"]})
            return [("other_death", ("dead", 0), p["other_death"])]
        return []

    def late(self, name: str, tag: int, year: int, again: str) -> list[Exit]:
        """Late rebleeds by source, transplant and death."""
        i, plan, child = self.inputs, self.plan, self.group["child"]
        time = i["hr_rebleed_by_time"][0 if tag < 12 and i["rebleed_by_time"] == "step" else 1]
        last = {"one_year": 12, "five_years": 60}.get(i["years_excess_after_bleed"])
        raised = 1.0 if last is not None and tag >= last else i["hr_death_after_bleed"]
        untreated = self.never_bled(year, plan["hr_obliterated"], 1.0)["gastric_bleed"]
        alone = name == "post_other"
        p, _ = compete(
            {
                "gastric_rebleed": untreated if alone else plan["r_late_rebleed_gastric"] * time,
                "other_rebleed": (i["r_late_rebleed_other"] if alone else plan["r_late_rebleed_other"]) * time,
                "transplant": i["r_transplant"][child],
                "other_death": self.background(year) + i["excess_death"][child] * raised,
            }
        )
        to = {"gastric_rebleed": "rebleeding", "other_rebleed": again, "transplant": "transplanted", "other_death": "dead"}
        return [(kind, (to[kind], 0), chance) for kind, chance in p.items()]


def worsen(inputs: dict[str, Any], here: list[Mass]) -> list[Mass]:
    """Who came through the month without an event, and is not in a bleed or just out of one, may go on to the next class."""
    after = [defaultdict(float, mass) for mass in here]
    for child, mass in enumerate(here[:-1]):
        share = month(inputs[("r_child_a_to_b", "r_child_b_to_c")[child + 3 - len(here)]])
        for state, amount in mass.items():
            if state[0] in NEVER or (state[0].startswith("post") and state[1] > 0):
                after[child][state] -= amount * share
                after[child + 1][state] += amount * share
    return after


def follow(patients: list[Follower]) -> Totals:
    """Follow one kind of patient, as one of each class it may come to; returns {weighting: {year: {what: amount}}}, years from 0."""
    i = patients[0].inputs
    rates = {"undiscounted": 0.0, "costs": i["discount_costs"], "outcomes": i["discount_outcomes"]}
    totals: Totals = {w: defaultdict(lambda: defaultdict(float)) for w in rates}
    here: list[Mass] = [{start_of(i, patients[0].plan): 1.0}, *({} for _ in patients[1:])]
    for at in range(12 * i["horizon_years"]):
        year = at // 12
        first: dict[str, float] = defaultdict(float, {"begun": 1.0} if at == 0 else {})
        moved: dict[str, float] = defaultdict(float)
        begun = [p.session(p.visit(mass, at, first), first, moved) for p, mass in zip(patients, here, strict=True)]
        here = worsen(i, [p.rest(mass, year, moved) for p, mass in zip(patients, begun, strict=True)])
        started, ended = ([item for mass in classes for item in by_name(mass).items()] for classes in (begun, here))
        for w, rate in rates.items():
            into, (now, middle, then) = totals[w][year], [(1 + rate) ** -(t / 12) for t in (at, at + 0.5, at + 1)]
            for what, amount in first.items():
                into[what] += amount * now
            for what, amount in moved.items():
                into[what] += amount * middle
            for occupied, factor in ((started, now), (ended, then)):
                for name, mass in occupied:
                    into[f"state {name}"] += MONTH * mass * factor / 2
    return totals


def as_families(amounts: dict[str, float]) -> dict[str, float]:
    """Totals in the words of ``independent_model``: states under their family, late rebleeds together."""
    found = defaultdict(float, amounts)
    for name in (*NEVER, *AFTER):
        found[SAME.get(name, name)] += amounts[f"state {name}"]
    found["late_rebleed"] = amounts["gastric_rebleed"] + amounts["other_rebleed"]
    found["retreat"] = amounts["retreat_at_start"]
    return found


def course_totals(inputs: dict[str, Any], key: str) -> Totals:
    """Share-weighted totals over the patient groups and classes of susceptibility."""
    classes = inputs.get("susceptibility", [1.0])
    whole: Totals = {}
    for group in inputs["groups"]:
        for susceptibility in classes:
            weight = group["share"] / len(classes)
            come_to = "ABC"["ABC".index(group["child"]) :] if inputs["child_course"] == "worsening" else group["child"]
            for w, years in follow([Follower(inputs, key, group | {"child": child}, susceptibility) for child in come_to]).items():
                for year, amounts in years.items():
                    into = whole.setdefault(w, {}).setdefault(year, defaultdict(float))
                    for what, amount in as_families(amounts).items():
                        into[what] += weight * amount
    return whole


def course_results(t: dict[str, float]) -> dict[str, Any]:
    """What results hold beside those of an intention-to-treat run."""
    return {
        "state_years": {name: t[f"state {name}"] for name in (*NEVER, *AFTER)},
        "visits": t["visits"],
        "retreatments": t["retreat"],
        "rebleeds_gastric": t["gastric_rebleed"],
        "rebleeds_other": t["other_rebleed"],
        "rebleeds_early": t["early_rebleed"],
    }


def trial_risk(inputs: dict[str, Any], key: str, closed: float, opened: float) -> float:
    """Risk of a bleed by the end of the trial, nobody dying or lost; a session counts from the end of its month."""
    trial, plan = inputs["trial"], inputs["strategies"][key]
    known = plan["calibration"]
    here = dict.fromkeys(("at_risk", "in_course", "protected", "patent", "bled"), 0.0) | {plan["starts_in"]: 1.0}
    ratio = {"at_risk": 1.0, "in_course": opened, "protected": closed, "patent": opened}
    for at in range(trial["months"]):
        if at in trial["visits"]:
            again = trial["p_detect"] * known["p_retreat_accepted"] * here["patent"]
            here["patent"] -= again
            here["in_course"] += again
        for name, hr in ratio.items():
            bled = here[name] * month(trial["hazard_by_year"][at // 12] * hr)
            here[name] -= bled
            here["bled"] += bled
        for name, target, rate in (("protected", "at_risk", known["r_stop"]), ("protected", "patent", known["r_recurrence"])):
            gone = here[name] * month(rate)
            here[name] -= gone
            here[target] += gone
        ends = here["in_course"] / known["sessions_mean"]
        here["in_course"] -= ends
        here["protected"] += ends * known["p_obliteration"]
        here["patent"] += ends * (1 - known["p_obliteration"])
    return here["bled"]


def intention_to_treat_risk(inputs: dict[str, Any], key: str) -> float:
    """Risk by the end of the trial under the pooled effect: ``1 - S^HR``."""
    trial = inputs["trial"]
    hazard = sum(trial["hazard_by_year"][at // 12] / 12 for at in range(trial["months"]))
    return 1 - exp(-inputs["strategies"][key]["hr_itt"] * hazard)


def marginal_hazard(inputs: dict[str, Any], mix: list[dict[str, Any]], years: int) -> list[float]:
    """Rate of a gastric bleed of a mix as a whole, by year: ``-ln(S(y + 1) / S(y))``."""
    alive, found = 1.0, []
    for year in range(1, years + 1):
        now = 0.0
        for group in mix:
            log_risk = inputs["b_child"] * "ABC".index(group["child"]) + inputs["b_size"] * (group["size_step"] - 2)
            cell = inputs["r_first_bleed"] * exp(log_risk + inputs["b_red"] * group["red_spot"])
            exposure = sum(step(inputs["first_bleed_time"], y) for y in range(year))
            now += group["share"] * sum(exp(-cell * s * exposure) for s in inputs["susceptibility"]) / len(inputs["susceptibility"])
        found.append(log(alive / now))
        alive = now
    return found
