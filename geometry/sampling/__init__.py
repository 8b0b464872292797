"""How finely and how truly a surface was sampled: edges, noise, spikes, blisters."""

from geometry.sampling.bumps import Bump, find_bumps
from geometry.sampling.measure import Sampling, Spike, measure
from geometry.sampling.warm import warm

__all__ = ["Bump", "Sampling", "Spike", "find_bumps", "measure", "warm"]
