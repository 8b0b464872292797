"""The kinds of background work, one module each.

To add one: write a module with a ``Job`` subclass and put it in ``JOBS``.
"""

from production.jobs.accuracy import MeasurePrint
from production.jobs.base import Job
from production.jobs.fit import TryWhatFits
from production.jobs.inspect import InspectScan
from production.jobs.learn import LearnTimes
from production.jobs.mouth import CompareMouths
from production.jobs.nest import NestPlate
from production.jobs.plan import MakePlan
from production.jobs.prepare import PrepareModel
from production.jobs.send import SendModel, SendPlate
from production.jobs.series import CheckSeries
from production.jobs.summarise import Summarise

JOBS: dict[str, Job] = {
    "accuracy": MeasurePrint(),
    "fit": TryWhatFits(),
    "inspect": InspectScan(),
    "mouth": CompareMouths(),
    "prepare": PrepareModel(),
    "learn": LearnTimes(),
    "nest": NestPlate(),
    "plan": MakePlan(),
    "send": SendModel(),
    "send-plate": SendPlate(),
    "series": CheckSeries(),
    "summarise": Summarise(),
}
