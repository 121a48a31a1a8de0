"""Hypervolume of the loops that `trade_off` finds in 2 and 10 s against all that is known of the front; a script.

    python tests/benchmarks/bench_search_trade_off.py [--starts 4] [--seconds 2 10] [--long 600] [--known FOLDER]
    python tests/benchmarks/bench_search_trade_off.py --ride AREA RIDE.toml

Known is the union of every search of this run, one of --long seconds with another seed among them, and of the fronts
that earlier runs left in the folder --known, which only rise. The corner is the worst of the known front in each cost,
a tenth of its span further out. With a ride: its loops without and with streets ridden twice, with the plan's prices
(in both costs, as the search counts them) and without any. Slow is: under 0.95 at 2 s, under 0.98 at 10 s.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import numpy as np
from road_like import road_like

from routeplan.errors import NoLoopError
from routeplan.search import TradeOff, distinct, trade_off
from routeplan.search.choice import not_dominated

Find = partial[TradeOff]


def volume(costs, corner):
    """Area that (m, 2) costs dominate below the corner."""
    costs = costs[(costs < corner).all(axis=1)]
    if not len(costs):
        return 0.0
    costs = costs[not_dominated(costs)]
    costs = costs[np.argsort(costs[:, 0])]
    high = np.r_[corner[1], costs[:-1, 1]]
    return float(((corner[0] - costs[:, 0]) * (high - costs[:, 1])).sum())


def road_like_cases(starts: int) -> Iterator[tuple[str, Find]]:
    net = road_like(30_000, 1)
    for start in net.starts(12, seed=5)[:starts].tolist():
        yield f"start {start:6d}", partial(
            trade_off, net.tail, net.head, net.length_m, net.effort_j, (1 - net.chance) * net.time_s, start, 38e3, 42e3,
            street=net.street, time_s=net.time_s, target_length_m=40e3, length_gain_per_m=-0.02,
        )  # fmt: skip


def ride_cases(area: Path, file: Path) -> Iterator[tuple[str, Find]]:
    """Each with the effort [kJ] that a second of price is worth as its keyword; 0 without prices."""
    from routeplan.plan import loops
    from routeplan.plan.area import load_area
    from routeplan.plan.ridefile import read_ride
    from routeplan.plan.setting import departures, round_a_start

    ride = read_ride(file)
    departs = departures(ride)[0]
    window = loops.loop_window(ride, departs)
    setting = round_a_start(load_area(area), ride, reach_m=window.reach_m, progress=lambda text: None)
    asked = loops.question(setting, window, bool(setting.nets))
    kj_per_s = float(asked.effort_kj.sum() / asked.time_s.sum())
    free = {"turns": None, "turn_gain": None, "near": None} | dict.fromkeys(
        ("near_gain_per_m", "repeat_gain_per_m", "length_gain_per_m"), 0.0
    )
    for may_repeat in (False, True):
        find = loops.posed(setting, asked, window, setting.clock(departs), may_repeat=may_repeat)
        name = "streets twice" if may_repeat else "streets once"
        yield name, partial(find, effort_per_price=kj_per_s)
        yield f"{name} unpriced", partial(find, effort_per_price=0.0, **free)


def known_front(folder: Path | None, name: str, costs: np.ndarray) -> np.ndarray:
    """The non-dominated of all costs known; a folder keeps them."""
    file = None if folder is None else folder / f"{'_'.join(name.split())}.npy"
    if file is not None and file.exists():
        costs = np.concatenate([np.load(file), costs])
    costs = costs[not_dominated(costs)]
    if file is not None:
        file.parent.mkdir(parents=True, exist_ok=True)
        np.save(file, costs)
    return costs


def priced(found: TradeOff, find: Find) -> np.ndarray:
    """Costs with the prices, as the search counts them."""
    return found.costs + np.outer(found.price, [find.keywords["effort_per_price"], 1.0])


def main() -> None:
    ask = argparse.ArgumentParser()
    ask.add_argument("--starts", type=int, default=4)
    ask.add_argument("--seconds", type=float, nargs="+", default=[2.0, 10.0])
    ask.add_argument("--long", type=float, default=600.0)
    ask.add_argument("--known", type=Path)
    ask.add_argument("--ride", type=Path, nargs=2)
    given = ask.parse_args()
    costs_of = priced if given.ride else lambda found, _: found.costs
    for name, find in ride_cases(*given.ride) if given.ride else road_like_cases(given.starts):
        try:
            find(budget=1)  # compiled
        except NoLoopError:
            print(f"{name}: no loop")
            continue
        found = [find(time_limit_s=s, budget=10**12, seed=0) for s in given.seconds]
        costs = [costs_of(some, find) for some in found]
        if given.long > 0:
            costs.append(costs_of(find(time_limit_s=given.long, budget=10**12, seed=11), find))
        front = known_front(given.known, name, np.concatenate(costs))
        corner = front.max(axis=0) + 0.1 * (front.max(axis=0) - front.min(axis=0))
        for s, some, mine in zip(given.seconds, found, costs):
            share = volume(mine, corner) / volume(front, corner)
            print(
                f"{name}  {s:g} s: hypervolume {share:.3f} of that of {len(front)} known, "
                f"{int(some.non_dominated.sum())} of {len(mine)} not dominated, {len(distinct(some, 5))} of 5 choices",
                flush=True,
            )


if __name__ == "__main__":
    main()
