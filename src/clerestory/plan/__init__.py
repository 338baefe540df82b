"""Planning a visit: views, stations, kit, light, timetable, field card."""
