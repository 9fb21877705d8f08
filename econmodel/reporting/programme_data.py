"""The programme's results as the reports read them: its document with the data of its four charts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from econmodel.programme.report import ProgrammeFindings

FRAMES = ("cumulative_cash", "contribution_bridge", "downside", "bleeds")
CHARTS = {
    "cumulative_cash": "programme_cash",
    "contribution_bridge": "programme_bridge",
    "downside": "programme_downside",
    "bleeds": "programme_bleeds",
}


def programme_document(programme: ProgrammeFindings) -> dict[str, Any]:
    """Give the programme's document with ``frames``: the rows behind each chart."""
    from econmodel.programme import chart_data

    found = {name: getattr(chart_data, f"{name}_rows")(programme) for name in FRAMES}
    return programme.to_dict() | {"frames": found}


def mix_text(mix: dict[str, float], names: dict[str, str]) -> str:
    """Say a mix of strategies in words.

    Examples
    --------
    >>> mix_text({"glue": 0.3, "watch": 0.7}, {"glue": "Direct endoscopic glue", "watch": "No prophylaxis"})
    '30% direct endoscopic glue, 70% no prophylaxis'
    """
    from econmodel.reporting.formatting import percent
    from econmodel.reporting.phrases import lower

    return ", ".join(f"{percent(share)} {lower(names.get(key, key))}" for key, share in mix.items() if share)
