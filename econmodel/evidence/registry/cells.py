"""Text that is safe to open in a spreadsheet: no cell of an output can be taken for a formula."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pandas as pd

_NUMBER = re.compile(r"-?\d+(\.\d+)?([eE][-+]?\d+)?")
_STARTERS = "=+-@＝＋－＠\t\r\n '"


def neutral(value: Any) -> Any:
    """Strip what would make a spreadsheet compute a text; numbers, negative ones too, stay as they are.

    Examples
    --------
    >>> neutral("=SUM(A1)"), neutral(" +-@cmd"), neutral("-3.5"), neutral(-3.5), neutral("a=b")
    ('SUM(A1)', 'cmd', '-3.5', -3.5, 'a=b')
    """
    if not isinstance(value, str) or _NUMBER.fullmatch(value):
        return value
    return value.lstrip(_STARTERS)


def neutral_frame(frame: pd.DataFrame) -> pd.DataFrame:
    """Write every cell of a table as neutral text: dates ``YYYY-MM-DD``, numbers to ten digits, blanks empty."""
    safe = {neutral(str(name)): _texts(frame[name]) for name in frame.columns}
    return pd.DataFrame(safe, index=frame.index)


def _texts(column: pd.Series) -> pd.Series:
    codes, uniques = pd.factorize(column)
    if pd.api.types.is_datetime64_any_dtype(column):
        texts = list(pd.DatetimeIndex(uniques).strftime("%Y-%m-%d"))
    elif pd.api.types.is_float_dtype(column):
        texts = [f"{value:.10g}" for value in uniques]
    else:
        texts = [str(neutral(value)) for value in uniques]
    return pd.Series(np.array([*texts, ""], dtype=object)[codes], index=column.index)


def neutral_tree(value: Any) -> Any:
    """Make every text of nested dicts and lists neutral."""
    if isinstance(value, dict):
        return {neutral(str(k)): neutral_tree(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [neutral_tree(v) for v in value]
    return neutral(value)
