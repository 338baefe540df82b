"""The building: its axis, rooms and windows, the sun, and the light through a window."""
