"""Helper process of the kill study: opens orders, and counts events afterwards."""

from __future__ import annotations

import sys
from collections import Counter


def main(arguments: list[str]) -> None:
    """``open`` prints appliance codes; ``count KEY …`` says what was lost or doubled."""
    import django

    django.setup()
    from clinic.models import Patient, User
    from production.actions import open_order
    from production.bench.history import disagreements
    from production.models import ApplianceKind, StageEvent

    if arguments[0] == "open":
        doctor = User.objects.get(username="doctor")
        kind = ApplianceKind.objects.get(code="retainer")
        for patient in Patient.objects.order_by("pk")[:3]:
            order = open_order(doctor, patient, kind, ["upper"], key=f"kill-{patient.pk}")
            print(*order.appliances.values_list("code", flat=True))
        return
    keys = Counter(arguments[1:])
    known = Counter(StageEvent.objects.filter(key__in=list(keys)).values_list("key", flat=True))
    lost = [k for k in keys if known[k] == 0]
    doubled = [k for k in known if known[k] > 1]
    wrong = list(disagreements())
    print(f"{len(lost)} lost, {len(doubled)} doubled, {len(wrong)} disagreeing with the fold")


if __name__ == "__main__":
    main(sys.argv[1:])
