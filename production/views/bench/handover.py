"""The hand-over: two identifiers and the try-in."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from clinic.permissions import may, needs
from production.actions.bench import move
from production.actions.errors import ActionError
from production.bench.codes import clean
from production.bench.gates import before_delivery
from production.bench.trace import withdrawn_in
from production.models import Appliance, Handover, RemakeCause, Stage
from production.models.catalog import LOST
from production.selectors.bench import appliance as reads
from production.views.bench.appliance import subject_or_404
from production.views.bench.board import frame
from production.views.bench.scan import BAG
from production.views.bench.words import say
from production.views.typed import hold, take


@needs("hand_over")
def handover(request: HttpRequest, code: str) -> HttpResponse:
    """Check two identifiers, record how it seats, close the appliance."""
    subject = subject_or_404(request, code)
    row = subject.appliance
    assert row is not None
    if request.method == "POST":
        return _record(request, row)
    typed = take(request)
    others = (
        row.order.appliances.filter(status=Appliance.Status.READY)
        .exclude(pk=row.pk)
        .order_by("arch")
    )
    return render(
        request,
        "handover/handover.html",
        {
            **frame(request, f"handover:{row.code}", undo_only=not may(request.user, "bench")),
            "subject": subject,
            "appliance": row,
            "patient": row.order.patient,
            "order": row.order,
            "promise": reads.promise_for(row),
            "faults": before_delivery(row),
            "withdrawn": withdrawn_in(row),
            "bag": request.session.get(BAG) == row.code,
            "branches": reads.causes_for(
                Stage.objects.filter(code="delivery").first(), without=LOST
            ),
            "others": others,
            "near": _near_names(row),
            "handovers": reads.handovers_of(row),
            "typed": typed,
            "chosen_cause": typed.get("cause", ""),
        },
    )


def _near_names(row: Appliance) -> list[Appliance]:
    """Return other patients' appliances ready for pickup under the same family name or birthday."""
    patient = row.order.patient
    ready = (
        Appliance.objects.filter(status=Appliance.Status.READY)
        .exclude(order__patient=patient)
        .select_related("order__patient")
    )
    same_name = ready.filter(order__patient__family_name__iexact=patient.family_name)
    same_day = ready.filter(order__patient__date_of_birth=patient.date_of_birth)
    return list((same_name | same_day)[:4])


def _record(request: HttpRequest, row: Appliance) -> HttpResponse:
    post = request.POST
    bag = post.get("bag", "") or request.session.get(BAG, "")
    cause = RemakeCause.objects.filter(code=post.get("cause", ""), active=True).first()
    try:
        done = move.deliver(
            request.user,  # type: ignore[arg-type]
            row,
            code_on_bag=bag,
            identity_checked=post.get("identity") == "yes" and post.get("birth") == "yes",
            try_in=post.get("try_in", ""),
            cause=cause,
            note=post.get("note", "").strip(),
            key=post.get("key", "")[:60],
            seen=int(post["seen"]) if post.get("seen", "").isdigit() else None,
        )
    except ActionError as error:
        say(request, error)
        if bag and clean(bag) != row.code:
            # Perhaps another patient: nothing of what was checked counts any more.
            request.session.pop(BAG, None)
        else:
            hold(request)
            if bag:
                request.session[BAG] = row.code
        return redirect("handover", row.code)
    request.session.pop(BAG, None)
    if done.remake is not None:
        messages.success(
            request,
            f"{done.remake.code} is opened in its place. Agree on a pickup time with the patient.",
        )
        return redirect("appliance", done.remake.code)
    word = Handover.TryIn(done.handover.try_in).label.lower()
    messages.success(request, f"{row.code} handed over: {word}. Give the care card.")
    return redirect("handover", row.code)
