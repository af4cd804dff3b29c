"""Accuracy with imaging and the errors of the reference allowed for together; `model` says how to build on it."""

from examtally.analytics.bias_adjusted.draws import StatusDraws
from examtally.analytics.bias_adjusted.figures import Cells, Summary, measures, post_test, summary
from examtally.analytics.bias_adjusted.knees import StatusRecords
from examtally.analytics.bias_adjusted.leading import Leading, leading_estimates
from examtally.analytics.bias_adjusted.model import BiasModels, ConditionModel, bias_models, chances

__all__ = [
    "BiasModels",
    "Cells",
    "ConditionModel",
    "Leading",
    "StatusDraws",
    "StatusRecords",
    "Summary",
    "bias_models",
    "chances",
    "leading_estimates",
    "measures",
    "post_test",
    "summary",
]
