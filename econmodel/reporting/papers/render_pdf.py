"""Render a paper as PDF with the bundled typesetter: no system package, same input and run same bytes."""

from __future__ import annotations

import json
import shutil
import tempfile
from pathlib import Path
from typing import Any

from econmodel.package import stamp
from econmodel.reporting.papers.content import Paper, chart_names, to_plain
from econmodel.reporting.papers.render_html import TEMPLATES


def render_pdf(paper: Paper, figures: Path) -> bytes:
    """Render a paper.

    Parameters
    ----------
    paper
        Content; it reaches the typesetter as data, so no text in it can become markup.
    figures
        Folder with the SVG of each chart the paper names.
    """
    import typst

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "figures").mkdir()
        for chart in dict.fromkeys(c for section in paper.sections for c in chart_names(section.blocks)):
            shutil.copyfile(figures / f"{chart}.svg", folder / "figures" / f"{chart}.svg")
        (folder / "paper.json").write_text(json.dumps(to_plain(paper), ensure_ascii=False), encoding="utf-8")
        shutil.copyfile(TEMPLATES / "paper.typ", folder / "paper.typ")
        made_at = int(stamp().moment.timestamp())
        made: Any = typst.compile(folder / "paper.typ", format="pdf", ignore_system_fonts=True, timestamp=made_at)
    return bytes(made)
