"""The one place where the subjects meet: an area and a ride file become a Plan."""
