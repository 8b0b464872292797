"""Several hands in several threads on a real SQLite file. Run by ``test_race.py``.

Prints one JSON object; the data folder is in ``TRACKER_DATA``.
"""

from __future__ import annotations

import collections
import json
import os
import sys
import threading
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
HANDS = 6


def main() -> None:
    """Make an office, let hands race, report what they got."""
    sys.path.insert(0, str(ROOT))
    os.environ["DJANGO_SETTINGS_MODULE"] = "clinic.settings"
    import django

    django.setup()
    from django.core.management import call_command
    from django.db import connection

    call_command("migrate", verbosity=0)
    from clinic.models import Patient, User
    from production.actions.bench.move import finish, hold, start, start_load
    from production.actions.errors import ActionError, Moved
    from production.bench.history import disagreements
    from production.models import Appliance, Load, StageEvent
    from production.seed import seed
    from tests.production.bench.conftest import Bench

    seed()
    people = {
        role: User.objects.create(username=role, first_name=role.title(), role=role)
        for role in ("technician", "doctor", "front_desk")
    }
    bench = Bench(lambda role: people[role])
    patient = Patient.objects.create(
        chart_number="1", given_name="A", family_name="B", date_of_birth="2010-01-01"
    )

    def race(hand) -> list[str]:
        """Let every hand go at the same moment; return how each came out."""
        gate = threading.Barrier(HANDS)
        results: list[str] = []

        def run(number: int) -> None:
            gate.wait()
            try:
                results.append(str(hand(number)))
            except Moved as error:
                results.append(f"moved by {error.who}")
            except ActionError as error:
                results.append(f"refused: {error.words}")
            except Exception as error:
                results.append(f"broken: {type(error).__name__}: {error}")
            finally:
                connection.close()

        threads = [threading.Thread(target=run, args=(n,)) for n in range(HANDS)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        return results

    user = people["technician"]
    found: dict[str, object] = {}

    one = bench.appliance(patient)
    seen = one.seq

    def grab(number: int) -> str:
        start(user, Appliance.objects.get(pk=one.pk), key=f"grab-{number}", seen=seen)
        return "started"

    found["one_wins"] = collections.Counter(race(grab))

    def repeat(number: int) -> int:
        return finish(
            user, Appliance.objects.get(pk=one.pk), ticks=bench.ticks("prepare"), key="same"
        ).pk

    found["one_effect"] = len(set(race(repeat)))
    found["events"] = StageEvent.objects.filter(key="same").count()

    pair = [bench.appliance(patient) for _ in range(2)]
    for appliance in pair:
        start(user, appliance, key=f"{appliance.code}s")
        finish(user, appliance, ticks=bench.ticks("prepare"), key=f"{appliance.code}f")
    loads = []
    for _ in range(HANDS):  # every hand has loaded the same two appliances
        load = Load.objects.create(code=f"B-{len(loads)}", stage=bench.stages["print"])
        for appliance in pair:
            load.items.create(appliance=appliance)
        loads.append(load)

    def run_load(number: int) -> str:
        start_load(
            user,
            loads[number],
            machine=bench.machines["printer"],
            lots=[bench.lots["resin"]],
            key=f"load-{number}",
        )
        return "started"

    found["loads"] = collections.Counter(r.split(":")[0] for r in race(run_load))
    found["running"] = Load.objects.filter(status="running").count()

    many = [bench.appliance(patient) for _ in range(HANDS)]

    def busy(number: int) -> str:
        for turn in range(5):
            mine = Appliance.objects.get(pk=many[number].pk)
            if turn % 2:
                start(user, Appliance.objects.get(pk=mine.pk), key=f"x{number}-{turn}")
                return "done"
            hold(user, mine, note="x", key=f"h{number}-{turn}")
            from production.actions.bench.move import release

            release(user, mine, key=f"r{number}-{turn}")
        return "done"

    found["side_by_side"] = collections.Counter(race(busy))
    found["disagreements"] = list(disagreements())
    print(json.dumps(found))


if __name__ == "__main__":
    main()
