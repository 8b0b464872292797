"""Records of production: catalogue, stock, scans, orders, the bench, plans, background work."""

from production.models.bench import (
    Appliance,
    Handover,
    Load,
    LoadItem,
    LotUse,
    Photo,
    StageEvent,
)
from production.models.catalog import (
    ApplianceKind,
    InstructionCard,
    RemakeCause,
    RouteStage,
    Stage,
)
from production.models.files import StoredFile, Work
from production.models.machines import (
    AccuracyCheck,
    Downtime,
    Machine,
    MaintenanceRecord,
    MaintenanceTask,
)
from production.models.materials import Lot, Material, Program
from production.models.models3d import Plate, PreparedModel
from production.models.orders import (
    FormerPrescription,
    Order,
    Promise,
    Series,
    SeriesIntake,
    SeriesStep,
)
from production.models.plans import FitAnswer, LearnedTimes, Plan, Wish
from production.models.scans import Acceptance, Scan
from production.models.summary import DaySummary

__all__ = [
    "Acceptance",
    "AccuracyCheck",
    "Appliance",
    "ApplianceKind",
    "DaySummary",
    "Downtime",
    "FitAnswer",
    "FormerPrescription",
    "Handover",
    "InstructionCard",
    "LearnedTimes",
    "Load",
    "LoadItem",
    "Lot",
    "LotUse",
    "Machine",
    "MaintenanceRecord",
    "MaintenanceTask",
    "Material",
    "Order",
    "Photo",
    "Plan",
    "Plate",
    "PreparedModel",
    "Program",
    "Promise",
    "RemakeCause",
    "RouteStage",
    "Scan",
    "Series",
    "SeriesIntake",
    "SeriesStep",
    "Stage",
    "StageEvent",
    "StoredFile",
    "Wish",
    "Work",
]
