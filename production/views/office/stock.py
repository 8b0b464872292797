"""Materials, lots, and the recall: from a lot to every patient who got it."""

from __future__ import annotations

from collections.abc import Callable

from django import forms
from django.contrib import messages
from django.core.exceptions import NON_FIELD_ERRORS
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST

from clinic.middleware import office_of
from clinic.models import Office, User, record
from clinic.permissions import needs
from production.actions.errors import ActionError
from production.actions.office.keep_lot import (
    close_lot,
    receive_lot,
    reinstate_lot,
    reopen_lot,
    withdraw_lot,
)
from production.bench.gs1 import Gs1Error, looks_like_gs1, parse
from production.csv_cells import Cells
from production.documents import recall as recall_paper
from production.models import Lot, Material
from production.selectors.office import stock as select
from production.selectors.office.lot_fates import FATES, IN_IT, fates
from production.views.typed import hold, take

LISTED = 200


class LotForm(forms.Form):
    """A lot as delivered."""

    code = forms.CharField(
        required=False,
        label="Code on the package",
        help_text="Scan it: a GS1 code fills in lot, expiry and material. Or fill in by hand.",
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    material = forms.ModelChoiceField(Material.objects.filter(active=True), required=False)
    number = forms.CharField(max_length=40, required=False, label="Lot number")
    expires_on = forms.DateField(
        required=False, widget=forms.DateInput(attrs={"type": "date"}), label="Use by"
    )
    quantity = forms.FloatField(
        min_value=0, required=False, help_text="In the material's unit, as on the package."
    )

    def clean(self) -> dict[str, object]:
        """Take what the code says where the fields are empty."""
        data = super().clean() or {}
        code = str(data.get("code") or "")
        if code and looks_like_gs1(code):
            try:
                found = parse(code)
            except Gs1Error as error:
                raise forms.ValidationError(f"The code could not be read: {error}") from error
            data["number"] = data.get("number") or found.lot or ""
            today = Office.get().today()
            data["expires_on"] = data.get("expires_on") or found.date("17", today)
            if data.get("material") is None and found.gtin:
                data["material"] = Material.objects.filter(gtin=found.gtin, active=True).first()
        if data.get("material") is None:
            self.add_error("material", "Choose the material; the code does not name one we know.")
        if not data.get("number"):
            self.add_error("number", "Give the lot number printed on the package.")
        if data.get("quantity") is None and "quantity" not in self.errors:
            self.add_error("quantity", "Give how much it holds.")
        return data

    def filled_in(self) -> LotForm:
        """Return the form again with what was read from the code in its fields.

        A scanner ends a code with Enter, which sends a form that is only begun: what the code
        says is then put before the person, to compare with the package.
        """
        shown = dict(self.data.items())
        for name in ("material", "number", "expires_on"):
            found = self.cleaned_data.get(name)
            if found and not shown.get(name):
                shown[name] = str(getattr(found, "pk", found))
        again = LotForm(shown)
        again.is_valid()
        for name, faults in self.errors.as_data().items():
            if name not in again.errors:
                again.add_error(None if name == NON_FIELD_ERRORS else name, faults)
        return again


@needs("stock")
def stock(request: HttpRequest) -> HttpResponse:
    """Show what is on hand, what the open work needs, and what to order."""
    materials = select.stock()
    context = {
        "materials": materials,
        "reorder": [m for m in materials if m.reorder],
        "dated": select.dated(materials),
    }
    return render(request, "stock/stock.html", context)


@needs("stock")
def lot_new(request: HttpRequest) -> HttpResponse:
    """Take in a lot."""
    if request.method == "POST":
        lot = _received(request, LotForm(request.POST))
        if lot is None:
            hold(request)
            return redirect(request.path)
        return redirect("lot", pk=lot.pk)
    form = LotForm(take(request) or None)
    if form.is_bound:
        form.is_valid()
        form = form.filled_in()
    return render(request, "stock/lot_new.html", {"form": form})


def _received(request: HttpRequest, form: LotForm) -> Lot | None:
    """Put the lot on record; None when something is missing or wrong in the form."""
    if not form.is_valid():
        return None
    data = form.cleaned_data
    assert isinstance(request.user, User)
    try:
        lot = receive_lot(
            request.user,
            data["material"],
            data["number"],
            quantity=data["quantity"],
            expires_on=data["expires_on"],
            received_on=office_of(request).today(),
        )
    except ActionError as error:
        messages.error(request, error.words)
        return None
    messages.success(request, f"On record: {lot}. Its label is {lot.code}.")
    return lot


@needs("stock")
def lot(request: HttpRequest, pk: int) -> HttpResponse:
    """Show a lot and who got it, the latest first."""
    found = get_object_or_404(Lot.objects.select_related("material"), pk=pk)
    asked = request.GET.get("before", "")
    before = int(asked) if asked.isdigit() else None
    appliances = select.page_of(found, before, LISTED + 1)
    gone = fates(found, {a.pk for a in appliances})
    for appliance in appliances:
        appliance.fate = FATES[gone.get(appliance.pk, IN_IT)]  # type: ignore[attr-defined]
        appliance.has_it = appliance.pk not in gone  # type: ignore[attr-defined]
    count = select.count_of(found)
    return render(
        request,
        "stock/lot.html",
        {
            "lot": found,
            "state": select.state_of(found),
            "appliances": appliances[:LISTED],
            "next": appliances[LISTED - 1].pk if len(appliances) > LISTED else None,
            "later": before is not None,
            "count": count,
            "parts": recall_paper.parts(count),
            "decisions": select.decisions_on(found),
        },
    )


@needs("recall")
def lot_csv(request: HttpRequest, pk: int) -> HttpResponse:
    """Return every appliance and patient of a lot as CSV, patients by name."""
    found = get_object_or_404(Lot.objects.select_related("material"), pk=pk)
    assert isinstance(request.user, User)
    record(request.user, "lot list exported", found)
    response = HttpResponse(_rows(found), content_type="text/csv; charset=utf-8")
    response.headers["Content-Disposition"] = f'attachment; filename="lot-{found.pk}.csv"'
    return response


@needs("recall")
def lot_pdf(request: HttpRequest, pk: int) -> HttpResponse:
    """Return the recall list as a PDF with room to note the calls; a long one in parts."""
    found = get_object_or_404(Lot.objects.select_related("material"), pk=pk)
    assert isinstance(request.user, User)
    asked = request.GET.get("part", "1")
    part = int(asked) if asked.isdigit() else 1
    made = recall_paper.build(found, select.recipients(found), office_of(request), part)
    if made is None:
        raise Http404
    record(request.user, "lot list printed", found, part=part)
    response = HttpResponse(made.pdf, content_type="application/pdf")
    response.headers["Content-Disposition"] = f'inline; filename="{made.name}"'
    return response


@needs("stock")
@require_POST
def lot_close(request: HttpRequest, pk: int) -> HttpResponse:
    """Mark a lot as used up."""
    assert isinstance(request.user, User)
    close_lot(request.user, get_object_or_404(Lot, pk=pk))
    messages.success(request, "Marked as used up. If that was a slip, it can be taken back here.")
    return redirect("lot", pk=pk)


@needs("stock")
@require_POST
def lot_reopen(request: HttpRequest, pk: int) -> HttpResponse:
    """Take back that a lot is used up."""
    assert isinstance(request.user, User)
    reopen_lot(request.user, get_object_or_404(Lot, pk=pk))
    messages.success(request, "It is in use again.")
    return redirect("lot", pk=pk)


@needs("stock")
@require_POST
def lot_withdraw(request: HttpRequest, pk: int) -> HttpResponse:
    """Withdraw a lot."""
    return _decide(request, pk, withdraw_lot, "Withdrawn. The bench refuses it from now on.")


@needs("reinstate_lots")
@require_POST
def lot_reinstate(request: HttpRequest, pk: int) -> HttpResponse:
    """Put a withdrawn lot back into use."""
    return _decide(
        request, pk, reinstate_lot, "It may be used again. Both decisions stay on record."
    )


def _decide(
    request: HttpRequest, pk: int, act: Callable[[User, Lot, str], Lot], done: str
) -> HttpResponse:
    """Do what was decided on a lot for the reason given, and say so."""
    assert isinstance(request.user, User)
    try:
        act(request.user, get_object_or_404(Lot, pk=pk), request.POST.get("reason", ""))
    except ActionError as error:
        messages.error(request, error.words)
    else:
        messages.success(request, done)
    return redirect("lot", pk=pk)


def _rows(lot: Lot) -> str:
    """Write the list; what many appliances share is quoted once."""
    heads = (
        "lot", "material", "appliance", "arch", "kind", "status", "handed over", "use",
        "chart number", "family name", "given name", "date of birth", "phone",
    )  # fmt: skip
    line = Cells()
    start = line(lot.number, lot.material.name) + ","
    parts = [line(*heads), "\r\n"]
    for person in select.recipients(lot):
        patient = person.patient
        who = line(
            patient.chart_number, patient.family_name, patient.given_name,
            patient.date_of_birth.isoformat(), patient.phone,
        )  # fmt: skip
        end = f",{who}\r\n"
        parts += start, (end + start).join(person.rows), end
    return "".join(parts)
