"""The set of risks, or of whole tables, that meet every printed figure of a claim at once.

A figure allows, for a given untreated risk ``p0``, an interval of the treated risk ``p1``; the set is where all these meet.
Where both arms are of known size (or a total is, without more) it holds whole tables, found by enumeration; else real
risks, found by a search over ``p0`` that closes in on each extreme to 1e-9.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from econmodel.evidence.claims.figures import COUNTED, DIFFERENCES, RATIOS, Figure, Sizes, find
from econmodel.evidence.printed import Counts, Span
from econmodel.records import record

FloatArray = NDArray[np.float64]
SLACK = 1e-12
NEAR = 1e-9  # of a search over real risks
MOST_TABLES = 4_000_000
MOST_VALUES = 200
SHOWN_TABLES = 10
GRID = 401


@record
class Joint:
    """What the figures leave possible: least, face value and greatest of each risk and ratio; None where nothing says.

    ``tables`` are the (treated, untreated) counts, where both arms are whole patients; ``whole`` says that they are.
    """

    p1: Span | None
    p0: Span | None
    arr: Span | None
    rr: Span | None
    tables: tuple[tuple[Counts, Counts], ...] = ()
    whole: bool = False


def joint_solution(figures: Sequence[Figure], sizes: Sizes) -> Joint | None:
    """Give what the figures leave possible together; None where nothing does.

    Parameters
    ----------
    figures
        Each with the range that rounding allows.
    sizes
        Patients of each arm, or in all.
    """
    tables = _tables(figures, sizes)
    if tables is not None:
        return _of_tables(tables, figures) if len(tables) else None
    points = [_extremes(cell) for cell in _cells(figures, sizes)]
    found = [p for p in points if p is not None]
    if not found:
        return None
    ends = np.array(found)  # shape (cell, quantity, 2)
    low, high = ends[:, :, 0].min(0), ends[:, :, 1].max(0)
    kinds = {f.kind for f in figures}
    known = len({_group(kind) for kind in kinds}) > 1
    face = _face(figures, low, high)
    shown = (
        known or bool(kinds & {"treated risk", "treated counts"}),
        known or bool(kinds & {"untreated risk", "untreated counts"}),
        known or bool(kinds & DIFFERENCES),
        (known or "rr" in kinds) and low[1] > 0,
    )
    one, other, gap, ratio = (
        Span(float(min(max(v, a), b)), float(a), float(b)) if s else None for v, a, b, s in zip(face, low, high, shown, strict=True)
    )
    return Joint(one, other, gap, ratio)


def meets(figures: Sequence[Figure], sizes: Sizes, widened: float = 1.0) -> bool:
    """Say whether anything meets all figures, each range widened so many times about its middle."""
    wide = [f.widened(widened) for f in figures]
    tables = _tables(wide, sizes)
    if tables is not None:
        return len(tables) > 0
    return any(_widest(cell)[1] >= -NEAR for cell in _cells(wide, sizes))


def allowed(figure: Figure, p0: FloatArray) -> tuple[FloatArray | float, FloatArray | float]:
    """Give the least and greatest treated risk that a figure allows beside untreated risks."""
    low, high = figure.low, figure.high
    match figure.kind:
        case "treated risk" | "treated counts":
            return low, high
        case "arr":
            return p0 - high, p0 - low
        case "nnt":
            return p0 - 1 / low, p0 - 1 / high
        case "rr":
            return low * p0, high * p0
        case "or":
            return low * p0 / (1 - p0 + low * p0 + 1e-300), high * p0 / (1 - p0 + high * p0 + 1e-300)
        case "hr":
            return 1 - (1 - p0) ** low, 1 - (1 - p0) ** high
        case _:
            return 0.0, 1.0


def _group(kind: str) -> str:
    return "difference" if kind in DIFFERENCES else kind.replace("counts", "risk")


def _values(figures: Sequence[Figure], arm: str, n: int | None) -> list[Counts] | None:
    """Counts an arm may have: as printed, or those of its size that print its risk; None where nothing says."""
    if (counts := find(figures, f"{arm} counts")) is not None and counts.counts is not None:
        risk = find(figures, f"{arm} risk")
        fits = risk is None or risk.low - SLACK <= counts.value <= risk.high + SLACK
        return [counts.counts] if fits else []
    risk = find(figures, f"{arm} risk")
    if risk is None or n is None:
        return None
    return [Counts(e, n) for e in range(max(math.ceil(risk.low * n - SLACK), 0), min(math.floor(risk.high * n + SLACK), n) + 1)]


def _sizes(figures: Sequence[Figure], sizes: Sizes) -> Iterator[tuple[int, int]]:
    if sizes.treated and sizes.untreated:
        yield sizes.treated, sizes.untreated
    elif sizes.total:
        total = sizes.total
        yield from ((n, total - n) for n in range(max(math.ceil(total / 5), 1), math.floor(4 * total / 5) + 1) if n < total)


def _tables(figures: Sequence[Figure], sizes: Sizes) -> NDArray[np.int64] | None:
    """List the whole tables (a, n1, b, n0), shape (table, 4), that meet all figures; None where an arm is not whole."""
    counted = [find(figures, f"{arm} counts") for arm in ("treated", "untreated")]
    if all(counted):
        pairs = [(_values(figures, "treated", None) or [], _values(figures, "untreated", None) or [])]
    elif find(figures, "treated risk", "treated counts") and find(figures, "untreated risk", "untreated counts"):
        pairs = [(_values(figures, "treated", n1) or [], _values(figures, "untreated", n0) or []) for n1, n0 in _sizes(figures, sizes)]
        if not pairs:
            return None
    else:
        return None
    if sum(len(first) * len(second) for first, second in pairs) > MOST_TABLES:
        return None
    parts = [_product(first, second) for first, second in pairs if first and second]
    tables = np.concatenate(parts) if parts else np.empty((0, 4), dtype=np.int64)
    return tables[_fits(figures, tables)]


def _product(first: Sequence[Counts], second: Sequence[Counts]) -> NDArray[np.int64]:
    one, other = (np.array([(c.events, c.n) for c in arm], dtype=np.int64) for arm in (first, second))
    return np.hstack((np.repeat(one, len(other), axis=0), np.tile(other, (len(one), 1))))


def _fits(figures: Sequence[Figure], tables: NDArray[np.int64]) -> NDArray[np.bool_]:
    p1, p0 = tables[:, 0] / tables[:, 1], tables[:, 2] / tables[:, 3]
    fits = np.ones(len(tables), dtype=bool)
    for figure in figures:
        if figure.kind in COUNTED:
            continue
        low, high = allowed(figure, p0)
        strict = SLACK if figure.open_end else -SLACK  # an NNT rounded up never reaches the number below it
        top, bottom = (-SLACK, strict) if figure.value > 0 else (strict, -SLACK)
        fits &= (p1 >= low + bottom) & (p1 <= high - top)
        if figure.kind in RATIOS:
            fits &= p0 > 0
    return fits


def _of_tables(tables: NDArray[np.int64], figures: Sequence[Figure]) -> Joint:
    p1, p0 = tables[:, 0] / tables[:, 1], tables[:, 2] / tables[:, 3]
    printed = [find(figures, f"{arm} counts", f"{arm} risk") for arm in ("treated", "untreated")]
    assert printed[0] is not None
    assert printed[1] is not None
    face = int(np.argmin(np.abs(p1 - printed[0].value) + np.abs(p0 - printed[1].value)))
    ratio = p1 / np.where(p0 > 0, p0, np.nan)
    one, other, gap = (Span(float(x[face]), float(x.min()), float(x.max())) for x in (p1, p0, p0 - p1))
    rr = None if np.isnan(ratio).any() else Span(float(ratio[face]), float(ratio.min()), float(ratio.max()))
    listed = tuple((Counts(int(a), int(n)), Counts(int(b), int(m))) for a, n, b, m in tables[: SHOWN_TABLES + 1])
    return Joint(one, other, gap, rr, listed, whole=True)


def _cells(figures: Sequence[Figure], sizes: Sizes) -> Iterator[list[Figure]]:
    """Give the figures once for each whole count that one arm may have; as they are where neither is whole."""
    for arm, n in (("treated", sizes.treated), ("untreated", sizes.untreated)):
        values = _values(figures, arm, n)
        if values is not None and len(values) <= MOST_VALUES:
            rest = [f for f in figures if f.kind not in (f"{arm} risk", f"{arm} counts")]
            base = find(figures, f"{arm} risk", f"{arm} counts")
            assert base is not None
            for c in values:
                point = replace(base, kind=f"{arm} counts", value=c.risk, low=c.risk, high=c.risk, counts=c)
                yield [*rest, point]
            return
    yield list(figures)


def _meet(figures: Sequence[Figure], p0: FloatArray) -> tuple[FloatArray, FloatArray]:
    low, high = np.zeros_like(p0), np.ones_like(p0)
    for figure in figures:
        least, most = allowed(figure, p0)
        low, high = np.maximum(low, least), np.minimum(high, most)
    return low, high


def _untreated_range(figures: Sequence[Figure]) -> tuple[float, float]:
    own = [f for f in figures if f.kind in ("untreated risk", "untreated counts")]
    return max([0.0, *(f.low for f in own)]), min([1.0, *(f.high for f in own)])


def _widest(figures: Sequence[Figure]) -> tuple[float, float]:
    """Find the untreated risk at which most room is left between the bounds of the treated one, and that room."""
    start, end = _untreated_range(figures)
    if start > end:
        return start, start - end if start - end < 0 else end - start
    return _climb(lambda p0: np.subtract(*_meet(figures, p0)[::-1]), start, end)


def _climb(function: Callable[[FloatArray], FloatArray], start: float, end: float) -> tuple[float, float]:
    """Maximise by closing in on the best of a grid; ``-inf`` marks what is not allowed."""
    best, value = start, -math.inf
    low, high = start, end
    while True:
        grid = np.linspace(low, high, GRID)
        values = function(grid)
        index = int(np.argmax(values))
        if values[index] >= value:
            best, value = float(grid[index]), float(values[index])
        step = (high - low) / (GRID - 1)
        if step < NEAR / 100:
            return best, value
        low, high = max(best - 2 * step, start), min(best + 2 * step, end)


def _extremes(figures: Sequence[Figure]) -> list[tuple[float, float]] | None:
    """Least and greatest p1, p0, ARR and RR over the set; None where it is empty."""
    start, end = _untreated_range(figures)
    middle, room = _widest(figures)
    if room < -NEAR:
        return None

    def over(value: Callable[[FloatArray, FloatArray, FloatArray], FloatArray]) -> float:
        def inside(p0: FloatArray) -> FloatArray:
            low, high = _meet(figures, p0)
            return np.where(high - low >= -NEAR, value(p0, low, np.maximum(low, high)), -np.inf)

        # A sliver between points of the whole grid is met from its own middle.
        return max(_climb(inside, a, b)[1] for a, b in ((start, end), (start, middle), (middle, end)) if b >= a)

    return [
        (-over(lambda p0, low, high: -low), over(lambda p0, low, high: high)),
        (-over(lambda p0, low, high: -p0), over(lambda p0, low, high: p0)),
        (-over(lambda p0, low, high: high - p0), over(lambda p0, low, high: p0 - low)),
        (-over(lambda p0, low, high: -low / np.maximum(p0, 1e-300)), over(lambda p0, low, high: high / np.maximum(p0, 1e-300))),
    ]


def _face(figures: Sequence[Figure], low: FloatArray, high: FloatArray) -> tuple[float, float, float, float]:
    """Risks at the figures as printed: those printed lead, then a difference, then a ratio."""
    one, other = find(figures, "treated counts", "treated risk"), find(figures, "untreated counts", "untreated risk")
    gap, ratio = find(figures, "arr", "nnt"), find(figures, "rr", "or", "hr")
    arr = None if gap is None else gap.value if gap.kind == "arr" else 1 / gap.value
    if one is not None and other is not None:
        p1, p0 = one.value, other.value
    elif other is not None:
        p0 = other.value
        p1 = p0 - arr if arr is not None else _treated(ratio, p0) if ratio is not None else p0
    else:
        grid = np.linspace(low[1], high[1], 20_001)
        if one is not None:
            p1 = one.value
            p0 = p1 + arr if arr is not None else _crossing(grid, _treated_at(ratio, grid), p1)
        elif ratio is not None and arr is not None:
            p0 = _crossing(grid, grid - _treated_at(ratio, grid), arr)
            p1 = p0 - arr
        else:
            p0 = float(low[1] + high[1]) / 2
            p1 = p0 - arr if arr is not None else _treated(ratio, p0) if ratio is not None else p0
    plain = arr is not None and (one is None or other is None)
    return p1, p0, arr if plain and arr is not None else p0 - p1, p1 / p0 if p0 > 0 else math.nan


def _treated_at(ratio: Figure | None, p0: FloatArray) -> FloatArray:
    return p0 if ratio is None else np.asarray(allowed(replace(ratio, low=ratio.value, high=ratio.value), p0)[0])


def _treated(ratio: Figure, p0: float) -> float:
    return float(_treated_at(ratio, np.array([p0]))[0])


def _crossing(grid: FloatArray, values: FloatArray, wanted: float) -> float:
    """Find the first point of a grid at which values meet what is wanted, between its neighbours."""
    beyond = np.flatnonzero((values[:-1] - wanted) * (values[1:] - wanted) <= 0)
    if not len(beyond):
        return float(grid[int(np.argmin(np.abs(values - wanted)))])
    i = int(beyond[0])
    rise = values[i + 1] - values[i]
    return float(grid[i] + (0 if rise == 0 else (wanted - values[i]) / rise) * (grid[i + 1] - grid[i]))
