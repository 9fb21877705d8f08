"""A budget worked out again from its ``inputs`` block alone, in plain Python: no array, no line shared with the engine.

Written from the description of rows R1 to R20. A row is a list by month, month 1 first; money is nominal until the end.
"""

from __future__ import annotations

from itertools import accumulate
from math import ceil
from typing import Any

Row = list[float]
Rows = dict[str, Row]
Inputs = dict[str, Any]
MONEY = [f"R{n}" for n in range(4, 19)] + ["R13c", "R4s", "R5s", "R4h", "R6h", "R11t", "R17r", "R17d", "R17f", "RC"]


def at(inputs: Inputs, place: str, year: int) -> float:
    """A figure of the block in a year: by its path, or the one that stands for all years."""
    if place in inputs["paths"]:
        return inputs["paths"][place][year]
    found: Any = inputs
    for key in place.split("."):
        found = found[key]
    return found


def mixed(inputs: Inputs, mix: dict[str, float], activity: str) -> Row:
    """Activity per start of a mix of strategies, by month after the start."""
    length = 12 * inputs["years"] + inputs["finance"]["duty_months"]
    found = [0.0] * length
    for key, share in mix.items():
        for month, amount in enumerate(inputs["profiles"][key].get(activity, [])):
            found[month] += share * amount
    return found


def has_more_sessions(inputs: Inputs, mix: dict[str, float]) -> bool:
    """Whether more patients are treated by sessions than today."""
    treated = [sum(share for key, share in shares.items() if inputs["strategies"][key]["sessions"]) for shares in (mix, now(inputs))]
    return treated[0] > treated[1]


def now(inputs: Inputs) -> dict[str, float]:
    return dict(inputs["current_mix"])


def is_running(inputs: Inputs, month: int) -> bool:
    return month <= (inputs["intake"]["stop_month"] or month)


def is_away(inputs: Inputs, month: int) -> bool:
    away = inputs["intake"]["absence"]
    return away["month"] > 0 and away["month"] <= month < away["month"] + away["months"]


def monthly_chance(inputs: Inputs, *names: str) -> float:
    """Chance in each month that whoever waits under today's mix has one of these events."""
    year = sum(sum(mixed(inputs, now(inputs), name)[:12]) for name in names)
    return 1.0 - (1.0 - year) ** (1.0 / 12.0)


def start_by_month(inputs: Inputs, mix: dict[str, float]) -> tuple[Row, list[Row]]:
    """Who starts in each month, and of each partner: demand and those waiting, as far as the place with the fewest slots allows."""
    plan, leave = inputs["intake"], monthly_chance(inputs, *inputs["intake"]["leaving"])
    builds, waiting, starts = has_more_sessions(inputs, mix), 0.0, []
    queues, of_sites = [0.0 for _ in inputs["sites"]], [[] for _ in inputs["sites"]]
    for month in range(1, 12 * inputs["years"] + 1):
        year = (month - 1) // 12
        growth = (1.0 + plan["growth"]) ** year / 12.0 * is_running(inputs, month)
        demand = (plan["eligible_own"] + sum(site["patients"] for site in inputs["sites"])) * growth
        demand += plan["backlog"] / plan["backlog_months"] if month <= plan["backlog_months"] else 0.0
        ramp = plan["ramp"][month - 1] if builds else 1.0
        if not is_running(inputs, month) or is_away(inputs, month):
            ramp = 0.0
        most = float("inf") if ramp else 0.0
        for place, slots in plan["slots"].items():
            need = sum(sum(mixed(inputs, mix, a)[:12]) * line["slots"].get(place, 0.0) for a, line in inputs["activities"].items())
            if need > 0.0:
                most = min(most, slots[year] / 12.0 * ramp / need)
        ready = waiting * (1.0 - leave) + demand * is_running(inputs, month)
        starts.append(min(ready, most))
        waiting = (ready - starts[-1]) * is_running(inputs, month)
        for i, site in enumerate(inputs["sites"]):
            mine = queues[i] * (1.0 - leave) + site["patients"] * growth
            of_sites[i].append(mine * starts[-1] / ready if ready else 0.0)
            queues[i] = (mine - of_sites[i][-1]) * is_running(inputs, month)
    return starts, of_sites


def spread(starts: Row, profile: Row, months: range) -> Row:
    """Activity in calendar months of patients who start over time."""
    return [sum(n * profile[t - k] for k, n in enumerate(starts) if 0 <= t - k < len(profile)) for t in months]


def without_operator(inputs: Inputs, activity: str, done: Row) -> Row:
    """Sessions begun, with all they bring, move by the length of an absence; endoscopies in it are lost."""
    line, months = inputs["activities"][activity], inputs["intake"]["absence"]["months"]
    of_session = line["slots"] or line["group"] == "harm" or line["index"] == "devices" or activity in BY_SESSION
    if not (of_session or line["surveillance_slots"]):
        return done
    kept = [0.0 if is_away(inputs, m + 1) else amount for m, amount in enumerate(done)]
    for m, amount in enumerate(done):
        if of_session and is_away(inputs, m + 1) and m + months < len(done):
            kept[m + months] += amount
    return kept


BY_SESSION = ("sessions", "procedure_days", "complication_days")


def stays(inputs: Inputs, site: Inputs, activity: str) -> tuple[float, float]:
    """Share of an activity that a partner has of its patients, with the programme and without."""
    group = inputs["activities"][activity]["group"]
    if group in ("bleed", "after") or activity in ("icu_days", "ward_days"):
        return site["bleeds_at_home"], site["bleeds_at_home"]
    if group != "count" or activity in ("procedure_days", "complication_days"):
        return 0.0, site["current_care_at_home"]
    return 0.0, 0.0


def changes(inputs: Inputs, mix: dict[str, float], starts: Row, of_sites: list[Row]) -> tuple[dict[str, Row], dict[str, Row]]:
    """Proposed less current activity by month within the budget, and in the months after it, less what partners keep."""
    months, within, after = 12 * inputs["years"], {}, {}
    for activity in inputs["activities"]:
        new, old = mixed(inputs, mix, activity), mixed(inputs, now(inputs), activity)
        done = without_operator(inputs, activity, spread(starts, new, range(months)))
        within[activity] = [a - b for a, b in zip(done, spread(starts, old, range(months)), strict=True)]
        change = [a - b for a, b in zip(new, old, strict=True)]
        after[activity] = spread(starts, change, range(months, len(change)))
        for site, sent in zip(inputs["sites"], of_sites, strict=True):
            with_it, without = stays(inputs, site, activity)
            kept = [with_it * a - without * b for a, b in zip(new, old, strict=True)]
            for found, span in ((within, range(months)), (after, range(months, len(change)))):
                found[activity] = [a - b for a, b in zip(found[activity], spread(sent, kept, span), strict=True)]
    return within, after


def covers(inputs: Inputs, payer: Inputs, activity: str) -> bool:
    """Whether a payer settles an activity by contract: no view is asked for, and it is within the scope."""
    contract, group = payer["contract"], inputs["activities"][activity]["payer_group"]
    return inputs["view"] is None and contract is not None and (activity in contract["scope"] or group in contract["scope"])


def income_of_unit(inputs: Inputs, activity: str, year: int, only: Inputs | None = None) -> float:
    """What all payers together pay for one unit at the margin, in prices of the price year; ``only`` one, in full, by contract."""
    line, paid = inputs["activities"][activity], 0.0
    for payer in inputs["payers"] if only is None else [only]:
        if (only is None) == covers(inputs, payer, activity):
            continue
        terms = {name: payer[name] for name in ("payment_ratio", "denial", "paid_at_margin")}
        for wanted in (line["payer_group"], activity):
            for term in payer["terms"]:
                if term["activity"] == wanted:
                    terms |= {name: term[name] for name in terms if term[name] is not None}
        margin = {None: terms["paid_at_margin"] if only is None else 1.0, "per_episode": 1.0, "block": 0.0}[inputs["view"]]
        paid += payer["share"][year] * terms["payment_ratio"] * (1.0 - terms["denial"]) * margin
    return at(inputs, f"activities.{activity}.payment", year) * paid


INCOME = {"prophylaxis": "R4", "surveillance": "R4", "harm": "R4h", "bleed": "R8", "after": "R8"}


def add_contracts(inputs: Inputs, rows: Rows, change: dict[str, Row], year_of: list[int], *, ended: bool) -> None:
    """Add to R4, R4s, R4h and R8 what contracts pay of each year's change in activity; ended, their variable share."""
    for payer in inputs["payers"]:
        value: Rows = {name: [0.0] * len(year_of) for name in ("R4", "R4s", "R4h", "R8")}
        for activity, line in inputs["activities"].items():
            if line["group"] not in INCOME or not covers(inputs, payer, activity):
                continue
            sign = {"R8": -1.0, "R4h": inputs["paid_harms"]}.get(INCOME[line["group"]], 1.0)
            for m, year in enumerate(year_of):
                paid = change[activity][m] * income_of_unit(inputs, activity, year, payer) * inputs["index"]["tariff"][year]
                value[INCOME[line["group"]]][m] += sign * paid
                value["R4s"][m] += paid * (line["group"] == "surveillance")
        for m, year in enumerate(year_of if any(map(any, value.values())) else []):
            span = [k for k, of in enumerate(year_of) if of == year]
            added = sum(value["R4"][k] + value["R4h"][k] - value["R8"][k] for k in span)
            share = payer["contract"]["variable"] if ended or not added else settle(payer["contract"], year, added) / added
            for name, amounts in value.items():
                rows[name][m] += share * amounts[m]


def settle(contract: Inputs, year: int, added: float) -> float:
    """What a contract pays for a year's added value: payment beyond the plan with it, less without it."""
    plan, before = contract["plan"][year], contract["baseline"][year]
    found = []
    for value in (before, before + added):
        beyond = max(contract["variable"] * (value - plan), (contract["floor"] - 1.0) * plan)
        found.append(beyond if contract["cap"] is None else min(beyond, (contract["cap"] - 1.0) * plan))
    return found[1] - found[0]


def contributions(inputs: Inputs, change: dict[str, Row], year_of: list[int], *, ended: bool = False) -> Rows:
    """Rows R2 to R11, R20 and RC of a change in activity; ``year_of`` each month gives its prices."""
    months, index, lines = range(len(year_of)), inputs["index"], inputs["activities"]
    rows: Rows = {name: [0.0] * len(year_of) for name in (*MONEY, "R1", "R2", "R3", "R20", *inputs["steps"])}
    refill, displaced = (
        [inputs[key]["share"] * at(inputs, f"{key}.contribution", year) for year in range(inputs["years"])]
        for key in ("refill", "displaced")
    )
    if inputs["view"] == "block":
        refill = [0.0] * inputs["years"]
    for activity, line in lines.items():
        for m in months:
            n, year = change[activity][m], year_of[m]
            cost = n * at(inputs, f"activities.{activity}.unit_cost", year) * index[line["index"]][year]
            cash, income = cost * line["share_cash_releasing"], n * income_of_unit(inputs, activity, year) * index["tariff"][year]
            rows["RC"][m] -= cost - cash
            rows["R20"][m] -= n * line["bed_days"]
            for place, slots in (line["slots"] | {"surveillance": line["surveillance_slots"]}).items():
                rows[place][m] += n * slots
            match line["group"]:
                case "prophylaxis" | "surveillance":
                    rows["R4"][m] += income
                    rows["R5"][m] += cash
                    if line["group"] == "surveillance":
                        rows["R4s"][m] += income
                        rows["R5s"][m] += cash
                case "harm":
                    rows["R4h"][m] += income * inputs["paid_harms"]
                    rows["R6h"][m] += cash
                case "bleed" | "after":
                    rows["R7"][m] -= cash
                    rows["R8"][m] -= income
            if activity in ("first_bleeds", "rebleeds"):
                rows["R3"][m] -= n
    add_contracts(inputs, rows, change, year_of, ended=ended)
    for m in months:
        tariff = index["tariff"][year_of[m]]
        rows["R2"][m] = change["sessions"][m]
        rows["R6"][m] = rows["R4"][m] - rows["R5"][m]
        rows["R9"][m] = rows["R20"][m] * refill[year_of[m]] * tariff
        rows["R10"][m] = sum(rows[place][m] * (1.0 if ended else in_lists(inputs, rows, place, m)) for place in inputs["steps"])
        rows["R10"][m] *= displaced[year_of[m]] * tariff
        rows["R11"][m] = (
            rows["R6"][m] + rows["R4h"][m] - rows["R6h"][m] + rows["R7"][m] - rows["R8"][m] + rows["R9"][m] - rows["R10"][m]
        )
    return rows


def in_lists(inputs: Inputs, rows: Rows, place: str, month: int) -> float:
    """Share of a year's slots at a place that is within what is spare; the rest is in bought blocks and displaces nothing."""
    year = month // 12
    spare = at(inputs, f"steps.{place}.spare", year)
    used = sum(rows[place][12 * year : 12 * year + 12])
    return spare / used if used > spare else 1.0


def add_fixed_and_steps(inputs: Inputs, rows: Rows, mix: dict[str, float], builds: bool, changed: bool) -> None:
    """R12 and R13: blocks of slots beyond what is spare, and what is paid whatever the volume."""
    index, finance, months = inputs["index"], inputs["finance"], 12 * inputs["years"]
    for place, step in inputs["steps"].items():
        for year in range(inputs["years"]):
            used = sum(rows[place][12 * year : 12 * year + 12])
            blocks = ceil(max(0.0, used - at(inputs, f"steps.{place}.spare", year)) / step["block"] - 1e-9)
            cost = at(inputs, f"steps.{place}.cost", year) * index["pay"][year] / 12.0
            for m in range(12 * year, 12 * year + 12):
                rows["R12"][m] += blocks * cost
    for line in inputs["fixed"]:
        is_more = mix.get(line["needs"], 0.0) > now(inputs).get(line["needs"], 0.0)
        carried = {"sessions": builds, "always": changed}.get(line["needs"], is_more)
        for month in range(line["month"], line["until"] + 1) if carried else ():
            amount = inputs["paths"].get(f"fixed.{line['name']}", [line["amount"]] * inputs["years"])[(month - 1) // 12]
            part = amount / (12.0 if line["every"] == "year" else 1.0)
            part *= 1.0 if line["index"] == "none" else index[line["index"]][(month - 1) // 12]
            rows["R13c"][month - 1] += part * inputs["contingency"]
            rows["R13"][month - 1] += part * (1.0 + inputs["contingency"])
    closes = inputs["intake"]["stop_month"] or (months if finance["at_end"] == "closure" else 0)
    if builds and 0 < closes <= months:
        rows["R13"][closes - 1] += at(inputs, "finance.exit_cost", (closes - 1) // 12) * index["pay"][(closes - 1) // 12]


def equipment(inputs: Inputs, builds: bool) -> tuple[Row, Row, float]:
    """Cash of equipment at the start and by month, depreciation by month of what is bought, its book value at the end."""
    months, prices = 12 * inputs["years"], [inputs["carry"]["devices"], *inputs["index"]["devices"]]
    cash, worn, book = [0.0] * (months + 1), [0.0] * months, 0.0
    closes = inputs["finance"]["at_end"] == "closure"
    for item in inputs["capital"] if builds else []:
        if item["basis"] in ("lease", "per_use"):
            continue
        bought, cost = item["basis"] == "purchase", item["cost"] * (1.0 + item["tax"])
        start = item["month"] if bought else -item["age_months"]
        while start < months:
            end, price = start + item["replace_months"], 1.0
            last = min(round(end), months)
            if bought:
                price = prices[max(0, ceil(start / 12.0))]
                cash[round(start)] += item["share"] * cost * price
                a_month = item["share"] * (cost - item["salvage"]) / item["life_months"] * price
                worn = [was + a_month * (start < m + 0.5 < end) for m, was in enumerate(worn)]
            stays = bought and end > months and not closes
            if stays:
                book += item["share"] * cost * price - a_month * (months - start)
            elif bought or end < months:
                cash[last] -= item["share"] * item["salvage"] * prices[max(0, ceil(last / 12.0))]
            start, bought = end, True
    return cash, worn, book


def hire(inputs: Inputs, change: dict[str, Row], builds: bool) -> Row:
    """Lease and payment per use by month: at the prices of the month in which a contract began, or of each month if escalated."""
    prices, uses = inputs["index"]["devices"], [0.0] * 12 * inputs["years"]
    for activity, line in inputs["activities"].items():
        if line["slots"] or line["surveillance_slots"]:
            uses = [a + b for a, b in zip(uses, change[activity], strict=True)]
    paid, stop = [0.0] * len(uses), inputs["intake"]["stop_month"] or len(uses)
    for item in inputs["capital"] if builds else []:
        first = max(1, item["month"])
        for month in range(first, len(uses) + 1) if item["basis"] in ("lease", "per_use") else ():
            began = month - (month - first) % item["term_months"] if item["basis"] == "lease" else first
            each = item["monthly"] * item["share"] if item["basis"] == "lease" else item["amount"] * uses[month - 1]
            level = prices[((month if item["escalated"] else began) - 1) // 12]
            paid[month - 1] += each * (1.0 + item["tax"]) * level * (began <= stop)
    return paid


def financing(inputs: Inputs, builds: bool) -> Row:
    """Repayments less what is drawn by month, of loans drawn after the start; a capital charge paid is not reckoned here."""
    paid = [0.0] * 12 * inputs["years"]
    for loan in inputs["loans"] if builds else []:
        rate, term = (1.0 + loan["rate"]) ** (1.0 / 12.0) - 1.0, loan["term_months"]
        level = loan["amount"] / sum((1.0 + rate) ** -k for k in range(1, term + 1))
        paid[loan["month"] - 1] -= loan["amount"]
        for month in range(loan["month"] + 1, min(loan["month"] + term, len(paid)) + 1):
            paid[month - 1] += level
    return paid


def add_tax_and_debts(inputs: Inputs, rows: Rows, worn: Row) -> None:
    """R15 in the last month of each year, losses carried forward; R16, the change in what payers owe."""
    finance, losses, owed_before = inputs["finance"], 0.0, 0.0
    for year in range(inputs["years"]):
        span = range(12 * year, 12 * year + 12)
        profit = sum(rows["R14"][m] - worn[m] for m in span) - losses
        rows["R15"][span[-1]] = finance["tax_rate"] * max(0.0, profit)
        losses = max(0.0, -profit)
    for m in range(12 * inputs["years"]):
        owed = 12.0 * (rows["R4"][m] + rows["R4h"][m] - rows["R8"][m]) * finance["settlement_days"] / 365.0
        if finance["at_end"] == "closure" and m == 12 * inputs["years"] - 1:
            owed = 0.0
        rows["R16"][m] = owed - owed_before
        owed_before = owed


def duty(inputs: Inputs, after: dict[str, Row]) -> float:
    """Value in the last month of the follow-up owed after a closure; never a gain."""
    if inputs["finance"]["at_end"] != "closure":
        return 0.0
    n, last = len(next(iter(after.values()))), inputs["years"] - 1
    rows = contributions(inputs, after, [last] * n, ended=True)
    displaced = inputs["displaced"]["share"] * at(inputs, "displaced.contribution", last) * inputs["index"]["tariff"][last]
    owed = [rows["R5s"][m] - rows["R4s"][m] + rows["surveillance"][m] * displaced for m in range(n)]
    return max(0.0, sum(amount * (1.0 + inputs["finance"]["rate"]) ** (-(m + 1) / 12.0) for m, amount in enumerate(owed)))


def own_terms(inputs: Inputs, site: Inputs) -> Inputs:
    """The block as it would be with a partner's payers and prices in the place of the hub's."""
    own = {price["activity"]: {k: v for k, v in price.items() if v is not None} for price in site["prices"]}
    activities = {name: line | own.get(name, {}) for name, line in inputs["activities"].items()}
    payers = [payer | {"share": [payer["share"]] * inputs["years"], "terms": [], "contract": None} for payer in site["payers"]]
    return inputs | {"activities": activities, "payers": payers or inputs["payers"]}


def partner(inputs: Inputs, number: int) -> Rows:
    """Rows by month of one partner under the proposal, nominal: what it no longer does and earns, and what it pays the hub."""
    mix, n, site = inputs["proposed_mix"], 12 * inputs["years"], inputs["sites"][number]
    sent, change = start_by_month(inputs, mix)[1][number], {}
    for activity in inputs["activities"]:
        with_it, without = stays(inputs, site, activity)
        pair = zip(mixed(inputs, mix, activity), mixed(inputs, now(inputs), activity), strict=True)
        change[activity] = spread(sent, [with_it * a - without * b for a, b in pair], range(n))
    rows = contributions(own_terms(inputs, site), change, [m // 12 for m in range(n)], ended=True)
    rows["R11t"] = [-k * site["transfer_payment"] * inputs["index"]["tariff"][m // 12] for m, k in enumerate(sent)]
    rows["R11"] = rows["R14"] = [a + b for a, b in zip(rows["R11"], rows["R11t"], strict=True)]
    add_tax_and_debts(inputs, rows, [0.0] * n)
    rows["R18"] = [a - b - c for a, b, c in zip(rows["R14"], rows["R15"], rows["R16"], strict=True)]
    return rows


def recompute(inputs: Inputs, mix: dict[str, float]) -> tuple[Rows, float, dict[str, float]]:
    """Rows by month in the basis of the cash, capital paid at the start, and the option's figures."""
    finance, n = inputs["finance"], 12 * inputs["years"]
    builds = has_more_sessions(inputs, mix)
    changed = {k: v for k, v in mix.items() if v} != {k: v for k, v in now(inputs).items() if v}
    starts, of_sites = start_by_month(inputs, mix) if changed else ([0.0] * n, [[0.0] * n for _ in inputs["sites"]])
    within, after = changes(inputs, mix, starts, of_sites)
    rows = contributions(inputs, within, [m // 12 for m in range(n)])
    rows["R1"] = starts
    for site, sent in zip(inputs["sites"], of_sites, strict=True):
        paid = [n * site["transfer_payment"] * inputs["index"]["tariff"][m // 12] for m, n in enumerate(sent)]
        rows["R11t"] = [a + b for a, b in zip(rows["R11t"], paid, strict=True)]
    rows["R11"] = [a + b for a, b in zip(rows["R11"], rows["R11t"], strict=True)]
    add_fixed_and_steps(inputs, rows, mix, builds, changed)
    rows["R14"] = [a - b - c for a, b, c in zip(rows["R11"], rows["R12"], rows["R13"], strict=True)]
    cash, worn, book = equipment(inputs, builds)
    hired = hire(inputs, within, builds)
    rows["R17f"] = financing(inputs, builds)
    rows["R17"] = [a + b for a, b in zip(cash[1:], hired, strict=True)]
    add_tax_and_debts(inputs, rows, [a + b for a, b in zip(worn, hired, strict=True)])
    rows["R17r"][-1], rows["R17d"][-1] = book, duty(inputs, after)
    rate, level = finance["rate"], [1.0] * n
    if finance["cash_basis"] == "real":
        rate = (1.0 + rate) / (1.0 + finance["inflation"]) - 1.0
        level = [(1.0 + finance["inflation"]) ** ((m + 1) / 12.0) for m in range(n)]
    rows |= {name: [amount / by for amount, by in zip(rows[name], level, strict=True)] for name in MONEY}
    for m in range(n):
        rows["R18"][m] = rows["R14"][m] - rows["R15"][m] - rows["R16"][m] - rows["R17"][m]
    factor = [(1.0 + rate) ** (-(m + 1) / 12.0) for m in range(n)]
    rows["R19"] = list(accumulate(rows["R18"], initial=-cash[0]))[1:]
    valued = [rows["R18"][m] + rows["R17r"][m] - rows["R17d"][m] for m in range(n)]
    rows["R19_present_value"] = [a * v for a, v in zip(valued, factor, strict=True)]
    npv = sum(rows["R19_present_value"]) - cash[0]
    freed = sum(a * v for a, v in zip(rows["RC"], factor, strict=True))
    peak = min(-cash[0], 0.0, *rows["R19"])
    return rows, cash[0], {"npv_cash": npv, "npv_with_capacity": npv + freed, "peak_cash": peak, "bleeds_averted": sum(rows["R3"])}
