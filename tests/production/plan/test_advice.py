"""What the desk is told of a promise at risk: what would help, and whom it would harm."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from clinic.models import User
from production.scheduling import advice
from production.scheduling.advice import advise, best_rescue

JOBS = SimpleNamespace(
    jobs=[SimpleNamespace(id=f"{group}{arch}", group=group) for group in "ABC" for arch in "ul"]
    + [SimpleNamespace(id="alone", group=None)]
)


def tried(text, late, past=(), broken=(2.0, 1.0)):
    return {
        "what": text,
        "text": text,
        "p_late_after": late,
        "past_limit": list(past),
        "broken_before": broken[0],
        "broken_after": broken[1],
    }


def test_what_helps_without_harm_is_told_before_what_helps_more_at_others_cost():
    harmful = tried("take it first", 0.0, ["Bu", "Bl"], broken=(2.0, 1.5))
    useless = tried("a plate of its own", 0.1, broken=(2.0, 2.5))
    good = tried("p1 stays longer", 0.14)
    assert (
        best_rescue(JOBS, [useless, good, harmful])
        == "p1 stays longer: kept with 86\N{NO-BREAK SPACE}%"
    )


@pytest.mark.parametrize(
    ("past", "said"),
    [
        (["Bu", "Bl"], "but one other pickup at risk"),
        (["Bu", "Cl", "Cu", "alone"], "but 3 other pickups at risk"),
    ],
)
def test_harm_to_others_is_counted_in_pickups_and_a_later_time_offered(past, said):
    told = best_rescue(JOBS, [tried("take it first", 0.0, past, broken=(1.4, 5.6))])
    assert told.startswith("take it first: kept with 100\N{NO-BREAK SPACE}%")
    assert said in told
    assert told.endswith("agree on a later time")


def test_where_nothing_helps_a_later_time_is_the_next_step():
    assert best_rescue(JOBS, []) == "agree on a later time"
    assert best_rescue(JOBS, [tried("x", 0.1, broken=(2.0, 2.5))]) == "agree on a later time"


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("wait", "said"),
    [("5 min", "5 min"), ("95 min", "95 min"), ("145 min", "2 h 25"), ("4154 min", "2 d 21 h")],
)
def test_people_and_chairs_are_called_by_their_names_and_long_waits_told_in_hours(
    person, monkeypatch, wait, said
):
    technician = person("technician")
    User.objects.filter(pk=technician.pk).update(first_name="Ada", last_name="Mori")
    technician.refresh_from_db()
    mine = f"p{technician.pk}"
    monkeypatch.setattr(
        advice,
        "rescue",
        lambda *_, **__: {
            "causes": [{"text": f"waits {wait} for chair2"}],
            "rescues": [tried(f"{mine} stays 60 min longer today", 0.02)],
        },
    )
    monkeypatch.setattr(advice, "named_policy", lambda _: None)
    problem = SimpleNamespace(risk_limit=0.1, jobs=JOBS.jobs)
    situation = SimpleNamespace(
        problem={"resources": [{"id": mine, "kind": "technician"}, {"id": "chair2"}]}
    )
    foresight = {
        "groups": [{"id": "A", "p_late": 0.4}],
        "jobs": [{"id": j.id, "finish": {"p50": 1.0}} for j in JOBS.jobs],
    }
    told = advise(situation, problem, foresight)["A"]
    assert told | {"cause": told["cause"].replace("\N{NO-BREAK SPACE}", " ")} == {
        "cause": f"waits {said} for Chair 2",
        "rescue": f"{technician} stays 60 min longer today: kept with 98\N{NO-BREAK SPACE}%",
    }
