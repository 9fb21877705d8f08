"""Inputs of the model that a registry can replace, each with its distribution, range, reason and source.

A rate or probability is joined to the base case's belief; a share, mean or mix stands on the registry alone and needs
``Options.minimum`` patients, courses or sessions. Effects of treatment are never taken from a registry: its patients
were not allocated at random.
"""

from __future__ import annotations

import pandas as pd

from econmodel.evidence.registry.cleaning import CleanRegistry
from econmodel.evidence.registry.followup import NOT_RECORDED, form_groups, group_name
from econmodel.evidence.registry.local_rates import rebleed_values, untreated_values
from econmodel.evidence.registry.local_use import use_values
from econmodel.evidence.registry.local_value import LocalValue, beta_interval
from econmodel.evidence.registry.settings import BaseCase, Options


def local_values(clean: CleanRegistry, f: pd.DataFrame, base: BaseCase, options: Options) -> list[LocalValue]:
    """Every input this registry can replace.

    Parameters
    ----------
    clean
        The cleaned registry.
    f
        Follow-up of the patients analysed.
    base
        Beliefs to combine with, and the names the model knows.
    options
        Holds the minimum.
    """
    found = [
        *_age(clean, options),
        *_share_female(clean, options),
        *_case_mix(clean, options),
        *untreated_values(clean, f, base),
        *rebleed_values(clean, base),
        *use_values(clean, f, base, options),
    ]
    return [v for v in found if base.known is None or v.name in base.known]


def _age(clean: CleanRegistry, options: Options) -> list[LocalValue]:
    p = clean.analysed
    age = (p["start"].dt.year - p["birth_year"]).fillna(p["age"]).dropna()
    if len(age) < options.minimum:
        return []
    note = (
        f"Registry {clean.file}: mean {age.mean():.1f} (SD {age.std():.1f}) in {len(age)}/{len(p)} patients; the "
        "life table works in whole years."
    )
    return [
        LocalValue(
            "start_age",
            {"family": "fixed", "reason": "describes the site's own patients"},
            "mean age of the site's own patients",
            note,
            float(round(age.mean())),
        )
    ]


def _share_female(clean: CleanRegistry, options: Options) -> list[LocalValue]:
    sex = clean.analysed["sex"].dropna()
    if len(sex) < options.minimum:
        return []
    women = int(sex.eq("female").sum())
    a, b = women + 0.5, len(sex) - women + 0.5
    return [
        LocalValue(
            "share_female",
            {"family": "beta", "a": a, "b": b},
            "share among the site's own patients",
            f"Registry {clean.file}: {women}/{len(sex)} patients. Jeffreys' prior.",
            a / (a + b),
            range=(*beta_interval(a, b), "95% interval of the registry's share"),
        )
    ]


def _case_mix(clean: CleanRegistry, options: Options) -> list[LocalValue]:
    groups = form_groups(clean.analysed)
    known = groups[groups["group"].ne(NOT_RECORDED)]
    if len(known) < options.minimum:
        return []
    counted = known.groupby(["child", "size_step", "red"]).size().rename("patients").reset_index()
    table = tuple(
        {
            "name": group_name(r["child"], int(r["size_step"]), int(r["red"])),
            "share": int(r["patients"]) / len(known),
            "child": r["child"],
            "size_step": int(r["size_step"]),
            "red_spot": int(r["red"]),
        }
        for r in counted.to_dict("records")
    )
    note = f"Registry {clean.file}: {len(known)}/{len(groups)} patients with Child-Pugh class, size and red spot all recorded."
    return [
        LocalValue("case_mix", {"family": "dirichlet", "n": float(len(known))}, "mix of the site's own patients", note, table=table)
    ]
