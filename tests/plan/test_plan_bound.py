"""Proven limits of a plan: no loop passes them, a later run goes on, the certificate holds in fractions."""

from __future__ import annotations

import json
import os
import signal
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from routeplan import search
from routeplan.cli import Proving, main
from routeplan.plan import bound, ridefile
from routeplan.plan.area import Area
from routeplan.plan.loops import loop_window, question
from routeplan.plan.setting import departures, round_a_start
from routeplan.plan.timetable import Timed, time_route, with_check_in_halt
from routeplan.search.bounds import FLOW

sys.path.insert(0, str(Path(__file__).parents[1] / "search"))
import check_certificate

START = """
[start]
position = [36.5884, -84.2476]
departs = 2026-06-11T18:30:00
time_zone = "America/New_York"
[ride]
length_km = 9
tolerance = 0.15
[[station]]
name = "QB1RIM"
position = [36.6300, -84.2000]
kind = "in the loft"
[set]
transmit_w = 0.02
"""
NETS = {
    "no net": "",
    "a net": '[[net]]\nfrequency_mhz = 145.5\nbegins = "18:40"\nlasts_min = 15\n',
    "departures": '[[net]]\nfrequency_mhz = 145.5\nbegins = "18:45"\nlasts_min = 20\n',
}
NETS["hours"] = NETS["a net"]
STEPS = 4000


def asked(area: Area, net: str) -> tuple[Any, ...]:
    """Setting, window and departures of a ride file."""
    text = START + NETS[net]
    if net == "departures":
        text = text.replace("departs =", "departs_between = [2026-06-11T18:25:00, 2026-06-11T18:45:00] #")
    if net == "hours":
        text = text.replace("length_km = 9", "hours = 0.9")
    ride = ridefile.read_ride_text(text)
    departs = departures(ride)
    window = loop_window(ride, departs[0])
    return round_a_start(area, ride, reach_m=window.reach_m, progress=lambda text: None), window, departs


@pytest.fixture(scope="module", params=list(NETS))
def case(fault_area: Area, request: pytest.FixtureRequest) -> tuple[Any, ...]:
    return asked(fault_area, request.param)


@pytest.fixture(scope="module")
def still(fault_area: Area) -> tuple[Any, ...]:
    """The case without a net."""
    return asked(fault_area, "no net")


def many_loops(setting: Any, window: Any, departs: Any) -> list[Timed]:
    """Loops after contact, after silence and after nothing, with repeats and halts, from every departure."""
    q = question(setting, window, bool(setting.nets))
    timed = []
    for seed, gain in enumerate((q.contact_s, q.contact_s - q.time_s, np.cos(np.arange(len(q.tail))))):
        found = search.best_loops(
            q.tail, q.head, q.measure, gain, q.start, window.shortest, window.longest, street=q.street, count=10,
            may_repeat=True, repeat_share_at_most=setting.ride.ride.repeat_share, banned_turns=q.banned,
            budget=1_000_000, seed=seed,
        )  # fmt: skip
        for loop in found.loops:
            edges = setting.graph.expand(loop.edges, start=setting.start, end=setting.start)
            for departure in departs:
                ride = time_route(setting, edges, departure)
                timed += [ride, with_check_in_halt(setting, ride)]
    return timed


def test_property_no_loop_passes_the_limits_at_any_step(case: tuple[Any, ...]) -> None:
    best = bound.best_of(many_loops(*case))
    assert best.contact_s > 0
    before = bound.contact_bound(*case)
    for proof in bound.proofs(*case, best=best, resume=False, steps=STEPS):
        now = proof.bound
        assert best.contact_s <= now.contact_s_at_most <= before.contact_s_at_most
        assert (now.out_s_at_least is None) == bool(case[0].nets)
        if now.out_s_at_least is not None:
            assert before.out_s_at_least <= now.out_s_at_least <= best.out_s
        before = now
    assert proof.done or proof.steps >= STEPS
    told = json.loads(json.dumps(proof.certificate()))
    for part in told["parts"]:
        assert check_certificate.bound(part) <= part["gain_at_most"]
    assert before.scope.startswith(("loop of 7.7 to 10.3 km", "loop of 0.8 to 1.0 h"))


def test_property_a_later_run_goes_on_and_never_falls_back(still: tuple[Any, ...], tmp_path: Path) -> None:
    ask = {"best": bound.Best(), "folder": tmp_path}
    first = bound.tightened_bound(*still, steps=500, **ask)
    again = list(bound.proofs(*still, steps=500, **ask))
    assert again[0].steps >= 1000 and again[0].bound == first  # both limits stood at 500
    assert again[-1].bound.out_s_at_least >= first.out_s_at_least
    whole = bound.tightened_bound(*still, steps=1000, best=bound.Best(), resume=False)
    assert again[-1].bound.out_s_at_least == pytest.approx(whole.out_s_at_least, rel=0.05)
    assert len(list(tmp_path.iterdir())) == 2 and not list(tmp_path.glob("*.part"))


@pytest.mark.parametrize("damage", ["empty", "half", "noise", "other", "nan"])
def test_property_damaged_state_is_thrown_away(still: tuple[Any, ...], tmp_path: Path, damage: str) -> None:
    ask = {"best": bound.Best(), "steps": 200, "folder": tmp_path}
    bound.tightened_bound(*still, **ask)
    quick = bound.contact_bound(*still)
    files = sorted(tmp_path.glob("*.npz"))
    other = files[1].read_bytes()
    for path in files:
        data = path.read_bytes()
        if damage == "nan":
            with np.load(path) as kept:
                np.savez(path, **{**kept, "price": np.full_like(kept["price"], np.nan)})
        else:
            noise = np.random.default_rng(0).bytes(len(data))
            path.write_bytes({"empty": b"", "half": data[: len(data) // 2], "noise": noise, "other": other}[damage])
    first = next(bound.proofs(*still, **ask))
    assert first.steps <= 200 and first.bound.contact_s_at_most <= quick.contact_s_at_most
    assert (first.steps == 0) == (damage != "other")  # the other one's own file still holds


def test_a_folder_that_cannot_be_written_costs_no_proof(still: tuple[Any, ...], tmp_path: Path) -> None:
    nowhere = tmp_path / "file"
    nowhere.write_text("no folder")
    assert bound.tightened_bound(*still, best=bound.Best(), steps=100, folder=nowhere).contact_s_at_most > 0


def test_only_the_last_standings_are_kept(
    still: tuple[Any, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bound, "KEPT", 1)
    bound.tightened_bound(*still, best=bound.Best(), steps=100, folder=tmp_path)
    assert len(list(tmp_path.iterdir())) == 1


def test_prices_that_were_tampered_with_prove_no_more_than_they_do(still: tuple[Any, ...], tmp_path: Path) -> None:
    best = bound.best_of(many_loops(*still))
    ask = {"best": best, "steps": 200, "folder": tmp_path}
    bound.tightened_bound(*still, **ask)
    for path in tmp_path.glob("*.npz"):
        with np.load(path) as kept:
            np.savez(path, **{**kept, "price": 3.0 * kept["price"] - 1.0})
    now = next(bound.proofs(*still, **ask)).bound
    assert now.contact_s_at_most >= best.contact_s and now.out_s_at_least <= best.out_s


def test_who_is_told_may_stop_it(still: tuple[Any, ...], tmp_path: Path) -> None:
    seen = []

    def report(proof: bound.Proof) -> bool:
        seen.append(proof)
        return len(seen) < 5

    told = bound.tightened_bound(*still, best=bound.Best(1.0, 1e4), report=report, folder=tmp_path)
    assert len(seen) == 5 and told == seen[-1].bound and not seen[-1].done
    assert all("no loop can have less than" in proof.said for proof in seen)
    assert list(tmp_path.glob("*.npz"))


def test_an_interrupt_ends_the_proof_and_keeps_it(still: tuple[Any, ...], capsys: pytest.CaptureFixture[str]) -> None:
    before = signal.getsignal(signal.SIGINT)
    with Proving() as proving:
        for number, proof in enumerate(bound.proofs(*still, best=bound.Best(1.0, 1e4), resume=False)):
            if number == 3:
                os.kill(os.getpid(), signal.SIGINT)
            if not proving(proof):
                break
        assert number == 3 and proving.proof is proof
    assert signal.getsignal(signal.SIGINT) is before
    assert "Ctrl-C" in capsys.readouterr().err


def test_command_proves_and_writes_the_certificate(
    fault_area: Area, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bound, "STEPS", 1500)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setattr("routeplan.plan.loops.BUDGET", 3_000_000)
    monkeypatch.setattr("routeplan.output.write.write_all", lambda plan, out, **more: [])
    monkeypatch.setattr("routeplan.plan.area.load_area", lambda folder: fault_area)
    ride = tmp_path / "evening.toml"
    ride.write_text(START)
    said = CliRunner().invoke(
        main, ["loop", "somewhere", str(ride), "--prove", "--out", str(tmp_path / "out"), "--json", "-"]
    )
    assert said.exit_code == 0, said.output
    plan = json.loads(said.stdout)
    assert "flow" in plan["bound"]["how"] and plan["bound"]["out_s_at_least"] > 0
    assert "no loop can have less than" in said.stderr
    certificate = json.loads((tmp_path / "out" / "certificate.json").read_text())
    assert certificate["told"]["out_s_at_least"] == plan["bound"]["out_s_at_least"]
    for part in certificate["parts"]:
        assert check_certificate.bound(part) <= part["gain_at_most"]
    monkeypatch.setattr(sys, "argv", ["check_certificate.py", str(tmp_path / "out" / "certificate.json")])
    assert check_certificate.main() == 0


def test_other_jobs_have_nothing_to_prove() -> None:
    assert CliRunner().invoke(main, ["between", "--prove", "a", "b"]).exit_code == 2


def test_the_limit_is_told_beside_the_best_choice() -> None:
    sys.path.insert(0, str(Path(__file__).parents[1] / "output"))
    from sample_plan import sample_plan

    from routeplan.output.table import bound_sentence

    plan = sample_plan("A")
    best = max(plan.routes, key=lambda route: route.contact_s)
    sentence = bound_sentence(plan)
    assert sentence.startswith("No loop") and f"choice {best.id} has" in sentence
    assert plan.bound is not None
    scoped = replace(plan, bound=replace(plan.bound, scope="loop of 9 to 11 km from this start"))
    assert bound_sentence(scoped).startswith("No loop of 9 to 11 km from this start can have more than")


def test_flow_is_named_in_the_search_too() -> None:
    assert "flow" in FLOW and "flow" in bound.TIGHT
