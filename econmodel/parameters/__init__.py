"""Inputs with provenance: schema, loading, validation, overrides, distributions and sampling."""

from econmodel.parameters.loading import Case, demo_file, load_case
from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.schema import Parameter

__all__ = ["Case", "Parameter", "ParameterSet", "demo_file", "load_case"]
