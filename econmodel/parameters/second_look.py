"""What deserves a second look in a case: values far from ours, money of nothing, prices of another year."""

from __future__ import annotations

from econmodel.parameters.parameter_set import ParameterSet
from econmodel.parameters.quantities import TYPED
from econmodel.parameters.schema import RUN_SETTINGS, Parameter, money_parts

FAR, ECHOED = 10.0, 5


def far_off(theirs: object, ours: object) -> str:
    """Say by how much a value is far from ours, as a wrong unit or a lost decimal point would be; empty if it is not.

    Examples
    --------
    >>> far_off(31000.0, 310.0)
    '100 times ours: check the unit'
    >>> far_off(300.0, 310.0)
    ''
    """
    if not (isinstance(theirs, float) and isinstance(ours, float) and theirs > 0 and ours > 0):
        return ""
    ratio = theirs / ours
    return f"{ratio:.3g} times ours: check the unit" if ratio >= FAR or ratio <= 1 / FAR else ""


def second_look(parameters: ParameterSet) -> list[str]:
    """List what to look at again, one sentence each, with the place where it was typed.

    A number that was typed otherwise than plainly is echoed, in full and with its unit; of one file at most five.
    A value ten times what stood before it, or a tenth; money of 0 where ours is not; a price of another year; an input that
    the settings chosen make idle. Only what was typed is looked at, not what followed it.
    """
    found = _echoes(parameters)
    for p in parameters.parameters.values():
        if not p.changed_by or p.as_typed is not None:
            continue
        if p.name not in RUN_SETTINGS and (far := far_off(p.value, p.base_value)):
            found.append(f"{p.name} = {p.value:,.6g} {p.unit} is {far} ({p.where})")
        if idle := parameters.idle(p.name):
            found.append(f"{p.name} = {p.value} has no effect here: {idle} ({p.where})")
        if money_parts(p.unit) and p.value == 0 and isinstance(p.base_value, float) and p.base_value > 0:
            found.append(f"{p.name} = 0 {p.unit}, where ours is {p.base_value:,.6g}: leave it out if it is not known ({p.where})")
        if money_parts(p.unit) and p.price_year != parameters.text("price_year"):
            found.append(
                f"{p.name} is in prices of {p.price_year} among prices of {parameters.text('price_year')}: it is not "
                f"adjusted ({p.where})"
            )
    return found


def _echoes(parameters: ParameterSet) -> list[str]:
    """What was read from text, as ``1.310,50``, or from a price list in its own style; the largest first."""
    of_file: dict[str, list[Parameter]] = {}
    for p in parameters.parameters.values():
        if p.note.startswith(TYPED) and p.as_typed is None:
            of_file.setdefault(p.where.file, []).append(p)
    found = []
    for file, unsorted in of_file.items():
        read = sorted(unsorted, key=lambda p: -abs(float(p.value or 0)))
        found += [f"{p.name}, {p.note.partition('; ')[0]}, was read as {p.value:,.12g} {p.unit} ({p.where})" for p in read[:ECHOED]]
        found += [f"{len(read) - ECHOED} more numbers of {file} were read in the same way"] if len(read) > ECHOED else []
    return found
