"""Render a paper as one self-contained HTML file: styles and figures inside, nothing loaded from elsewhere."""

from __future__ import annotations

import re
from pathlib import Path

from econmodel.reporting.papers.content import Paper, Table
from econmodel.wording import MINUS

LOOSE_MINUS = re.compile(f"({MINUS})(?=[$£€\\d])")  # a line must not end between a minus and its number
TEMPLATES = Path(__file__).parent / "templates"


def render_html(paper: Paper, figures: Path) -> str:
    """Render a paper.

    Parameters
    ----------
    paper
        Content; every text in it is escaped.
    figures
        Folder with the SVG of each chart the paper names.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup, escape

    def drawing(name: str, alt: str) -> Markup:
        return Markup(inline_svg((figures / f"{name}.svg").read_text(encoding="utf-8"), name, alt))

    def breakable(text: str) -> Markup:
        """Let a long name or path break after an underscore or a slash, and nowhere else."""
        return Markup(re.sub(r"([_/])(?=\w)", r"\1<wbr>", str(escape(text))))

    def folded(table: Table) -> bool:
        return paper.kind == "brief" and table.small

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    style = Markup((TEMPLATES / "paper.css").read_text(encoding="utf-8"))
    text = environment.get_template("paper.html.jinja").render(
        paper=paper, drawing=drawing, style=style, breakable=breakable, folded=folded
    )
    return LOOSE_MINUS.sub(r"\1&#8288;", text)


def inline_svg(svg: str, name: str, alt: str) -> str:
    """Make a saved SVG fit to stand in a page: own identifiers, scaled by the page, read out as ``alt``."""
    from markupsafe import escape

    body = svg[svg.index("<svg") :]
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.DOTALL)
    body = re.sub(r'(\bid="|href="#|url\(#)', rf"\1{name}-", body)
    opening = r'<svg viewBox="\1" role="img" xmlns:xlink="http://www.w3.org/1999/xlink">'
    body = re.sub(r'^<svg[^>]*?viewBox="([^"]*)"[^>]*>', opening, body, count=1)
    return body.replace(">", f"><title>{escape(alt)}</title>", 1)
