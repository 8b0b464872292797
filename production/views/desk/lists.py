"""Take patients or visits in from a list: read, look, take in, take back."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST

from clinic.lists import patients, visits
from clinic.lists.columns import Field, guess
from clinic.lists.dates import Order
from clinic.lists.found import Found
from clinic.lists.sheet import ListError, Sheet, decode, read_sheet
from clinic.lists.taking import lately, take_back, take_in
from clinic.middleware import office_of
from clinic.models import Office, Visit
from clinic.permissions import needs
from production import work
from production.csv_cells import listed
from production.scheduling.hours import open_spans

SHOWN, KINDS_SHOWN = 12, 40
FIELDS: dict[str, tuple[Field, ...]] = {"patients": patients.FIELDS, "visits": visits.FIELDS}


@needs("edit_patients")
def from_list(request: HttpRequest, what: str) -> HttpResponse:
    """Show where a list is chosen; what is found in it; or take it in.

    Nothing is kept between the pages but in the form itself: a list that nobody takes in
    leaves no patient's data behind.
    """
    if what not in FIELDS:
        raise Http404
    context: dict[str, Any] = {"what": what, "fields": FIELDS[what], "lately": lately()}
    if request.method != "POST":
        return render(request, "patients/from_list.html", context)
    context["text"] = text = request.POST.get("text", "")
    try:
        file = request.FILES.get("file")
        if file is not None:
            context["text"] = text = decode(file.read())
        context |= _read(request, what, read_sheet(text))
        step = request.POST.get("step")
        if step == "odd":
            return _left_out(context["sheet"], context["found"], what)
        found = context["found"]
        if step == "take" and (found.new or found.moved) and not found.asks:
            return _take(request, what, found)
    except ListError as error:
        context["refused"] = error.words
        return render(request, "patients/from_list.html", context, status=422)
    return render(request, "patients/from_list.html", context)


@require_POST
@needs("edit_patients")
def list_back(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a list back that was taken in today or yesterday."""
    taken = next((one for one in lately() if one.entry.pk == pk), None)
    if taken is None:
        messages.error(request, "This list was taken back already, or more than a day ago.")
        return redirect("patients")
    gone, stay = take_back(request.user, taken)  # type: ignore[arg-type]
    work.ask("plan", coalesce=True)
    rest = f" {stay} stay: they have been used since." if stay else ""
    messages.success(request, f"{gone} {taken.what} of the list were taken back.{rest}")
    return redirect("from-list", taken.what)


def _read(request: HttpRequest, what: str, sheet: Sheet) -> dict[str, Any]:
    """Return what the page shows of a list, with what the person has said about it."""
    fields = FIELDS[what]
    said = [request.POST.get(f"column{i}") for i in range(len(sheet.header))]
    known = {field.key for field in fields}
    guessed = guess(sheet.header, fields)
    columns = [
        guessed[i] if one is None else one if one in known else "" for i, one in enumerate(said)
    ]
    columns = ["" if key in columns[:i] else key for i, key in enumerate(columns)]
    order = {"day": Order.DAY, "month": Order.MONTH}.get(request.POST.get("order", ""))
    kinds = _kinds(request.POST, sheet, columns) if what == "visits" else {}
    office = office_of(request)
    if what == "patients":
        found = patients.judge(sheet, columns, order, office.today())
    else:
        found = visits.judge(sheet, columns, order, office, {k: v for k, (_, v) in kinds.items()})
    return {
        "sheet": sheet,
        "columns": [
            (i, name, columns[i], next((r.cells[i] for r in sheet.rows if _holds(r.cells, i)), ""))
            for i, name in enumerate(sheet.header)
        ],
        "found": found,
        "said_order": order or "",
        "kinds": [(i, k, n, v) for i, (k, (n, v)) in enumerate(kinds.items())],
        "visit_kinds": Visit.Kind.choices,
        "leave_out": visits.LEAVE_OUT,
        "some": found.new[:SHOWN],
        "shut": _shut(office, found.new) if what == "visits" else [],
        "odd": found.odd[:SHOWN],
        "moved": found.moved[:SHOWN],
        "absent": found.absent[:SHOWN],
        "more": len(found.new[SHOWN:]),
        "more_odd": len(found.odd[SHOWN:]),
    }


def _shut(office: Office, rows: list[Visit]) -> list[Visit]:
    """Return the visits at which the office is closed: mostly a slip, but somebody may come in."""
    if not rows:
        return []
    times = [row.starts_at for row in rows]
    days = (max(times) - min(times)).days + 2
    spans = open_spans(office, min(times), days)
    begins = [start for start, _ in spans]
    shut = []
    for row in rows:
        place = bisect_right(begins, row.starts_at)
        if not place or row.starts_at >= spans[place - 1][1]:
            shut.append(row)
    return shut


def _holds(cells: list[str], place: int) -> bool:
    return place < len(cells) and bool(cells[place])


def _kinds(post: Mapping[str, str], sheet: Sheet, columns: list[str]) -> dict[str, tuple[int, str]]:
    """Return of each of the list's words for a visit how often it is there and what it means."""
    found = {}
    for place, (words, count) in enumerate(visits.kinds_said(sheet, columns)[:KINDS_SHOWN]):
        # An answer holds for the words it was given for, also when the columns change.
        same = post.get(f"word{place}") == words
        found[words] = (count, post[f"kind{place}"] if same else visits.guess_kind(words))
    return found


def _take(request: HttpRequest, what: str, found: Found) -> HttpResponse:
    take_in(request.user, what, found.new, found.moved)  # type: ignore[arg-type]
    work.ask("plan", coalesce=True)
    count = len(found.new)
    words = f"{count} {what if count != 1 else what[:-1]} taken in"
    words += f", {len(found.moved)} moved." if found.moved else "."
    messages.success(request, words + " You can take it back on this page until tomorrow.")
    return redirect("from-list", what)


def _left_out(sheet: Sheet, found: Found, what: str) -> HttpResponse:
    """Return what is left out as a list, with the reasons, to be mended and read again."""
    rows = [[*odd.cells, "", *([""] * len(sheet.header))][: len(sheet.header)] for odd in found.odd]
    lines = [[*row, odd.words] for row, odd in zip(rows, found.odd, strict=True)]
    text = listed([[*sheet.header, "Why it was left out"], *lines])
    response = HttpResponse("\ufeff" + text, content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{what}-left-out.csv"'
    return response
