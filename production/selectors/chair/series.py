"""A patient's aligner series as a picture: which step is where, which is due when."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from clinic.models import Office, Patient, Visit
from production.models import Appliance, Series, SeriesStep
from production.models.bench import OPEN_STATUSES
from production.scheduling.ahead import AWAITED, wanted_of
from production.selectors.desk.promises import GONE

ARCHES = ("upper", "lower")


@dataclass(frozen=True)
class Cell:
    """One step of one arch.

    Attributes
    ----------
    state : str
        ``over``: handed over, ``ready``, ``bench``: being made, ``held``, ``due``: to be
        made for a visit of the coming weeks, ``later``, ``past``: worn, and not on record as
        made here, ``gone``: replaced by a new scan.
    words : str
        The same in words, as it is read out.
    code : str
        The piece that stands for it; "" where there is none.
    """

    number: int
    state: str
    words: str
    code: str
    worn: bool


@dataclass(frozen=True)
class SeriesPicture:
    """A series with its cells, by arch, and what is worn."""

    series: Series
    rests: bool
    worn: int
    since: dt.date
    changes_on: dt.date | None
    visit: Visit | None
    cells: dict[str, list[Cell]]

    @property
    def running(self) -> bool:
        """Whether its steps are worn now."""
        return self.series.status != Series.Status.FINISHED and not self.rests

    @property
    def over(self) -> bool:
        """Whether it has ended or was replaced."""
        return self.series.status == Series.Status.FINISHED


def series_of(patient: Patient, office: Office) -> list[SeriesPicture]:
    """Return the patient's series, the newest first; the number of queries is fixed."""
    rows = list(Series.objects.filter(patient=patient).order_by("-pk"))
    pieces: dict[int, list[Appliance]] = {}
    for piece in (
        Appliance.objects.filter(step__series__in=rows)
        .exclude(status__in=GONE)
        .exclude(order__cancelled_at__isnull=False)
        .select_related("stage")
        .order_by("pk")
    ):
        assert piece.step_id is not None
        pieces.setdefault(piece.step_id, []).append(piece)
    steps: dict[int, list[SeriesStep]] = {}
    for step in SeriesStep.objects.filter(series__in=rows).order_by("number"):
        steps.setdefault(step.series_id, []).append(step)
    visit = (
        patient.visits.filter(kind=Visit.Kind.ALIGNER, status__in=AWAITED)
        .filter(starts_at__date__gte=office.today())
        .order_by("starts_at")
        .first()
    )
    due = wanted_of(rows)
    return [_picture(row, steps.get(row.pk, []), pieces, due, visit, office) for row in rows]


def _picture(
    series: Series,
    steps: list[SeriesStep],
    pieces: dict[int, list[Appliance]],
    due: dict[tuple[int, str, int], dt.datetime],
    visit: Visit | None,
    office: Office,
) -> SeriesPicture:
    today = office.today()
    worn, since = series.worn(today)
    rests = series.rests(today)
    over = series.status == Series.Status.FINISHED
    cells: dict[str, list[Cell]] = {}
    for step in steps:
        by = due.get((series.pk, step.arch, step.number))
        by = by.astimezone(office.zone) if by is not None else None
        state, words, code = _state(step, pieces.get(step.pk, []), by, over)
        if state == "later" and step.number <= worn:
            state, words = "past", "not made here"
        now = step.number == worn and not over
        if now:
            words += ", worn now"
        cell = Cell(step.number, state, f"{step.arch} step {step.number}: {words}", code, now)
        cells.setdefault(step.arch, []).append(cell)
    changes = None
    if not rests and not over and worn < series.last_number:
        changes = since + dt.timedelta(days=series.wear_days)
    return SeriesPicture(
        series,
        rests,
        worn,
        since,
        changes,
        visit,
        {arch: cells[arch] for arch in ARCHES if arch in cells},
    )


def _state(
    step: SeriesStep, pieces: list[Appliance], due: dt.datetime | None, over: bool
) -> tuple[str, str, str]:
    """Return the state, the words and the code of the piece; one being made counts first."""
    made = [p for p in pieces if p.status in OPEN_STATUSES] or pieces
    if made:
        piece = made[-1]
        if piece.status == Appliance.Status.DELIVERED:
            return "over", "handed over", piece.code
        if piece.status == Appliance.Status.READY:
            return "ready", "ready for pickup", piece.code
        if piece.status == Appliance.Status.HELD:
            return "held", "on hold", piece.code
        stage = f" at {piece.stage.name.lower()}" if piece.stage else ""
        return "bench", f"on the bench{stage}", piece.code
    if step.cancelled or over:
        return "gone", "not made any more", ""
    if due is not None:
        return "due", f"to be made for {due:%a} {due.day} {due:%b}", ""
    return "later", "not due yet", ""
