"""The ride and its net as an iCalendar file (RFC 5545).

Events keep local wall time: DTSTART carries a TZID, and the file brings that zone's rules with it (a VTIMEZONE
made from the system's zone data), so that any calendar shows the time on the rider's own clock.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from hashlib import sha256
from zoneinfo import ZoneInfo

from routeplan.plan.value import Plan, Route
from routeplan.plan.words import after, frequency, headline, ride_time_range


def calendar(plan: Plan, route: Route) -> str:
    """One event for the ride of `route` and one for each net, with a VTIMEZONE; CRLF lines of at most 75 octets."""
    zone = ZoneInfo(plan.time_zone)
    moments = [
        route.departs,
        after(route.departs, route.ride_time_s),
        *(m for net in plan.nets for m in (net.begins, net.ends)),
    ]
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//routeplan//routeplan//EN", "CALSCALE:GREGORIAN"]
    lines += _zone(plan.time_zone, zone, min(moments), max(moments))
    about = [route.headline or headline(route), route.why, f"ride time {ride_time_range(route)}"]
    if route.chance_sentence:
        about.append(route.chance_sentence)
    lines += _event(f"{plan.title} ({route.id})", "\n".join(about), moments[0], moments[1], plan.time_zone, zone)
    for net in plan.nets:
        said = f"{frequency(net.frequency_mhz)} {net.mode}" + (f"\nnet control {net.control}" if net.control else "")
        lines += _event(net.name, said, net.begins, net.ends, plan.time_zone, zone)
    lines.append("END:VCALENDAR")
    return "".join(f"{_folded(line)}\r\n" for line in lines)


def _event(summary: str, text: str, begins: datetime, ends: datetime, name: str, zone: ZoneInfo) -> list[str]:
    local = [moment.astimezone(zone).strftime("%Y%m%dT%H%M%S") for moment in (begins, ends)]
    stamp = begins.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")  # of the plan, not of the writing: the file repeats
    uid = sha256(f"{summary}|{text}|{stamp}".encode()).hexdigest()[:24]
    return [
        "BEGIN:VEVENT",
        f"UID:{uid}@routeplan.invalid",
        f"DTSTAMP:{stamp}",
        f"DTSTART;TZID={name}:{local[0]}",
        f"DTEND;TZID={name}:{local[1]}",
        f"SUMMARY:{_escaped(summary)}",
        f"DESCRIPTION:{_escaped(text)}",
        "END:VEVENT",
    ]


def _zone(name: str, zone: ZoneInfo, first: datetime, last: datetime) -> list[str]:
    """VTIMEZONE with every change of clocks from a year before the first moment to a year after the last."""
    begin, end = first.astimezone(UTC) - timedelta(days=366), last.astimezone(UTC) + timedelta(days=366)
    moment = begin.replace(minute=0, second=0, microsecond=0)
    before = moment.astimezone(zone)
    onsets = [(before.replace(tzinfo=None), before, before)]
    while moment < end:
        moment += timedelta(days=1)
        now = moment.astimezone(zone)
        if now.utcoffset() != before.utcoffset() or now.dst() != before.dst():
            low, high = moment - timedelta(days=1), moment
            while high - low > timedelta(seconds=1):
                middle = low + (high - low) / 2
                same = (
                    middle.astimezone(zone).utcoffset() == before.utcoffset()
                    and middle.astimezone(zone).dst() == before.dst()
                )
                low, high = (middle, high) if same else (low, middle)
            onset = (high.replace(microsecond=0) + (before.utcoffset() or timedelta())).replace(tzinfo=None)
            onsets.append((onset, before, now))
        before = now
    lines = ["BEGIN:VTIMEZONE", f"TZID:{name}"]
    for onset, old, new in onsets:
        kind = "DAYLIGHT" if new.dst() else "STANDARD"
        lines += [
            f"BEGIN:{kind}",
            f"DTSTART:{onset:%Y%m%dT%H%M%S}",
            f"TZOFFSETFROM:{_offset(old)}",
            f"TZOFFSETTO:{_offset(new)}",
            f"TZNAME:{new.tzname()}",
            f"END:{kind}",
        ]
    return [*lines, "END:VTIMEZONE"]


def _offset(moment: datetime) -> str:
    seconds = int((moment.utcoffset() or timedelta()).total_seconds())
    sign, seconds = ("-", -seconds) if seconds < 0 else ("+", seconds)
    text = f"{sign}{seconds // 3600:02d}{seconds % 3600 // 60:02d}"
    return f"{text}{seconds % 60:02d}" if seconds % 60 else text


def _escaped(text: str) -> str:
    """TEXT value (RFC 5545, 3.3.11)."""
    return text.replace("\\", "\\\\").replace(";", r"\;").replace(",", r"\,").replace("\n", r"\n")


def _folded(line: str) -> str:
    """A content line in pieces of at most 75 octets (3.1), never cutting a character."""
    pieces: list[bytes] = []
    piece = b""
    for character in line:
        data = character.encode()
        if len(piece) + len(data) > (75 if not pieces else 74):
            pieces.append(piece)
            piece = b""
        piece += data
    pieces.append(piece)
    return b"\r\n ".join(pieces).decode()
