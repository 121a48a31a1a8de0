"""Searches that run beside the page: each in a thread of its own, watched by sequence number, stopped when asked.

Whoever watches asks for what is newer than the number last seen and waits for it; nothing is lost when two watch, or
when one asks late: an answer always holds the newest state whole. Choices that a page still shows are kept beside newer
ones, under the number they came with. When a search of loops has ended, its proven limit can be tightened: a proof is
watched and stopped in the same way.
"""

from __future__ import annotations

import ctypes
import sys
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from routeplan import compiled
from routeplan.errors import Fault, InputError, RouteplanError
from routeplan.page.view import bound_view, plan_view
from routeplan.plan import jobs
from routeplan.plan.area import Area
from routeplan.plan.ridefile import Ride
from routeplan.plan.value import Bound, Plan

AT_ONCE = 2  # searches that run at the same time; more wait for their turn
KEPT = 12  # searches that can still be looked at and downloaded from
SHOWN = 4  # of them, the newest: what some page may still show; of the others only the last choices are kept
BETTER_EVERY_S = 0.8  # how often better choices are shown, at the most
SHOWING_SHARE = 8  # showing takes no more than one part in so many of a search's time
VERSIONS = 3  # of the choices that some page has looked at, beside the newest
STOPS_WITHIN_S = 1.0  # a job that does not end by then is left to itself; what it has shown is the answer
TIDIES_WITHIN_S = 4.0
PROOF_SAID_EVERY_S = 0.5

Job = Callable[..., Plan]
Prover = Callable[..., Bound]


class Stopped(Exception):
    """Raised inside a search that nobody wants any more."""


@dataclass(frozen=True)
class Asked:
    """What a search was asked: the job, the ride, and what gives the ride file's text as it would be saved."""

    job: str
    area: Area
    ride: Ride
    ride_text: Callable[[], str]


class Search:
    """One search: its newest plan, its state, and a number that grows with every change."""

    def __init__(self, key: str, asked: Asked) -> None:
        self.key, self.asked = key, asked
        self.state = "waiting"  # waiting, running, done, stopped, failed
        self.seq = 0
        self.plan: Plan | None = None
        self.plan_seq = 0
        self.said = "waiting for its turn"
        self.faults: tuple[Fault, ...] = ()
        self.whole = False  # the plan is the final one
        self.proof: dict[str, Any] | None = None  # how far it has come, as the page shows it
        self._versions: OrderedDict[int, Plan] = OrderedDict()
        self._view: tuple[int, dict[str, Any]] = (0, {})
        self._stop = self._drop = self._stop_proof = self._heard = False
        self._began = time.monotonic()
        self._next_look = 0.0
        self.first_s: float | None = None
        self._changed = threading.Condition()

    # --- for who watches ---

    def stop(self, *, drop: bool = False) -> None:
        """End the search, or its proof, soon and keep what was found; drop: nobody wants it any more.

        Where nothing was found yet it is stopped for who watches at once, else within STOPS_WITHIN_S at the latest; its
        thread ends at its next step.
        """
        with self._changed:
            self._stop_proof = True
            if self.ended:
                return
            self._stop = True
            self._drop = self._drop or drop or self.plan is None
        if self._drop:
            self._tell("stopped", state="stopped")
            return
        self._tell("stopping")
        self._leave_in(STOPS_WITHIN_S)

    def _leave_in(self, seconds: float) -> None:
        late = threading.Timer(seconds, self._leave)
        late.daemon = True
        late.start()

    def _leave(self) -> None:
        """Wait no longer for a job that was told to stop; one that has heard it gets some time to tidy up."""
        if self._heard:
            self._heard = False
            return self._leave_in(TIDIES_WITHIN_S)
        self._drop = True
        self._tell("stopped", state="stopped")

    @property
    def ended(self) -> bool:
        return self.state in ("done", "stopped", "failed")

    @property
    def proving(self) -> bool:
        return self.proof is not None and bool(self.proof["running"])

    def wait(self, after: int, seconds: float) -> dict[str, Any]:
        """The newest state, as soon as it is newer than `after`, or after `seconds`."""
        with self._changed:
            self._changed.wait_for(lambda: self.seq > after or (self.ended and not self.proving), timeout=seconds)
            plan, plan_seq = self.plan, self.plan_seq
            found: dict[str, Any] = {
                "id": self.key,
                "seq": self.seq,
                "state": self.state,
                "said": self.said,
                "plan_seq": plan_seq,
                "whole": self.whole,
                "first_s": self.first_s,
                "seconds": round(time.monotonic() - self._began, 2),
                "faults": [fault._asdict() for fault in self.faults],
                "proof": self.proof,
            }
        if plan is not None and plan_seq > after:
            found["plan"] = self._viewed(plan, plan_seq)
        return found

    def version(self, seq: int | None) -> Plan:
        """The choices that came with a number, or the newest. Raises InputError where they are kept no more."""
        with self._changed:
            if self.plan is None:
                raise InputError("nothing was found yet", "", "wait for the first choice")
            if seq is None or seq == self.plan_seq:
                seq = self.plan_seq
                self._versions.setdefault(seq, self.plan)
            if seq not in self._versions:
                raise InputError("these choices are not kept any more", "", "show the newer ones")
            self._versions.move_to_end(seq)
            found = self._versions[seq]
            while len(self._versions) > VERSIONS:
                self._versions.popitem(last=False)
        return found

    def forget(self) -> None:
        """Keep the last choices only: no page shows earlier ones any more."""
        with self._changed:
            self._versions.clear()
            self._view = (0, {})

    def _viewed(self, plan: Plan, seq: int) -> dict[str, Any]:
        if self._view[0] != seq:
            self._view = (seq, plan_view(plan))
        return self._view[1]

    # --- in its own thread ---

    def run(self, job: Job) -> None:
        """Do the job; whatever happens ends in a state that can be shown."""
        asked = self.asked
        if self.ended:
            return
        try:
            compiling = compiled.all_to_compile()
            self._tell("first run on this machine: preparing, a minute or two, once" if compiling else "beginning",
                       state="running")  # fmt: skip
            plan = job(asked.job, asked.area, asked.ride, progress=self._progress, watch=self._watch)
            if self._drop:
                raise Stopped
            self._show(plan, whole=True)
            self._tell("stopped" if self._stop else "done", state="stopped" if self._stop else "done")
        except Stopped:
            self._tell("stopped", state="stopped")
        except InputError as error:
            self._fail(error.faults)
        except RouteplanError as error:
            self._fail((Fault(str(error)),))
        except Exception as error:
            log_fault(error)
            self._fail((Fault("a fault of routeplan's, not yours", "", "see the terminal, and report it"),))

    def _progress(self, text: str) -> None:
        if self._drop:
            raise Stopped
        self._tell(text)

    def _watch(self, so_far: Callable[[], Plan]) -> bool:
        if self._drop:
            raise Stopped
        now = time.monotonic()
        if self.plan is None or now > self._next_look:
            self._show(so_far())
            done = time.monotonic()
            self._next_look = done + max(BETTER_EVERY_S, SHOWING_SHARE * (done - now))
        self._heard = self._stop
        return not self._stop

    def _show(self, plan: Plan, *, whole: bool = False) -> None:
        with self._changed:
            if self.ended:
                return
            self.seq += 1
            self.plan, self.plan_seq, self.whole = plan, self.seq, whole
            if self.first_s is None:
                self.first_s = round(time.monotonic() - self._began, 2)
            self._changed.notify_all()

    # --- the proof, in a thread of its own ---

    def can_be_proven(self) -> bool:
        """Whether there is a limit to tighten, and nothing that does it already."""
        return self.ended and self.plan is not None and self.asked.job == "loop" and not self.proving

    def prove(self, prover: Prover) -> None:
        """Tighten the proven limit until it is tight, stopped or failed; the plan has the new limit then."""
        plan = self.plan
        assert plan is not None
        said_at = 0.0

        def report(proof: Any) -> bool:
            nonlocal said_at
            now = time.monotonic()
            if now - said_at > PROOF_SAID_EVERY_S:
                said_at = now
                self._tell_proof(plan, proof.bound, proof.seconds, running=True)
            return not self._stop_proof

        began = time.monotonic()
        try:
            bound = prover(self.asked.area, self.asked.ride, plan, report)
        except RouteplanError as error:
            return self._end_proof(str(error))
        except Exception as error:
            log_fault(error)
            return self._end_proof("a fault of routeplan's, not yours; see the terminal")
        proven = replace(plan, bound=bound)
        with self._changed:
            if self.plan is plan:
                self.seq += 1
                self.plan, self.plan_seq = proven, self.seq
        self._tell_proof(proven, bound, time.monotonic() - began, running=False)

    def begin_proof(self) -> bool:
        """Mark the proof as begun; False where there is nothing to begin."""
        with self._changed:
            if not self.can_be_proven():
                return False
            self._stop_proof = False
            self.proof = {"running": True, "seconds": 0.0, "stopped": False, "trouble": ""}
            self.seq += 1
            self._changed.notify_all()
            return True

    def _tell_proof(self, plan: Plan, bound: Bound, seconds: float, *, running: bool) -> None:
        view = bound_view(replace(plan, bound=bound))
        with self._changed:
            self.seq += 1
            stopped = self._stop_proof and not running
            self.proof = {
                "running": running, "seconds": round(seconds, 1), "stopped": stopped, "bound": view, "trouble": "",
            }  # fmt: skip
            self._changed.notify_all()

    def _end_proof(self, trouble: str) -> None:
        with self._changed:
            self.seq += 1
            self.proof = {"running": False, "seconds": 0.0, "stopped": False, "trouble": trouble}
            self._changed.notify_all()

    def _fail(self, faults: tuple[Fault, ...]) -> None:
        path = str(self.asked.ride.path)  # stands for the ride of the page, and is no file
        with self._changed:
            self.faults = tuple(Fault(f.what, f.where.replace(path, "ride"), f.mend) for f in faults)
        self._tell("cannot be planned", state="failed")

    def _tell(self, text: str, state: str | None = None) -> None:
        with self._changed:
            if self.ended:
                return
            self.seq += 1
            self.said = text
            self.state = state or self.state
            self._changed.notify_all()


class Searches:
    """The searches of one server."""

    def __init__(self, job: Job = jobs.plan, prover: Prover | None = None) -> None:
        self._job = job
        self._prover = prover or prove_loops
        self._all: OrderedDict[str, Search] = OrderedDict()
        self._count = 0
        self._lock = threading.Lock()
        self._room = threading.Semaphore(AT_ONCE)

    def begin(self, asked: Asked, replaces: object = None) -> Search:
        """Begin a search; the one it replaces is dropped."""
        with self._lock:
            old = self._all.get(replaces) if isinstance(replaces, str) else None
            self._count += 1
            search = Search(f"s{self._count}", asked)
            self._all[search.key] = search
            for key in [k for k, s in self._all.items() if s.ended][: max(0, len(self._all) - KEPT)]:
                del self._all[key]
            for one in list(self._all.values())[:-SHOWN]:
                one.forget()
            crowd = [s for s in self._all.values() if not s.ended][: -2 * KEPT]
        for one in [*crowd, *([old] if old is not None else [])]:
            one.stop(drop=True)
        threading.Thread(target=self._run, args=(search,), name=f"search {search.key}", daemon=True).start()
        return search

    def _run(self, search: Search) -> None:
        with self._room:
            search.run(self._job)
        give_back()

    def prove(self, key: str) -> bool:
        """Begin to tighten the proven limit of a search that has ended; False where that cannot be done."""
        search = self.get(key)
        if not search.begin_proof():
            return False
        threading.Thread(target=self._prove, args=(search,), name=f"proof {search.key}", daemon=True).start()
        return True

    def _prove(self, search: Search) -> None:
        with self._room:
            search.prove(self._prover)

    def get(self, key: str) -> Search:
        """A search by its key. Raises InputError."""
        with self._lock:
            search = self._all.get(key)
        if search is None:
            raise InputError("this search is not kept any more", "", "plan again")
        return search

    def stop_all(self) -> None:
        with self._lock:
            running = [s for s in self._all.values() if not s.ended or s.proving]
        for search in running:
            search.stop(drop=True)


def give_back() -> None:
    """Give freed memory back to the system where its allocator keeps it (glibc): else it holds some for each thread."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None) if sys.platform == "linux" else None
    if trim is not None:
        trim(0)


def prove_loops(area: Area, ride: Ride, plan: Plan, report: Callable[[Any], bool]) -> Bound:
    """The proven limit on the loops of a plan, made as tight as it gets in the time that `report` allows."""
    from routeplan.plan.bound import Best, tightened_bound
    from routeplan.plan.loops import loop_window
    from routeplan.plan.setting import departures, round_a_start

    departs = departures(ride)
    window = loop_window(ride, departs[0])
    setting = round_a_start(area, ride, reach_m=window.reach_m, progress=lambda text: None)
    best = Best(
        max((route.contact_s for route in plan.routes), default=0.0),
        min((route.ride_time_s - route.contact_s for route in plan.routes), default=float("inf")),
    )
    return tightened_bound(setting, window, departs, best=best, report=report)


def log_fault(error: BaseException) -> None:
    """One line in the terminal for a fault of ours: what, and where in the code."""
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    at = f"{trace.tb_frame.f_code.co_filename}:{trace.tb_lineno}" if trace is not None else "?"
    print(f"routeplan: a fault of ours: {type(error).__name__}: {error} at {at}", file=sys.stderr)
