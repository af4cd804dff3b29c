"""Charts of quality over time and between places, with what they promise."""

from examtally.analytics.control_charts.chances import Promise
from examtally.analytics.control_charts.chart import BASELINE, Chart, bears_limits, chart, run_chart
from examtally.analytics.control_charts.cumulative import cumulative
from examtally.analytics.control_charts.funnel import Funnel, binomial_funnel, funnel
from examtally.analytics.control_charts.shares import RUN, in_run, laney_sigma, outside, share_limits

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
