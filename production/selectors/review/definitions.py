"""What each figure of the review means, in the words shown beside it."""

from __future__ import annotations

from production.scheduling.learning import ENOUGH

DEFINITIONS = {
    "on_time": "Promises due in the range whose appliances were all ready by the agreed time, "
    "out of those due in it that are settled or overdue. A moved promise counts with its last "
    "time. The interval is Wilson's, 95 %.",
    "lead_time": "From the usable scan to the hand-over, of appliances handed over in the range "
    "that were not made ahead: the median, and the value nine of ten stay below, counted in "
    "steps of five minutes.",
    "throughput": "Appliances that became ready in the range.",
    "first_pass": "Of the appliances whose first result at the stage fell in the range, the share "
    "that finished it without a failure. Work that was taken back does not count. The interval "
    "is Wilson's, 95 %.",
    "rolled": "The product of the first-pass yields of all stages: the chance that an appliance "
    "goes through all of them without a failure (rolled throughput yield).",
    "remakes": "Failures at a stage and remakes after hand-over, by the cause that was recorded; "
    "replacements of lost ones do not count.",
    "in_progress": "Average number of appliances between scan and ready. Little's law says that it "
    "equals the arrivals per day times the days each stays; a large gap means that marks are "
    "missing or that the range is not a steady state.",
    "stuck": "Open appliances past the scan that are on hold, or without any mark for longer than "
    "a day.",
    "failures": "Of the appliances that became ready in the period, those that had failed at a "
    "stage before or were themselves a remake. p-chart: the centre is the share over the whole "
    "range, the limits lie three standard deviations of a proportion away and follow the number "
    "made. With fewer than about five expected in a period, read the two charts of rare events "
    "instead.",
    "between": "How many appliances became ready from one remake to the next. g-chart: mean and "
    "mean ± 3 √(mean (mean + 1)); high is good, a run below the centre is not.",
    "days_between": "Days from one remake to the next. Times between rare events are far from "
    "normal, so the limits are those of an individuals chart of the times to the power 1/3.6, "
    "turned back into days.",
    "lead_chart": "Median hours from scan to hand-over. Individuals chart: limits at 2.66 times "
    "the mean moving range from the mean. Below it the moving range, how far each median lies "
    "from the one before; its upper limit is 3.267 times the mean.",
    "tries": "Tries are results (finished or failed) in the range. A failure counts for the stage "
    "and machine where it was recorded, for the person who started that work, and for every lot "
    "that had gone into the piece by then; for a lot, tries are its uses. A remake counts for the "
    "machines, lots and people of the piece it replaces. Few tries give wide intervals: look at "
    "them before you look at a person.",
    "capacity": "Minutes in which a machine ran, of the minutes in which the office was open and "
    "the machine was not out of service. A run after closing is not counted. Filled: appliances "
    "in its loads, of what the loads could have held. Hands: minutes of attended work, of the "
    "open minutes of all technicians, without those in which they were away.",
    "times": "Median of the marks of the last 90 days, whatever range is shown above; nine of ten "
    "lie between the two ends. A mark far from the others counts as forgotten. From "
    f"{ENOUGH} marks on, plans and quotes use these times in place of the routes', for the kinds "
    "whose routes say the same together. A machine, a person or a sheet is told apart where it "
    "differs by a tenth or more, as far as its marks speak for it.",
    "cost": "Materials: what was taken from lots in the range, failed pieces included, at the "
    "material's price; one that is entered for the first time counts for what was taken before as "
    "well. Hands: minutes from start to finish at attended stages; where a start "
    "was not marked, the stage's average stands in. Both are divided by the appliances that "
    "became ready.",
    "reliability": "Promises by the probability stated when they were agreed, against the share "
    "kept. On the dashed line, what was promised with 95 % was kept 95 times of 100.",
    "change": "“Better” and “worse” are said only when the 95 % interval of the difference to the "
    "range before (Newcombe 1998, from the Wilson intervals) leaves out zero.",
}

#: What each is called where they stand together, in the order above.
NAMES = {
    "on_time": "Promises on time",
    "lead_time": "Scan to hand-over",
    "throughput": "Became ready",
    "first_pass": "First-pass yield",
    "rolled": "Right the first time, all stages",
    "remakes": "Failures and remakes by cause",
    "in_progress": "In progress",
    "stuck": "Stuck",
    "failures": "Failed or remade",
    "between": "Appliances between remakes",
    "days_between": "Days between remakes",
    "lead_chart": "Scan to hand-over over time",
    "tries": "Tries, failed, remade",
    "capacity": "Capacity used",
    "times": "How long a stage takes",
    "cost": "What an appliance takes",
    "reliability": "What was said, what happened",
    "change": "Better, worse",
}
