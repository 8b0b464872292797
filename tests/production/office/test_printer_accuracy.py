"""A rescan of a printed check model: taken in, measured by the worker, judged by stated rules."""

from __future__ import annotations

from contextlib import nullcontext

import numpy as np
import pytest
import trimesh
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from scipy.spatial.transform import Rotation

from geometry.accuracy import check_body
from geometry.mesh import Mesh
from geometry.reading import write_stl
from production import tasks
from production.accuracy import alarms
from production.models import AccuracyCheck, Lot, Machine, Material, Work


@pytest.fixture
def printer(office, monkeypatch):
    monkeypatch.setattr("production.work.wake", lambda pk, kind: None)
    # No second thread on the test's database.
    monkeypatch.setattr("production.work.keeping", lambda row: nullcontext())
    resin = Material.objects.create(kind="resin", name="Grey resin", unit="ml")
    Lot.objects.create(material=resin, number="77", quantity=500)
    return Machine.objects.create(code="M-P", name="Printer one", kind="printer", capacity=4)


def rescan(stretch=(1.0, 1.0, 1.0), seed=1) -> SimpleUploadedFile:
    """The check body as a scanner would see a print of it: any pose, no underside, noise."""
    body, rng = check_body(), np.random.default_rng(seed)
    faces = body.faces[body.vertices[body.faces, 2].min(axis=1) > 0.3]
    printed = body.vertices * np.array(stretch) + rng.normal(0, 0.01, body.vertices.shape)
    turn = Rotation.random(random_state=seed).as_matrix()
    mesh = Mesh(printed @ turn.T + rng.uniform(-40, 40, 3), faces)
    return SimpleUploadedFile(f"print-{seed}.stl", write_stl(mesh))


def take(client, printer, *files, **fields) -> AccuracyCheck:
    lot = Lot.objects.get()
    client.post(
        reverse("accuracy-take", args=[printer.uuid]),
        {"rescans": list(files), "lot": lot.pk, **fields},
    )
    check = AccuracyCheck.objects.latest("pk")
    tasks.perform(Work.objects.filter(kind="accuracy").latest("pk").pk)
    check.refresh_from_db()
    return check


def test_a_true_print_is_measured_and_gives_no_alarm(printer, signed_in):
    client = signed_in("technician")
    check = take(client, printer, rescan(seed=1), rescan(seed=2))
    assert check.status == "measured"
    assert check.trueness_mm < 0.005
    assert 0.005 < check.precision_mm < 0.02  # the noise that was put in
    assert alarms([check]) == []
    page = client.get(reverse("accuracy", args=[check.uuid])).content.decode()
    assert "No alarm" in page
    assert "between 2 prints" in page
    shown = client.get(reverse("accuracy-picture", args=[check.uuid]))
    assert b"".join(shown.streaming_content).startswith(b"\x89PNG")
    assert "Grey resin" in client.get(reverse("machine", args=[printer.uuid])).content.decode()


def test_a_stretched_print_raises_an_alarm_that_says_what_to_do(printer, signed_in):
    client = signed_in("technician")
    check = take(client, printer, rescan((0.99, 1.0, 1.0), seed=3))
    # 1 % of the body's 62 mm.
    assert check.report["scale_error_percent"]["x"] == pytest.approx(-1.0, abs=0.1)
    words = " ".join(a.words + a.next_step for a in alarms([check]))
    assert "The width comes out 0.6" in words
    assert "scale" in words
    page = client.get(reverse("accuracy", args=[check.uuid])).content.decode()
    assert "width −1.0" in page
    assert "−0.00 %" not in page  # depth and height are as in the file
    assert "Alarm" in page


def test_a_file_of_something_else_is_refused_with_a_reason(printer, signed_in):
    ball = trimesh.creation.icosphere(subdivisions=4, radius=30.0)
    mesh = Mesh(np.array(ball.vertices), np.array(ball.faces, np.int32))
    client = signed_in("technician")
    check = take(client, printer, SimpleUploadedFile("x.stl", write_stl(mesh)))
    assert check.status == "failed"
    assert "another model" in check.problem
    assert check.problem in client.get(reverse("accuracy", args=[check.uuid])).content.decode()


def test_a_code_without_a_model_is_refused(printer, signed_in):
    client = signed_in("technician")
    answer = client.post(
        reverse("accuracy-take", args=[printer.uuid]),
        {"rescans": [rescan()], "code": "NOPE"},
        follow=True,
    )
    assert "NOPE has no print-ready model" in answer.content.decode()
    assert not AccuracyCheck.objects.exists()


def checks(*biases: float) -> list[AccuracyCheck]:
    return [
        AccuracyCheck(
            trueness_mm=abs(b), precision_mm=0.03 + 0.002 * (k % 2), report={"bias_mm": b}
        )
        for k, b in enumerate(biases)
    ]


def test_a_drift_is_told_by_the_rules_of_the_chart():
    steady = [0.010, 0.014, 0.009, 0.012, 0.011, 0.013, 0.010, 0.012]
    assert alarms(checks(*steady)) == []
    (jump,) = alarms(checks(*steady, 0.06))
    assert "outside the limits" in jump.words
    assert "exposure" in jump.next_step
    # Nelson's rule 3: six in a row rising.
    (trend,) = alarms(checks(*steady, 0.0125, 0.013, 0.0135, 0.014))
    assert "six in a row" in trend.words
    # An older signal is not the newest check's.
    assert alarms(checks(*steady, 0.06, 0.011)) == []


def test_a_drift_that_goes_on_keeps_its_alarm():
    steady = [0.010, 0.014, 0.009, 0.012, 0.011, 0.013, 0.010, 0.012]
    rising = [0.0125, 0.013, 0.0135, 0.014, 0.0145]
    (trend,) = alarms(checks(*steady, *rising))
    assert "six in a row" in trend.words


def test_the_newest_check_is_judged_by_the_ones_before_it():
    # Limits of the eight: up to 0.0190; with the ninth among them they would reach 0.0214.
    steady = [0.010, 0.014, 0.009, 0.012, 0.011, 0.013, 0.010, 0.012]
    assert "outside the limits" in alarms(checks(*steady, 0.0195))[0].words
    assert alarms(checks(*steady, 0.0150)) == []


def test_growth_that_the_mean_deviation_hides_is_followed_too():
    """An open arch that comes out wider fits its file as well: only the growth tells."""
    grown = [0.020, 0.024, 0.019, 0.022, 0.021, 0.023, 0.020, 0.022, 0.09]
    rows = checks(*[0.010, 0.014, 0.009, 0.012, 0.011, 0.013, 0.010, 0.012, 0.011])
    for row, growth in zip(rows, grown, strict=True):
        row.report["growth_mm"] = growth
    (alarm,) = alarms(rows)
    assert alarm.words.startswith("The even growth of the last check is outside the limits")
    assert alarms(rows[:-1]) == []
    # A check without the figure, as older ones are, neither alarms nor stops the others.
    del rows[-1].report["growth_mm"]
    assert alarms(rows) == []


def test_the_charts_of_a_printer_can_be_looked_at(printer, signed_in):
    client = signed_in("technician")
    for seed in (1, 2):
        take(client, printer, rescan(seed=seed))
    page = client.get(reverse("machine", args=[printer.uuid])).content.decode()
    for what in ("mean", "precision", "growth", "growth-range"):
        address = reverse("machine-accuracy", args=[printer.uuid, what])
        assert address in page
        assert client.get(address).content.lstrip().startswith(b"<?xml")
    address = reverse("machine-accuracy", args=[printer.uuid, "nothing"])
    assert client.get(address).status_code == 404


def test_few_checks_set_no_limits_of_their_own():
    assert alarms(checks(0.01, 0.012, 0.2)) == []


def test_the_check_body_can_be_printed(printer, signed_in):
    import manifold3d

    answer = signed_in("technician").get(reverse("check-body"))
    assert answer.headers["Content-Disposition"].endswith('"check-body.stl"')
    body = check_body()
    solid = manifold3d.Manifold(manifold3d.Mesh64(body.vertices, body.faces.astype(np.uint64)))
    assert solid.status() == manifold3d.Error.NoError
    assert solid.genus() == 0
    assert len(answer.content) == 84 + 50 * len(body.faces)
