from geometry.model import warm


def test_warming_runs_on_its_own():
    warm()
