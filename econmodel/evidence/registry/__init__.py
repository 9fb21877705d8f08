"""A site's own registry: from a spreadsheet of patients to checked data, rates, risks and local values of the model.

Nothing leaves the computer. Names and record numbers are dropped as the file is read and stand in no output.

Terms
-----
held
    Left out until a cell is put right; listed with row and reason.
excluded
    Outside the question (bled before the decision; not GOV2 or IGV1); listed with row and reason.
analysed
    Every other patient. Follow-up starts at the decision (or, without one, at the first session).
"""

from econmodel.evidence.registry.analysis import RegistryResult, analyse_clean, analyse_registry
from econmodel.evidence.registry.cleaning import CleanRegistry, clean_registry
from econmodel.evidence.registry.outputs import summarise, write_registry
from econmodel.evidence.registry.settings import BaseCase, BetaPrior, Options, Prior, base_case_from, prior_from_mean

__all__ = [
    "BaseCase",
    "BetaPrior",
    "CleanRegistry",
    "Options",
    "Prior",
    "RegistryResult",
    "analyse_clean",
    "analyse_registry",
    "base_case_from",
    "clean_registry",
    "prior_from_mean",
    "summarise",
    "write_registry",
]
