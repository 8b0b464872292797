"""Run in a process of its own: make an office to test the site with.

``python -m tests.browser.furnish [patients]``
"""

from __future__ import annotations

import random
import sys


def main(patients: int) -> None:
    """Furnish the data folder named by TRACKER_DATA."""
    import django

    django.setup()
    from clinic.models import Office, Patient
    from production import running
    from production.demo import people
    from production.demo.office import furnish
    from production.models import Material

    running.prepare_folder()
    furnish()
    people.patients(random.Random(3), Office.get().today())
    extra = Patient.objects.order_by("-pk")[: Patient.objects.count() - patients]
    Patient.objects.filter(pk__in=[p.pk for p in extra]).delete()
    # Nobody waits out a disinfectant's contact time in a test.
    Material.objects.update(contact_minutes=None)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 12)
