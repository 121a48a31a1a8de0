"""Loops, routes on a trade-off, repairs of a ride, and proofs: arrays in, edge indices out.

Nothing here knows hills or radios. Kernels are compiled when a search is first called.
"""

from __future__ import annotations

from routeplan.search.choice import distinct
from routeplan.search.detours import Detour, Mended, combine, find_detours
from routeplan.search.loops import best_loops
from routeplan.search.pareto import pareto_routes
from routeplan.search.tradeoff import trade_off
from routeplan.search.values import Loop, LoopResult, ParetoResult, TradeOff, shared_share

__all__ = [
    "Detour",
    "Loop",
    "LoopResult",
    "Mended",
    "ParetoResult",
    "TradeOff",
    "best_loops",
    "combine",
    "distinct",
    "find_detours",
    "pareto_routes",
    "shared_share",
    "trade_off",
]
