"""Charts as SVG by matplotlib, one style for page and paper, readable without colour."""

from __future__ import annotations

import io
import math
import threading
from collections.abc import Callable, Sequence
from typing import Any

import matplotlib
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from production.selectors.review.figures import Band
from production.statistics import Chart

matplotlib.use("svg")
INK, ACCENT, QUIET, ALERT = "#23211d", "#1d5c63", "#8a8172", "#9c2a1f"
#: The drawing library styles within the picture; nothing in it runs.
POLICY = "default-src 'none'; style-src 'unsafe-inline'"
STYLE: dict[Any, Any] = {
    "font.size": 10,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "svg.fonttype": "path",
    "svg.hashsalt": "tracker",
    "font.family": ["sans-serif"],
    "font.sans-serif": ["Liberation Sans", "DejaVu Sans"],
}
# For good and not for one drawing: the library's settings belong to the whole process, and
# the charts of a page are drawn on several threads.
matplotlib.rcParams.update(STYLE)
_DRAWING = threading.Lock()


def _draw(paint: Callable[[Axes], None], size: tuple[float, float] = (5.6, 2.5)) -> bytes:
    """Return the SVG of what ``paint`` puts on the axes; same input, same bytes."""
    with _DRAWING:
        figure = Figure(figsize=size, layout="constrained")
        paint(figure.add_subplot())
        out = io.BytesIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return out.getvalue()


def control_chart(chart: Chart, labels: Sequence[str], unit: str, *, share: bool = False) -> bytes:
    """Draw a control chart; signals are marked by a square and the word."""

    def paint(axes: Axes) -> None:
        x = list(range(len(chart.values)))
        axes.plot(x, chart.values, "-o", color=ACCENT, markersize=4, linewidth=1.2)
        axes.step(x, chart.centre, where="mid", color=INK, linewidth=1)
        for limit in (chart.lower, chart.upper):
            axes.step(x, limit, where="mid", color=QUIET, linewidth=1, linestyle="--")
        for signal in chart.signals:
            axes.plot(
                signal.index, chart.values[signal.index], "s", color=ALERT, markersize=10,
                fillstyle="none", markeredgewidth=1.8,
            )  # fmt: skip
        step = max(1, math.ceil(len(labels) / 6))
        axes.set_xticks(x[::step], list(labels)[::step])
        axes.set_ylabel(unit)
        if share:
            axes.set_ylim(bottom=0, top=max(0.1, axes.get_ylim()[1]))
            axes.yaxis.set_major_formatter(matplotlib.ticker.PercentFormatter(1.0, 0, " %"))
        axes.margins(x=0.02)

    return _draw(paint)


def pareto_chart(rows: Sequence[tuple[str, int, float]]) -> bytes:
    """Draw causes by count, with the cumulative share as a line."""

    def paint(axes: Axes) -> None:
        names = [r[0] for r in rows]
        axes.barh(names, [r[1] for r in rows], color=ACCENT, edgecolor=INK, height=0.62)
        for y, (_, count, total) in enumerate(rows):
            axes.text(
                count,
                y,
                f" {count}  ({100 * total:.0f} % with those above)",
                va="center",
                fontsize=9,
            )
        axes.invert_yaxis()
        axes.set_xlim(0, max((r[1] for r in rows), default=1) * 2.1)
        axes.xaxis.set_major_locator(matplotlib.ticker.MaxNLocator(integer=True))
        axes.set_xlabel("failures and remakes")

    return _draw(paint, (5.6, max(1.4, 0.36 * len(rows) + 0.8)))


def reliability_chart(bands: Sequence[Band]) -> bytes:
    """Draw what was said against what happened, with intervals."""

    def paint(axes: Axes) -> None:
        axes.plot([0, 1], [0, 1], color=QUIET, linestyle="--", linewidth=1)
        for band in bands:
            value = band.rate.value or 0.0
            axes.plot([band.stated] * 2, [band.rate.low, band.rate.high], color=INK, linewidth=1.4)
            axes.plot(band.stated, value, "o", color=ACCENT, markersize=7)
            axes.text(
                band.stated,
                band.rate.low - 0.01,
                f"{band.rate.n}",
                ha="center",
                va="top",
                fontsize=9,
            )
        low = min([b.rate.low for b in bands] + [b.stated for b in bands] + [0.9]) - 0.08
        axes.set_xlim(max(0.0, low), 1.01)
        axes.set_ylim(max(0.0, low), 1.02)
        axes.set_xlabel("probability stated at agreement")
        axes.set_ylabel("share kept")
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_formatter(matplotlib.ticker.PercentFormatter(1.0, 0, " %"))

    return _draw(paint, (4.6, 3.4))
