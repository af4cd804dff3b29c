"""Charts of quality over time and between places, with what they promise."""

from examtally.analytics.control_charts.baseline import BASELINE
from examtally.analytics.control_charts.chart import YEAR, Chart, Promise, share_chart, value_chart
from examtally.analytics.control_charts.funnel import Funnel, binomial_funnel, funnel

__all__ = ["BASELINE", "YEAR", "Chart", "Funnel", "Promise", "binomial_funnel", "funnel", "share_chart", "value_chart"]
