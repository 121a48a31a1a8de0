"""Loops, routes on a trade-off, repairs of a ride, and proofs: arrays in, edge indices out.

Nothing here knows hills or radios. Kernels are compiled when a search is first called.
"""

from __future__ import annotations

from routeplan.search.loops import best_loops
from routeplan.search.pareto import pareto_routes
from routeplan.search.tradeoff import distinct, trade_off
from routeplan.search.values import Loop, LoopResult, ParetoResult, TradeOff

__all__ = ["Loop", "LoopResult", "ParetoResult", "TradeOff", "best_loops", "distinct", "pareto_routes", "trade_off"]
