"""Pure statistics for a small office: rates with intervals, control charts, yields, flow."""

from production.statistics.charts import (
    Chart,
    capability,
    g_chart,
    individuals_chart,
    p_chart,
    t_chart,
    xbar_r_chart,
)
from production.statistics.flow import (
    equipment_effectiveness,
    little_gap,
    pareto,
    percentile,
    rolled_yield,
)
from production.statistics.rates import clopper_pearson, difference, rule_of_three, wilson

__all__ = [
    "Chart",
    "capability",
    "clopper_pearson",
    "difference",
    "equipment_effectiveness",
    "g_chart",
    "individuals_chart",
    "little_gap",
    "p_chart",
    "pareto",
    "percentile",
    "rolled_yield",
    "rule_of_three",
    "t_chart",
    "wilson",
    "xbar_r_chart",
]
