"""Invented patients."""

from __future__ import annotations

import datetime as dt
import random

from clinic.models import Patient

GIVEN = [
    "Ada", "Noor", "Emil", "Runa", "Theo", "Mila", "Jonas", "Freya", "Oskar", "Lina", "Amir",
    "Selma", "Hugo", "Nadia", "Felix", "Yara", "Anton", "Elin", "Mateo", "Saga", "Idris", "Vera",
    "Kofi", "Marta", "Leon", "Zoe", "Arvid", "Priya", "Samir", "Greta", "Milo", "Ines", "Tariq",
    "Nora", "Elias", "Rosa", "Viktor", "Asta", "Dario", "Hanna",
]  # fmt: skip
FAMILY = [
    "Abrahamsen", "Baptiste", "Castellan", "Dahlbeck", "Eriksen", "Farouk", "Grimsby", "Haldane",
    "Ismay", "Jansen", "Kallas", "Lindgren", "Moreau", "Nakata", "Osei", "Petrov", "Quennell",
    "Rasmussen", "Salonen", "Thorburn", "Ulvestad", "Varela", "Wexford", "Yilmaz", "Zeller",
    "Brandvold", "Cortez", "Drummond", "Ekholm", "Falk",
]  # fmt: skip
ALLERGIES = ["Latex", "Nickel", "Penicillin"]
RESIN_ALLERGY = 70  # from the end of the list: a patient without orders


def patients(rng: random.Random, today: dt.date) -> list[Patient]:
    """Make patients, each full name once, chart numbers in order."""
    names = [(g, f) for g in GIVEN for f in FAMILY]
    rng.shuffle(names)
    rows = []
    for number, (given, family) in enumerate(names[:170], start=4101):
        born = today - dt.timedelta(days=int(365.25 * rng.uniform(11.5, 38)))
        rows.append(
            Patient(
                chart_number=f"W-{number}",
                given_name=given,
                family_name=family,
                date_of_birth=born,
                allergies=rng.choice(ALLERGIES) if rng.random() < 0.08 else "",
                phone=f"01632 960 {rng.randrange(200, 999)}",
            )
        )
    # One whose record stops the model resin at the printer, to see how that looks.
    rows[-RESIN_ALLERGY].allergies = "Methacrylate (rash from nail gel)"
    Patient.objects.bulk_create(rows)
    return list(Patient.objects.order_by("pk"))
