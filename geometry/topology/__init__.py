"""How a surface hangs together: pieces, borders, holes, faults."""

from geometry.topology.adjacency import Neighbours
from geometry.topology.analyse import analyse, warm
from geometry.topology.coarse import coarsen
from geometry.topology.result import Island, Loop, Topology

__all__ = ["Island", "Loop", "Neighbours", "Topology", "analyse", "coarsen", "warm"]
