"""What the page says at each number and each field, for a rider who sees it for the first time."""

from __future__ import annotations

FIGURES: dict[str, tuple[str, str]] = {
    "length": ("Length", "How far the ride goes, from the start back to the start or to its end."),
    "time": (
        "Time",
        "Riding time at your steady power, with stops at signals and the planned halt. In brackets: on 8 days of 10 it "
        "lies in this range.",
    ),
    "effort": (
        "Effort",
        "Work done at the cranks, in kilojoules. Hills, wind, rough ground and weight all count. 400 kJ is about an "
        "hour of steady touring.",
    ),
    "climb": ("Climb", "All rises of the road added up, and how far that sum may be out."),
    "hard": ("Hard", "Minutes above your steady power, or on foot: the steep parts."),
    "contact": (
        "Contact",
        "Minutes in which your stations should hear you and you them, each counted by its chance. With a net only its "
        "window counts. In brackets: the same if every link were 5 dB worse or better, as is common.",
    ),
    "usable": (
        "Usable",
        "Contact in pieces of a minute or more, away from junctions, fast descents and hard climbs: when you can talk.",
    ),
    "dead": ("Dead", "Minutes with less than an even chance, and the longest run of them."),
    "turns": (
        "Turns",
        "Changes of direction where you could choose, for each kilometre (or mile). Fewer is easier to follow.",
    ),
    "repeated": ("Twice", "How much of the ride goes back over a street ridden before."),
    "battery": (
        "Battery",
        "Share of the set's battery that the ride uses, as you transmit and listen, colder air counted.",
    ),
    "bound": (
        "Proven limit",
        "No ride inside your limits can have more contact than this: it is proven. The gap to the best choice is what "
        "a better search could at most still gain; it may be nothing.",
    ),
    "chance": ("Chance", "How likely a contact works at a place: 9 in 10 counts as in contact, below 1 in 2 is dead."),
}

FIELDS: dict[str, tuple[str, str]] = {
    "start.position": ("Start", "Latitude, longitude in degrees, or a locator of 8 characters. Or pick it on the map."),
    "start.departs": ("Leave at", "Local time at the start."),
    "start.time_zone": ("Time zone", "Whose clock the times are on, like Europe/Andorra."),
    "ride.length_km": ("Length", "How long the loop shall be."),
    "ride.hours": ("Hours", "How long the loop shall take, halts included."),
    "ride.home_by": ("Home by", "The latest you want to be back."),
    "ride.end": ("End", "Where the ride ends: latitude, longitude, or pick it on the map."),
    "ride.length_at_most_km": ("At most", "The longest ride you accept."),
    "ride.follow": (
        "Your ride",
        "A GPX file of the ride: drop it here. It is kept beside the ride files on this computer.",
    ),
    "ride.extra_km_at_most": ("Longer by at most", "How much longer the mended ride may be."),
    "net.begins": ("Begins", "Local time at which the net begins."),
    "net.lasts_min": ("Lasts", "Minutes that the net runs."),
    "net.frequency_mhz": ("Frequency", "In MHz; of a repeater, its output."),
    "net.control": ("Control", "The station that leads the net."),
    "station.place": ("Place", "A locator of 6 or 8 characters, or latitude, longitude. Or drag its mark on the map."),
    "station.kind": ("Kind", "What the station is. The words stand for antenna height, gain, cable and power."),
    "station.surroundings": ("Around it", "How noisy it is there: houses make it harder to hear you."),
    "set.transmit_w": ("Power", "What your set transmits, in watts."),
    "set.antenna": ("Antenna", "What you carry."),
    "set.mount": ("Carried", "Where the set and its antenna are: on the rack they are clear of your body."),
    "rider.power_w": (
        "Steady power",
        "What you can hold for hours at the cranks: 80 W easy, 110 W steady, 150 W brisk.",
    ),
    "rider.mass_kg": ("You", "Your mass, dressed."),
    "rider.bicycle_mass_kg": ("Bicycle", "With bags, set, water and everything on it."),
    "wind.speed_m_s": ("Wind", "In metres a second, at your height."),
    "wind.from_deg": ("From", "Where it comes from: degrees, 90 is east, or a point of the compass."),
    "contact.rule": ("You are in contact when", "Whom you must be able to work at a place for it to count."),
}
