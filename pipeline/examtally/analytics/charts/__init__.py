"""Charts of quality over time and between places, with what they promise."""

from examtally.analytics.charts.chances import Promise
from examtally.analytics.charts.chart import BASELINE, Chart, bears_limits, chart, run_chart
from examtally.analytics.charts.cumulative import cumulative
from examtally.analytics.charts.funnel import Funnel, binomial_funnel, funnel
from examtally.analytics.charts.rules import RUN, in_run, outside
from examtally.analytics.charts.shares import laney_sigma, share_limits

__all__ = [
    "BASELINE",
    "RUN",
    "Chart",
    "Funnel",
    "Promise",
    "bears_limits",
    "binomial_funnel",
    "chart",
    "cumulative",
    "funnel",
    "in_run",
    "laney_sigma",
    "outside",
    "run_chart",
    "share_limits",
]
