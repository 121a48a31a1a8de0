"""Cautions that go with every plan, each a topic and a sentence or two. The plan adds those of its own set-up.

Sources: common practice of mobile operation; law is named only in general, since it differs by country.
"""

from __future__ import annotations

from routeplan.plan.value import Plan

GENERAL = (
    (
        "traffic",
        "Riding comes first. Say no more than a call sign while moving in traffic; stop for anything longer. "
        "Keep one ear free, and read no meter or display while riding.",
    ),
    (
        "law",
        "A licence is needed to transmit. Hand-held use while riding is barred in many places, bands and power differ "
        "by country, and so do the rules for footways, tracks and gates: signs on the spot go before this plan.",
    ),
    (
        "the prediction",
        "Times, climbs and chances of contact are estimates from maps and models, not promises. Roads may be closed "
        "and ways may be worse than mapped.",
    ),
    (
        "weather",
        "No transmitting and no whip up in a thunderstorm: leave ridges, take the whip down, and ride or shelter away "
        "from it. Cold halves a battery's time.",
    ),
    (
        "power lines",
        "Keep the whip clear of overhead lines and low branches, above all where the line crosses a bank or a gate.",
    ),
    ("fuel and blasting", "Do not transmit beside fuel vapour or blasting sites."),
    (
        "people near the whip",
        "Do not touch the whip while transmitting. Companions and children behind the rack are the public: "
        "keep them away from it or transmit less. With an active implant, ask your clinician first.",
    ),
    (
        "emergency",
        "Telephone first (112 or the local number). If there is no telephone coverage, call on the net or a repeater, "
        "give position, road and what is needed, and stay where you can be heard.",
    ),
)

CARD = (
    "Ride first: stop to talk. Whip clear of power lines; down in thunder. Nobody touches the whip. "
    "Least power that works. Emergency: telephone first."
)


def cautions(plan: Plan) -> list[tuple[str, str]]:
    """Topic and text: the general ones, then those of the plan (RF exposure screening and others)."""
    return [*GENERAL, *(("for this set-up", text) for text in plan.cautions)]
