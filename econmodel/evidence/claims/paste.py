"""Read a claim as it is pasted from a paper: ratios, risks, counts, NNT, intervals, p, costs and time, in plain text.

The same quantities as the options of a claim, and the same reading of each. Every piece that was not read is listed.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal
from typing import Any

from econmodel.errors import ParameterError
from econmodel.evidence.claims.inputs import Claim
from econmodel.numbers import read_digits, style_of
from econmodel.records import record

LONGEST = 4000
N = r"(?:\d[\d]*(?:[.,]\d+)*|\.\d+)"
SIGNED = rf"-?{N}"
IS = r"\s*(?:=|:|of\b|was\b|is\b|about\b)?\s*"
BETWEEN = r"\s*%?\s*(?:-|to|,|;)\s*"
LEVEL = r"(?:(?P<level>\d\d)\s*%\s*)?(?:ci|confidence interval)?\s*[:=,]?\s*"
INFINITE = r"(?:inf\w*\s*to\s*(?P<harm>nnth?|nnh)\s*)?"
CI = (
    rf"(?:\s*%?\s*[,;]?\s*(?:[(\[]\s*{LEVEL}|(?P<bare>\d\d)\s*%\s*(?:ci|confidence interval)\s*[:=,]?\s*|ci\s*[:=,]?\s*)"
    rf"(?P<low>{SIGNED}){BETWEEN}{INFINITE}(?P<high>{SIGNED})\s*%?\s*[)\]]?)?"
)
RATIOS = {
    r"(?:relative risk|risk) reduction|rrr": "relative_reduction",
    r"(?:relative )?odds reduction": "odds_reduction",
    r"a?rr|relative risk|risk ratio": "relative_risk",
    r"a?or|odds ratio": "odds_ratio",
    r"a?hr|hazard ratio|rate ratio|irr": "hazard_ratio",
    r"arr|rd|(?:absolute )?risk difference|absolute risk reduction": "arr",
}
TREATED = (
    r"treated|treatment|active|intervention|coils?(?: (?:and|with) glue)?|eus(?:[- ]guided)?(?: glue)?|glue|therapy|with prophylaxis"
)
UNTREATED = r"controls?|placebo|untreated|watch\w*|observation|no treatment|without prophylaxis|borrowed"
LABEL = rf"(?:\b(?P<{{0}}label>{UNTREATED}|{TREATED})\b(?:\s+(?:arm|group|patients|risk))?\s*[:=]?\s*)?"
ARM = rf"(?P<{{0}}>\d+\s*(?:/|(?:out )?of)\s*\d+(?:\s*\(?\s*{N}\s*%\s*\)?)?|{N}\s*%|{N}\s*(?:per|/)\s*(?:100|1000)\b|{N})"
VERSUS = r"and|v\.?|vs\.?|versus|against|compared (?:with|to)"
SEP = rf"\s*(?:(?P<versus>{VERSUS})|(?P<to>to|->))\s*"
MONEY = r"[$£€]?\s*(?P<money>\d{1,3}(?:[,. ']\d{3})+|\d+(?:[.,]\d+)?)(?:\s*(?:usd|gbp|eur|dollars|pounds|euros?))?"
UNITS = {"d": 365.25, "w": 365.25 / 7, "m": 12.0, "y": 1.0}
EMPTY = re.compile(
    r"(?:\b(?:a|an|and|at|by|of|with|was|were|is|in|over|the|for|after|follow-?up|patients|95|ci|no)\b|[\W_])+", re.IGNORECASE
)
PLAIN = str.maketrans(
    dict.fromkeys("\u2010\u2011\u2012\u2013\u2014\u2212", "-") | dict.fromkeys("\u00a0\u2009\u202f\u2007", " ") | {"\u2192": "->"}
)


@record
class Pasted:
    """A pasted claim: the claim read, the pieces that were not, and whether the order of arms says which is treated."""

    claim: Claim
    unread: tuple[str, ...]


def read_pasted(text: str, more: dict[str, Any] | None = None) -> Pasted:
    """Read a pasted claim.

    Parameters
    ----------
    text
        As copied from a paper.
    more
        Parts of the claim given otherwise; a part given twice is refused.

    Raises
    ------
    ParameterError
        Too long, a number with two readings, a quantity twice with two values, or nothing that can be read.

    Examples
    --------
    >>> read_pasted("30% to 10%, RR 0.33").claim.untreated_risk
    '30%'
    """
    if len(text) > LONGEST:
        what = f"the claim is {len(text):,} characters long: at most {LONGEST:,} are read"
        raise ParameterError(what, where="--paste", fix="paste the sentence with the figures alone")
    reader = _Reader(text)
    for read in (_nnt, _ratios, _rest, _pair, _alone):
        read(reader)
    unread = tuple(
        piece
        for part in re.split(r"\0+|[;\n]|[,.](?=\s|$)", reader.left)
        if (piece := part.strip(" ,.:()[]")) and not EMPTY.fullmatch(piece)
    )
    if not reader.found:
        what = f"{text[:60]!r}: no figure of a claim was read"
        raise ParameterError(
            what, where="--paste", fix='write for example "RR 0.50 (0.30-0.84), NNT 10 (6-34)" or "5/40 v 14/43, 24 months"'
        )
    for name, value in (more or {}).items():
        reader.put(name, value)
    return Pasted(Claim(**reader.found), unread)


class _Reader:
    """Text with what has been read blanked out, and what was found."""

    def __init__(self, text: str) -> None:
        plain = re.sub(r"(?<=\d)[\u00b7\u2027\u22c5](?=\d)", ".", text.translate(PLAIN)).replace("\u221e", "infinity")
        self.left = plain.replace("\0", " ")
        self.style = style_of(re.findall(N, self.left))
        self.found: dict[str, Any] = {}

    def put(self, name: str, value: Any) -> None:
        if self.found.get(name, value) != value:
            what = f"{name.replace('_', ' ')} is stated twice: {self.found[name]} and {value}"
            raise ParameterError(what, where="--paste", fix="give it once, one comparison at a time")
        self.found[name] = value

    def take(self, pattern: str, use: Callable[[re.Match[str]], bool | None]) -> None:
        """Use each match, and blank it unless the use says False."""

        def blank(match: re.Match[str]) -> str:
            return match[0] if use(match) is False else "\0" * len(match[0])

        self.left = re.sub(pattern, blank, self.left, flags=re.IGNORECASE)

    def number(self, text: str) -> str:
        """Write a number with a decimal point and no marks of thousands, by the style of the claim's other numbers."""
        return read_digits(text, "point" if self.style == "unknown" and "," in text else self.style, "--paste")[0]


def _interval(reader: _Reader, match: re.Match[str], scale: str) -> str:
    if match["low"] is None:
        return ""
    level = match["level"] or match["bare"]
    low, high = reader.number(match["low"]), reader.number(match["high"])
    harm = "infinity to NNTH " if match["harm"] else ""
    return f" ({level + '% CI ' if level else ''}{low}{scale} to {harm}{high}{scale})"


def _nnt(reader: _Reader) -> None:
    def use(match: re.Match[str]) -> None:
        sign = "-" if match["name"].lower() in ("nnh", "nnth") else ""
        reader.put("nnt", f"{sign}{reader.number(match['value'])}{_interval(reader, match, '')}")

    reader.take(rf"\b(?P<name>nntb|nnth|nnt|nnh|number needed to treat){IS}(?P<value>{SIGNED}){CI}", use)


def _ratios(reader: _Reader) -> None:
    for words, name in RATIOS.items():

        def use(match: re.Match[str], name: str = name) -> bool:
            share = name in ("arr", "relative_reduction", "odds_reduction")
            scale = "%" if share and match["unit"] else ""
            if match["value"] is None or (share and not scale and not match["value"].lstrip("-").startswith(("0", "."))):
                return False
            value = reader.number(match["value"])
            if match["name"].lower() in ("aor", "ahr") or "adjusted" in (match["how"] or "").lower():
                reader.found["adjusted"] = True
            value = value.lstrip("-") if match["name"].lower() != "arr" else value
            reader.put(name, f"{value}{scale}{_interval(reader, match, scale)}")
            return True

        how = r"(?P<how>\b(?:un)?adjusted\s+)?"
        order = words if name != "relative_risk" else words.removeprefix("a?rr|") + "|rr"
        reader.take(rf"{how}\b(?P<name>{order}){IS}(?P<value>{SIGNED})\s*(?P<unit>%|percentage points|points)?{CI}", use)


def _rest(reader: _Reader) -> None:
    def put(name: str, group: str = "value", kind: Callable[[str], Any] = str) -> Callable[[re.Match[str]], None]:
        return lambda match: reader.put(name, kind(reader.number(match[group])))

    def arms(match: re.Match[str]) -> None:
        for name, group in (("treated_n", "one"), ("untreated_n", "other")):
            reader.put(name, int(match[group] if match[group] else match["one"]))

    def flag(name: str) -> Callable[[re.Match[str]], None]:
        return lambda match: reader.found.update({name: True})

    def time(match: re.Match[str]) -> None:
        reader.put("years", float(Decimal(reader.number(match["value"]))) / UNITS[match["unit"][0].lower()])

    reader.take(
        rf"\bp(?:\s*value)?\s*(?P<sign>[=<>])\s*(?P<value>{N})", lambda m: reader.put("p", m["sign"] + reader.number(m["value"]))
    )
    reader.take(rf"\bcost ratio{IS}(?P<value>{N})", put("cost_ratio"))
    for word in ("course", "bleed"):
        reader.take(rf"\b{word}(?:\s+costs?)?{IS}{MONEY}(?![\d%/]|\s*(?:%|v\b))", put(f"{word}_cost", "money"))
    reader.take(rf"\b(?P<value>{N})[\s-]*(?P<unit>days?|weeks?|wks?|months?|mo|years?|yrs?)\b", time)
    reader.take(r"\b(?P<one>\d+)\s*(?P<other>)(?:patients\s+)?(?:per|in each)\s+(?:arm|group)\b", arms)
    reader.take(r"\b(?:n\s*=\s*)?(?P<one>\d+)\s*\+\s*(?P<other>\d+)(?:\s+patients)?\b", arms)
    reader.take(
        r"\bn\s*=\s*(?P<value>\d+)(?:\s+patients)?\b|\b(?P<count>\d+)\s+patients\b",
        lambda m: reader.put("patients", int(m["value"] or m["count"])),
    )
    reader.take(r"\b(?:kaplan-meier|actuarial)\b", flag("actuarial"))
    reader.take(r"\b(?:pooled|meta-?analysis|\d+ (?:studies|trials))\b", flag("pooled"))
    reader.take(r"(?<!un)\badjusted\b", flag("adjusted"))
    reader.take(r"\bsingle[ -]arm\b", flag("borrowed"))
    reader.take(r"\bcrude\b", lambda match: None)


def _arm(reader: _Reader, text: str, unit: str = "") -> dict[str, str]:
    """Read one arm's counts, or its risk with the sign of the other arm where it has none."""
    if counts := re.fullmatch(rf"(\d+)\s*(?:/|(?:out )?of)\s*(\d+)(?:\s*\(?\s*({N})\s*%\s*\)?)?", text):
        risk = {"_risk": f"{reader.number(counts[3])}%"} if counts[3] else {}
        return {"": f"{counts[1]}/{counts[2]}", **risk}
    if per := re.fullmatch(rf"({N})\s*per\s*(100|1000)", text, re.IGNORECASE):
        return {"_risk": f"{Decimal(reader.number(per[1])) / (Decimal(per[2]) / 100)}%"}
    return {"_risk": f"{reader.number(text.rstrip('% '))}{'%' if '%' in text else unit}"}


def _pair(reader: _Reader) -> None:
    def use(match: re.Match[str]) -> bool:
        first, second = match["a"], match["b"]
        unit = "%" if "%" in first + second or " per " in (first + second).lower() else ""
        if not unit and not re.search("/|of", first) and not (first.startswith(("0", ".")) and second.startswith(("0", "."))):
            return False
        first_treated = match["versus"] is not None
        labels = [match[f"{arm}after"] or match[f"{arm}label"] for arm in "ab"]
        treats = [None if label is None else bool(re.fullmatch(TREATED, label, re.IGNORECASE)) for label in labels]
        rules = treats[0] is not treats[1]
        if rules:
            first_treated = treats[0] if treats[0] is not None else not treats[1]
        reader.found["arms"] = "labelled" if rules else "v" if first_treated else "to"
        for text, treated in ((first, first_treated), (second, not first_treated)):
            for tail, value in _arm(reader, text, unit).items():
                reader.put(f"{'treated' if treated else 'untreated'}{tail}", value)
        if not first_treated and "treated_n" in reader.found:
            found = reader.found
            found["treated_n"], found["untreated_n"] = found["untreated_n"], found["treated_n"]
        return True

    arms = [
        LABEL.format(name)
        + ARM.format(name)
        + rf"(?:\s+(?:in|on|with|for)?\s*(?:the\s+)?(?P<{name}after>{UNTREATED}|{TREATED})\b(?:\s+(?:arm|group|patients))?)?"
        for name in "ab"
    ]
    reader.take(rf"(?:from\s+)?(?<![\d.,/]){arms[0]}\s*(?:patients)?{SEP}{arms[1]}", use)


def _alone(reader: _Reader) -> None:
    """Read one arm by itself, which must be named."""

    def use(match: re.Match[str]) -> bool | None:
        text, label = match["a"], match["alabel"]
        if label is None or not (re.search(r"[/%]|per|of", text, re.IGNORECASE) or text.startswith(("0", "."))):
            return False
        arm = "treated" if re.fullmatch(TREATED, label, re.IGNORECASE) else "untreated"
        if label.lower() == "borrowed":
            reader.found["borrowed"] = True
        for tail, value in _arm(reader, text).items():
            reader.put(f"{arm}{tail}", value)
        return None

    reader.take(LABEL.format("a") + ARM.format("a"), use)

    def single(match: re.Match[str]) -> None:
        reader.put("treated", re.sub(r"\s", "", match["a"]))

    if reader.found.get("borrowed") and "treated" not in reader.found:
        reader.take(r"(?P<a>\b\d+\s*/\s*\d+)", single)
