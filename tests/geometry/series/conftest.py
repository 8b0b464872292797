import pytest

from tests.geometry.series.steps import base_arch, files_of, steps_of


@pytest.fixture(scope="package")
def lower_steps():
    """Twenty steps of a lower arch, and the movement before each."""
    return steps_of(base_arch(71, "lower"), 20, 5)


@pytest.fixture(scope="package")
def upper_steps():
    """Five steps of an upper arch of another patient."""
    return steps_of(base_arch(72, "upper"), 5, 6)


@pytest.fixture(scope="package")
def lower_files(lower_steps):
    return files_of(lower_steps[0][:7], "C401_lower_{:02d}.stl")


@pytest.fixture(scope="package")
def upper_files(upper_steps):
    return files_of(upper_steps[0], "C401_upper_{:02d}.stl")
