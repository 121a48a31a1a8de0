"""The bicycle and its rider: power, speed, pacing, walking, surfaces, weather, battery, daylight.

Importing this package costs numpy and nothing else.
"""

from routeplan.ride.power import power_w, speed_m_s

__all__ = ["power_w", "speed_m_s"]
