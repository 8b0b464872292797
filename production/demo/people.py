"""Invented patients."""

from __future__ import annotations

import datetime as dt
import random
from itertools import cycle

from clinic.models import Patient

GIVEN = [
    "Ada", "Noor", "Emil", "Runa", "Theo", "Mila", "Jonas", "Freya", "Oskar", "Lina", "Amir",
    "Selma", "Hugo", "Nadia", "Felix", "Yara", "Anton", "Elin", "Mateo", "Saga", "Idris", "Vera",
    "Kofi", "Marta", "Leon", "Zoe", "Arvid", "Priya", "Samir", "Greta", "Milo", "Ines", "Tariq",
    "Nora", "Elias", "Rosa", "Viktor", "Asta", "Dario", "Hanna",
]  # fmt: skip
FAMILY = [
    "Abrahamsen", "Adeyemi", "Almqvist", "Andrade", "Aspinall", "Bakhshi", "Baptiste", "Barrow",
    "Bergstad", "Bielak", "Birch", "Borland", "Brandvold", "Brekke", "Calder", "Carvalho",
    "Castellan", "Chaudry", "Claesson", "Cortez", "Dahlbeck", "Darby", "Delacroix", "Diallo",
    "Dobrev", "Drummond", "Duarte", "Edling", "Ekholm", "Eldridge", "Elgin", "Eriksen", "Espinal",
    "Falk", "Farouk", "Fenwick", "Ferreira", "Fjeld", "Forsgren", "Galanis", "Garnett", "Gebre",
    "Gilmour", "Grimsby", "Gustavsen", "Haldane", "Halloran", "Hartig", "Hedlund", "Horvath",
    "Ibarra", "Imani", "Ingram", "Ismay", "Iwata", "Jansen", "Jarvela", "Jelani", "Kallas",
    "Karlsen", "Kaur", "Keating", "Kimura", "Kovacs", "Lachance", "Laurent", "Lindgren", "Lisboa",
    "Lovell", "Lundqvist", "Maddox", "Malik", "Marchetti", "Mbeki", "Moreau", "Munro", "Nakata",
    "Narvik", "Ndiaye", "Nilsson", "Norrby", "Oakley", "Odell", "Okoro", "Orban", "Osei", "Ostby",
    "Pacheco", "Pallis", "Parvati", "Petrov", "Pollard", "Quennell", "Quist", "Rahimi", "Rasmussen",
    "Redfern", "Renko", "Rosario", "Rowntree", "Salonen", "Sandoval", "Sefton", "Sigurd", "Soares",
    "Strand", "Sunde", "Tanaka", "Tegner", "Thorburn", "Tolliver", "Torvald", "Ulvestad",
    "Underhill", "Vaara", "Valente", "Varela", "Vestergaard", "Voss", "Wadley", "Wexford",
    "Whitlock", "Winther", "Yamada", "Yilmaz", "Yoxall", "Zabel", "Zeller", "Zielinski",
]  # fmt: skip
PATIENTS = 170
ALLERGIES = ["Latex", "Nickel", "Penicillin"]
RESIN_ALLERGY = 70  # from the end of the list: a patient without orders


def patients(rng: random.Random, today: dt.date) -> list[Patient]:
    """Make patients, each full name once, chart numbers in order."""
    # Surnames run through the list before they repeat: two of one name on a day are an
    # exception that the pages warn of, as in a real office.
    calls = rng.sample(GIVEN, len(GIVEN))
    first, second = rng.sample(FAMILY, len(FAMILY)), rng.sample(FAMILY, len(FAMILY))
    names = list(zip(cycle(calls[:20]), first)) + list(zip(cycle(calls[20:]), second))
    rows = []
    for number, (given, family) in enumerate(names[:PATIENTS], start=4101):
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
