"""The settings pages: the manager edits the office, people, routes, machines, materials.

A ``Section`` is one list with its form; adding one is adding an entry to ``SECTIONS``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.db import transaction
from django.db.models import Model, ProtectedError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST

from clinic import settings_forms as office_forms
from clinic.models import ClosedDay, Office, OpeningHours, Role, User, WorkingHours, record
from clinic.permissions import may, needs
from production import work
from production.actions.office.first_price import first_price
from production.models import (
    ApplianceKind,
    InstructionCard,
    Machine,
    MaintenanceTask,
    Material,
    Program,
    RemakeCause,
    Stage,
)
from production.views.office import settings_forms as own
from production.views.office.first_day import still_missing


@dataclass(frozen=True)
class Section:
    """One kind of record on the settings pages."""

    slug: str
    title: str
    one: str
    model: type[Model]
    form: type[forms.ModelForm]
    columns: dict[str, Callable[[Any], object]]
    words: str = ""
    related: tuple[str, ...] = field(default=())
    many: tuple[str, ...] = field(default=())
    removable: bool = True


SECTIONS = {
    s.slug: s
    for s in [
        Section(
            "people", "People", "person", User, office_forms.PersonForm,
            {
                "Name": str,
                "Sign-in name": lambda u: u.username,
                "Role": lambda u: u.get_role_display(),
                "May sign in": lambda u: "yes" if u.is_active else "no",
            },
            "Everybody has an account of their own: the record names the hands.",
            removable=False,
        ),
        Section(
            "hours", "Opening hours", "open window", OpeningHours, office_forms.HoursForm,
            {
                "Day": lambda h: h.get_weekday_display(),
                "Opens": lambda h: f"{h.opens:%H:%M}",
                "Closes": lambda h: f"{h.closes:%H:%M}",
            },
            "A day with a lunch break has two windows. Attended work is planned inside them.",
        ),
        Section(
            "closed-days", "Closed days", "closed day", ClosedDay, office_forms.ClosedDayForm,
            {"Date": lambda d: f"{d.date:%a %-d %b %Y}", "Reason": lambda d: d.reason or "–"},
        ),
        Section(
            "working-hours", "Hours of people", "person's hours", WorkingHours,
            office_forms.WorkingHoursForm,
            {
                "Name": lambda h: str(h.person),
                "Day": lambda h: h.get_weekday_display(),
                "From": lambda h: f"{h.opens:%H:%M}",
                "Until": lambda h: f"{h.closes:%H:%M}",
            },
            "For whoever is not there all the time that the office is open: part of the week, or "
            "a break of their own. Who has none here is counted on while it is open.",
            related=("person",),
        ),
        Section(
            "kinds", "Appliance kinds and routes", "appliance kind", ApplianceKind, own.KindForm,
            {
                "Name": str,
                "Route": lambda k: " → ".join(r.stage.name for r in k.route.all()),
                "Offered": lambda k: "yes" if k.active else "no",
            },
            many=("route__stage",),
            removable=False,
        ),
        Section(
            "stages", "Stages", "stage", Stage, own.StageForm,
            {
                "Name": str,
                "Runs on": lambda s: s.get_machine_kind_display() or "Hands only",
                "Together as": lambda s: s.load_name or "singly",
                "Attended": lambda s: "yes" if s.attended else "no",
                "Done by": lambda s: ", ".join(
                    str(u) for u in s.trained.all() if u.is_active and u.role == Role.TECHNICIAN
                ) or "everyone",
            },
            "What is done at the bench. A stage that takes training can be kept for some.",
            many=("trained",),
        ),
        Section(
            "machines", "Machines", "machine", Machine, own.MachineForm,
            {
                "Name": str,
                "Code": lambda m: m.code,
                "Kind": lambda m: m.get_kind_display(),
                "Holds": lambda m: m.capacity,
                "State": lambda m: m.get_state_display(),
            },
            removable=False,
        ),
        Section(
            "maintenance", "Maintenance", "task", MaintenanceTask, own.MaintenanceForm,
            {
                "Machine": lambda t: t.machine.name,
                "What is to be done": lambda t: t.name,
                "Due": lambda t: " or ".join(
                    f"every {n} {unit}s" if n > 1 else f"every {unit}"
                    for n, unit in ((t.every_days, "day"), (t.every_loads, "load"))
                    if n
                ),
                "In use": lambda t: "yes" if t.active else "no",
            },
            "What each machine's maker asks for. It is told on the machine's page and where "
            "a load is put on it, until somebody notes that it is done.",
            related=("machine",),
            removable=False,
        ),
        Section(
            "materials", "Materials", "material", Material, own.MaterialForm,
            {
                "Name": str,
                "Kind": lambda m: m.get_kind_display(),
                "Thickness": lambda m: f"{m.thickness_mm:g} mm" if m.thickness_mm else "–",
                "In use": lambda m: "yes" if m.active else "no",
            },
        ),
        Section(
            "programs", "Programs", "program", Program, own.ProgramForm,
            {
                "Name": str,
                "Stage": lambda p: p.stage.name,
                "Material": lambda p: p.material.name,
                "Minutes": lambda p: f"{p.minutes:g}",
            },
            "What to set on a machine for a material, as its maker prescribes.",
            related=("stage", "material"),
        ),
        Section(
            "causes", "Causes of failures and remakes", "cause", RemakeCause, own.CauseForm,
            {
                "Cause": lambda c: c.name,
                "Belongs to": lambda c: c.parent.name if c.parent else "–",
                "Remake starts at": lambda c: c.restart.name if c.restart else "–",
                "In use": lambda c: "yes" if c.active else "no",
            },
            related=("parent", "restart"),
        ),
    ]
}  # fmt: skip


@needs("edit_cards")
def settings(request: HttpRequest) -> HttpResponse:
    """Show what can be set."""
    return render(
        request,
        "settings/index.html",
        {
            "sections": SECTIONS.values(),
            "stages": Stage.objects.all(),
            "missing": still_missing(Office.get()) if may(request.user, "manage") else [],
        },
    )


@needs("manage")
def office(request: HttpRequest) -> HttpResponse:
    """Edit the office's own data and limits."""
    row = Office.get()
    form = office_forms.OfficeForm(request.POST or None, instance=row)
    if request.method == "POST" and form.is_valid():
        with transaction.atomic():
            form.save()
            _changed(request, row, form.changed_data)
            work.ask("plan", coalesce=True)
        messages.success(request, "Saved.")
        return redirect("settings")
    context = {"form": form, "title": "Office and limits"}
    return render(request, "settings/form.html", context, status=422 if form.is_bound else 200)


@needs("manage")
def section(request: HttpRequest, slug: str) -> HttpResponse:
    """List one kind of record."""
    chosen = _section(slug)
    rows = chosen.model._default_manager.all()
    rows = rows.select_related(*chosen.related) if chosen.related else rows
    rows = rows.prefetch_related(*chosen.many)
    table = [(row.pk, [(name, show(row)) for name, show in chosen.columns.items()]) for row in rows]
    return render(request, "settings/section.html", {"section": chosen, "table": table})


@needs("manage")
def edit(request: HttpRequest, slug: str, pk: int | None = None) -> HttpResponse:
    """Add or edit one record; a kind's route is edited with it."""
    chosen = _section(slug)
    row = get_object_or_404(chosen.model, pk=pk) if pk else None
    form = chosen.form(request.POST or None, instance=row, initial=request.GET.dict())
    route = None
    if isinstance(row, ApplianceKind):
        route = own.RouteFormSet(request.POST or None, instance=row)
    valid = request.method == "POST" and form.is_valid() and (route is None or route.is_valid())
    if valid and not _locks_out(form):
        with transaction.atomic():
            saved = form.save()
            changed = list(form.changed_data)
            if route is not None:
                route.save()
                changed += ["route"] if route.has_changed() else []
            _changed(request, saved, changed)
            had = form.initial.get("unit_cost")
            if isinstance(saved, Material) and "unit_cost" in changed and not had:
                first_price(saved)
            work.ask("plan", coalesce=True)
        if saved == request.user:  # a new password of one's own ends no session of one's own
            update_session_auth_hash(request, saved)
        messages.success(request, "Saved.")
        if chosen.slug == "kinds" and row is None:
            return redirect("settings-edit", slug=slug, pk=saved.pk)
        return redirect("settings-section", slug=slug)
    return render(
        request,
        "settings/form.html",
        {
            "form": form,
            "route": route,
            "section": chosen,
            "row": row,
            "title": str(row) if row else f"New {chosen.one}",
        },
        status=422 if request.method == "POST" else 200,
    )


def _locks_out(form: forms.ModelForm) -> bool:
    """Refuse, with words in the form, to leave nobody who can open these pages."""
    if not isinstance(form.instance, User) or form.instance.pk is None:
        return False
    managers = User.objects.filter(role=Role.MANAGER, is_active=True)
    stays = form.cleaned_data["role"] == Role.MANAGER and form.cleaned_data["is_active"]
    if stays or managers.exclude(pk=form.instance.pk).exists():
        return False
    form.add_error("role", "Nobody else is a manager who may sign in: make a colleague one first.")
    return True


@needs("manage")
@require_POST
def remove(request: HttpRequest, slug: str, pk: int) -> HttpResponse:
    """Remove a record that nothing on record refers to."""
    chosen = _section(slug)
    if not chosen.removable:
        raise Http404
    row = get_object_or_404(chosen.model, pk=pk)
    name = str(row)
    try:
        with transaction.atomic():
            _changed(request, row, ["removed"])
            row.delete()
            work.ask("plan", coalesce=True)
        messages.success(request, f"Removed {name}.")
    except ProtectedError:
        messages.error(request, f"{name} is used on record and stays. Take it out of use instead.")
        return redirect("settings-edit", slug=slug, pk=pk)
    return redirect("settings-section", slug=slug)


@needs("edit_cards")
def card(request: HttpRequest, code: str) -> HttpResponse:
    """Edit a stage's instruction card. Saving makes a new version; the old wording stays."""
    stage = get_object_or_404(Stage, code=code)
    latest = stage.cards.order_by("-version").first()
    lines = latest.items if latest else []
    lineset = own.CardFormSet(request.POST or None, initial=lines, prefix="lines")
    caution = request.POST.get("caution", latest.caution if latest else "")
    if request.method == "POST" and lineset.is_valid():
        items = _lines(code, lineset)
        version = latest.version + 1 if latest else 1
        if latest is None or items != latest.items or caution != latest.caution:
            assert isinstance(request.user, User)
            with transaction.atomic():
                made = InstructionCard.objects.create(
                    stage=stage,
                    version=version,
                    items=items,
                    caution=caution.strip(),
                    created_by=request.user,
                )
                record(request.user, "instruction card edited", made, version=version)
        messages.success(request, f"{stage}: the card is in use from now on.")
        return redirect("settings")
    return render(
        request,
        "settings/card.html",
        {
            "stage": stage,
            "lines": lineset,
            "caution": caution,
            "versions": stage.cards.select_related("created_by").order_by("-version"),
        },
    )


def _lines(code: str, lineset: Any) -> list[dict[str, Any]]:
    """Return the card's lines; a line whose words did not change keeps its id."""
    known = {i["text"]: i["id"] for i in lineset.initial or []}
    taken = set(known.values())
    items = []
    for form in lineset:
        data = form.cleaned_data
        text = " ".join(str(data.get("text") or "").split())
        if not text or data.get("DELETE"):
            continue
        line_id = known.get(text)
        if line_id is None:
            number = next(n for n in range(1, 1000) if f"{code}-{n}" not in taken)
            line_id = f"{code}-{number}"
            taken.add(line_id)
        items.append({"id": line_id, "text": text, "required": bool(data.get("required"))})
    return items


def _section(slug: str) -> Section:
    if slug not in SECTIONS:
        raise Http404
    return SECTIONS[slug]


def _changed(request: HttpRequest, row: Model, fields: list[str]) -> None:
    assert isinstance(request.user, User)
    record(request.user, "settings changed", row, fields=fields)
