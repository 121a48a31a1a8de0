"""The optimum on small networks against an exact method, and bounds that no loop passes."""

from __future__ import annotations

import json
import subprocess
import sys
from itertools import islice
from pathlib import Path

import numpy as np
import pytest

from routeplan.errors import NoLoopError
from routeplan.search import best_loops, bounds
from routeplan.search.dual import Programme, descend, dual_figure

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
import check_certificate
from exact_loops import best_gain
from road_like import road_like

KINDS = ["plain", "banned turn", "lollipop", "repeat", "one-way pair", "losses"]


def small_case(seed, kind):
    """A network of 20 to 45 junctions, a start, a window."""
    random = np.random.default_rng([seed, len(kind)])
    net = road_like(int(random.integers(20, 45)), seed, one_way=0.3 if kind == "one-way pair" else 0.05)
    tail, head, street = net.tail.copy(), net.head.copy(), net.street.copy()
    length = net.length_m.round()
    gain = random.random(street.max() + 2)[street] * length
    if kind == "losses":
        gain = -gain
    start = int(net.starts(1, seed, margin=0.0)[0])
    if kind in ("lollipop", "repeat"):  # a dead-end stem to the start
        stem, s = tail.max() + 1, street.max() + 1
        tail, head = np.r_[tail, stem, start], np.r_[head, start, stem]
        length, gain, street = np.r_[length, 300.0, 300.0], np.r_[gain, 120.0, 120.0], np.r_[street, s, s]
        if kind == "lollipop":
            start = int(stem)
    banned = np.zeros((0, 2), int)
    if kind == "banned turn":
        turns = [(e, f) for e in range(len(tail)) for f in np.flatnonzero(tail == head[e]) if street[f] != street[e]]
        banned = np.array(turns)[random.choice(len(turns), 8, replace=False)]
    longest = float(random.uniform(3000, 7000))
    return tail, head, length, gain, street, start, 0.8 * longest, longest, banned


@pytest.mark.parametrize("kind", KINDS)
def test_property_optimum_and_bounds_on_small_networks(kind):
    solved = 0
    for seed in range(5):
        tail, head, length, gain, street, start, shortest, longest, banned = small_case(seed, kind)
        repeat = kind in ("lollipop", "repeat")
        exact = best_gain(tail, head, length, gain, street, start, shortest, longest, may_repeat=repeat, banned=banned)
        ask = {"street": street, "may_repeat": repeat, "banned_turns": banned}
        try:
            result = best_loops(tail, head, length, gain, start, shortest, longest, prove=True, **ask)
        except NoLoopError:
            assert exact is None or np.isnan(exact)
            continue
        assert exact is not None
        if np.isnan(exact):
            continue
        solved += 1
        assert result.loops[0].gain == pytest.approx(exact, rel=1e-9)
        assert result.gain_at_most >= exact - 1e-9 * abs(exact)
        hasty = best_loops(tail, head, length, gain, start, shortest, longest, time_limit_s=0.001, count=0, **ask)
        assert hasty.gain_at_most >= result.gain_at_most
        if result.certificate is not None:
            figure = check_certificate.bound(result.certificate)
            assert exact - 1e-6 <= float(figure) <= result.gain_at_most
    assert solved >= 1


def proven(seed):
    """A small case of a kind that repeats, solved exactly; its instance and programme."""
    tail, head, length, gain, street, start, shortest, longest, banned = small_case(seed, "repeat")
    ask = {"street": street, "may_repeat": True, "banned_turns": banned}
    exact = best_gain(tail, head, length, gain, street, start, shortest, longest, may_repeat=True, seconds=30.0)
    given = best_loops(tail, head, length, gain, start, shortest, longest, prove=True, budget=10**6, **ask).certificate
    assert exact is not None and np.isfinite(exact) and given is not None
    return exact, given, bounds.programme(given)


@pytest.fixture(scope="module")
def case():
    return proven(3)


def optimum(p):
    """Of a programme, by another method."""
    from scipy.optimize import linprog

    return -linprog(
        -p.gain, A_eq=p.rows[: p.equal], b_eq=p.most[: p.equal], A_ub=p.rows[p.equal :], b_ub=p.most[p.equal :],
        bounds=np.stack([p.low, p.high], 1), method="highs",
    ).fun  # fmt: skip


def test_property_every_step_is_a_bound_and_the_last_is_the_optimum(case):
    exact, given, p = case
    least, before = optimum(p), np.inf
    for standing in descend(p):
        assert exact <= standing.figure <= before and least * (1 - 1e-9) <= standing.figure
        assert standing.figure == dual_figure(p, standing.price) or standing.figure == before
        before = standing.figure
        if standing.done:
            break
    assert before == pytest.approx(least, rel=1e-4)
    assert float(check_certificate.bound(given)) >= exact


def test_property_a_descent_goes_on_from_any_standing(case):
    _, _, p = case
    stood = list(islice(descend(p), 20))
    for at in (stood[0], stood[7], stood[-1]):
        after = list(islice(descend(p, at), 20))
        assert after[0].steps == at.steps + 100
        assert all(b.figure <= a.figure for a, b in zip([at, *after], after))
    *_, last = islice(descend(p, stood[7]), 1000)
    assert last.figure == pytest.approx(optimum(p), rel=1e-4)


def test_property_any_prices_are_a_bound(case):
    exact, given, p = case
    random = np.random.default_rng(3)
    for scale in (0.0, 0.01, 1.0, 100.0):
        price = scale * random.normal(size=p.most.size)
        price[p.equal :] = np.abs(price[p.equal :])
        figure = dual_figure(p, price)
        assert figure >= exact
        assert check_certificate.bound(given | {"price": price.tolist()}) <= figure


def test_descent_of_a_programme_by_hand():
    from scipy import sparse

    # max 3 a + 2 b, a + b <= 4, a + 3 b = 6, 0 <= a, b <= 3: a = 3, b = 1
    rows = sparse.csr_matrix([[1.0, 3.0], [1.0, 1.0]])
    p = Programme(np.array([3.0, 2.0]), rows, np.array([6.0, 4.0]), 1, np.zeros(2), np.full(2, 3.0))
    *_, last = descend(p)
    assert last.done and last.figure == pytest.approx(11.0, rel=1e-4) and last.figure >= 11.0
    nothing = Programme(np.zeros(2), rows, np.array([6.0, 4.0]), 1, np.zeros(2), np.full(2, 3.0))
    *_, last = descend(nothing)
    assert 0.0 <= last.figure < 1e-6


def test_property_clock_proof_holds_and_knows_the_window():
    net = road_like(120, 4)
    start = int(net.starts(1)[0])
    for begin in (0.0, 600.0):
        ask = {
            "street": net.street, "time_s": net.time_s, "clock_gain": net.chance * net.time_s,
            "clock": (begin, 300.0, [0.5, 1.0, 0.25]), "budget": 300_000,
        }  # fmt: skip
        args = (net.tail, net.head, net.length_m, np.zeros(net.tail.size), start, 6000.0, 8000.0)
        quick, tight = best_loops(*args, count=0, **ask), best_loops(*args, prove=True, **ask)
        assert tight.loops[0].gain <= tight.gain_at_most <= quick.gain_at_most
        if tight.certificate is not None:
            assert check_certificate.bound(tight.certificate) <= tight.gain_at_most
            assert tight.certificate["clock"]["window"] == pytest.approx(525.0)


def test_property_time_limit_of_a_millisecond_keeps_the_bound():
    net = road_like(400, 3)
    start = int(net.starts(1)[0])
    gain = net.chance * net.length_m
    ask = (net.tail, net.head, net.length_m, gain, start, 8000.0, 10000.0)
    hasty = best_loops(*ask, street=net.street, time_limit_s=0.001)
    whole = best_loops(*ask, street=net.street)
    assert hasty.stopped and not whole.stopped
    assert hasty.gain_at_most >= whole.gain_at_most >= whole.loops[0].gain >= hasty.loops[0].gain
    cut = best_loops(*ask, street=net.street, time_limit_s=0.001, prove=True)
    assert cut.stopped and cut.gain_at_most == hasty.gain_at_most and cut.certificate is None


def test_property_clock_bound_holds_for_every_hour():
    net = road_like(300, 4)
    start = int(net.starts(1)[0])
    for begin in (0.0, 900.0, 5000.0):
        result = best_loops(
            net.tail, net.head, net.length_m, -0.01 * net.time_s, start, 8000.0, 10000.0, street=net.street,
            time_s=net.time_s, clock_gain=net.chance * net.time_s, clock=(begin, 300.0, [0.5, 1.0, 0.25]),
            budget=5_000_000,
        )  # fmt: skip
        assert result.loops[0].gain <= result.gain_at_most <= 300.0 * 1.75 + 1e-6  # no more than the window holds


def test_certificate_is_checked_by_a_script_of_its_own(tmp_path):
    net = road_like(300, 4)
    gain = net.chance**2 * net.length_m
    ask = (net.tail, net.head, net.length_m, gain, int(net.starts(1)[0]), 8000.0, 9000.0)
    result = best_loops(*ask, street=net.street, prove=True)
    assert result.loops[0].gain <= result.gain_at_most < best_loops(*ask, street=net.street, count=0).gain_at_most
    assert result.certificate is not None and "flow" in result.proof
    file = tmp_path / "bound.json"
    file.write_text(json.dumps(result.certificate))
    script = Path(check_certificate.__file__)
    run = subprocess.run([sys.executable, script, file], capture_output=True, text=True, check=False)
    assert run.returncode == 0 and "proven" in run.stdout
    file.write_text(json.dumps(result.certificate | {"gain_at_most": result.loops[0].gain * 0.99}))
    assert subprocess.run([sys.executable, script, file], capture_output=True, check=False).returncode == 1
